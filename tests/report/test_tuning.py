"""A sweep: what a cell tells is what a plain replay under its setting tells; what there was to detect, by hand."""

import io
import subprocess
import sys
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from logger import recording
from logger.config import AlarmConfig, AlarmKind, ProbeConfig
from logger.errors import RefusedError
from logger.model import Block, Command, CommandKind
from logger.recording import KnownFault
from logger.replay import replay
from logger.report import trial, tuning
from logger.report.excerpt import woven
from logger.report.trial import Annunciations, Judge
from logger.report.tuning import Cell, Sweep
from logger.structs import replace
from logger.watch.pipeline import Watch
from tests.series import EPOCH_US, calibrate, of_ph, raw_alarm, watch

MINUTE = 60.0
US = 60_000_000
Items = list[Block | Command]
# A record a minute: at or above 4.6 in minutes 5-9, 20-59 and 80 to the end at 99, by less than a jump.
EXCURSIONS = [4.65 if 5 <= n < 10 or 20 <= n < 60 or n >= 80 else 4.5 for n in range(100)]


def heard(swept: Sweep, probe: ProbeConfig, items: Items) -> Annunciations:
    return trial.annunciations_of(replay(swept.watch(probe), swept.asked(items)))


def by_hand(judge: Judge, *, limit: float | None = None, **values: Sequence[float]) -> list[Cell]:
    """Sweep a raw ph-high at 4.6 over the excursions."""
    watched = watch(raw_alarm())
    swept = tuning.sweep(watched.vat, watched.probe, "ph-high", values, limit=limit)
    told = heard(swept, watched.probe, [calibrate(), of_ph(EXCURSIONS, every_s=MINUTE)])
    return tuning.cells(swept, [(told, judge)])


def test_delays_nuisances_and_misses_are_those_counted_by_hand() -> None:
    # longer than 15 min beyond 4.6: minutes 20-60 and 80-99; shorter: 5-10. With 25 min of delay the alarm stands for
    # 15 min, and yet is none of the nuisances: it tells what there is to tell.
    cells = by_hand(Judge(within_s=15 * MINUTE), on_delay_s=(0, 6 * MINUTE, 25 * MINUTE, 45 * MINUTE))
    assert [
        (c.alarm.on_delay_s / MINUTE, c.annunciations, c.nuisance, c.delays_s, c.missed, c.present, c.unbettered)
        for c in cells
    ] == [
        (6, 2, 0, (360.0, 360.0), 0, False, True),
        (0, 3, 1, (0.0, 0.0), 0, True, True),
        (25, 1, 0, (1500.0,), 1, False, False),
        (45, 0, 0, (), 2, False, False),
    ]
    night = 12 * 60 / 100  # a hundred minutes were watched
    assert cells[1].nuisance_per_night == pytest.approx(night)
    assert cells[1].annunciations_per_night == pytest.approx(3 * night)
    assert (cells[0].delay_s, cells[3].delay_s) == (360.0, None)


def test_a_window_counts_into_the_delay() -> None:
    # windows of 5 min judge minutes 20-24 at minute 25, and 80-84 at 85; the present one judges each record
    (cell,) = (c for c in by_hand(Judge(within_s=15 * MINUTE), window_s=(300.0,)) if not c.present)
    assert cell.delays_s == (300.0, 300.0)


def test_a_stretch_begins_with_the_first_window_of_the_present_setting() -> None:
    present = raw_alarm(window_s=600.0, on_delay_s=600.0)
    watched = watch(present)
    swept = tuning.sweep(watched.vat, watched.probe, "ph-high", {"window_s": (0.0,), "on_delay_s": (0.0, 600.0)})
    told = heard(swept, watched.probe, [calibrate(), of_ph(EXCURSIONS, every_s=MINUTE)])
    judge = Judge(within_s=8 * MINUTE)
    # judged at 30, 40, 50, 60 and back at 70; judged at 90: its window began at 80, at 99 it stood for 9 min
    assert swept.targets(told, judge) == [(20 * US, 70 * US), (80 * US, 99 * US)]
    delays = {(c.alarm.window_s, c.alarm.on_delay_s): c.delays_s for c in tuning.cells(swept, [(told, judge)])}
    assert delays == {(0.0, 0.0): (0.0, 0.0), (0.0, 600.0): (600.0, 600.0), (600.0, 600.0): (1200.0,)}


def test_the_limit_says_where_what_there_is_to_detect_begins() -> None:
    # 4.65 is reached nowhere but where 4.6 is; 4.7 never; 4.4 at once, and it stays so
    judge = Judge(within_s=15 * MINUTE)
    tried = {limit: by_hand(judge, limit=limit, on_delay_s=(60.0,)) for limit in (4.649, 4.7, 4.4)}
    assert {limit: len(c[0].delays_s) + c[0].missed for limit, c in tried.items()} == {4.649: 2, 4.7: 0, 4.4: 1}
    assert {limit: c[0].delay_s for limit, c in tried.items()} == {4.649: 0.0, 4.7: None, 4.4: 300.0}


def test_an_alarm_that_stands_already_is_ahead() -> None:
    ramp = of_ph([4.3 + 0.005 * n for n in range(100)], every_s=MINUTE)  # 4.5 at minute 40, 4.6 at minute 60
    watched = watch(raw_alarm(setpoint=4.601))
    swept = tuning.sweep(watched.vat, watched.probe, "ph-high", {"setpoint": (4.501,)})
    cells = tuning.cells(swept, [(heard(swept, watched.probe, [calibrate(), ramp]), Judge(within_s=15 * MINUTE))])
    assert {c.alarm.setpoint: c.delays_s for c in cells} == {4.501: (-20 * MINUTE,), 4.601: (0.0,)}


def test_known_faults_are_what_an_instrument_alarm_has_to_tell_if_it_sees_them_at_all() -> None:
    silent = of_ph([None if 10 <= n < 20 or 50 <= n < 52 else 4.3 for n in range(80)], every_s=MINUTE)
    alarm = AlarmConfig(id="no-data", kind=AlarmKind.NO_DATA, window_s=0.0, on_delay_s=180.0)
    watched = watch(alarm)
    swept = tuning.sweep(watched.vat, watched.probe, "no-data", {"on_delay_s": (0.0, 60.0)})
    faults = [fault("unplugged", 9.5, 20), fault("knocked", 30, 40), fault("unplugged", 49.5, 52)]
    told = heard(swept, watched.probe, [calibrate(), silent])
    cells = tuning.cells(swept, [(told, Judge(faults=faults))])
    assert [(c.alarm.on_delay_s, c.delays_s, c.missed, c.nuisance) for c in cells] == [
        (0.0, (30.0, 30.0), 0, 0),
        (60.0, (90.0, 90.0), 0, 0),
        (180.0, (210.0,), 1, 0),
    ]


def fault(name: str, begin: float, end: float) -> KnownFault:
    return KnownFault(fault=name, from_us=round(begin * US), until_us=round(end * US))


def test_sources_add_up() -> None:
    watched = watch(raw_alarm())
    swept = tuning.sweep(watched.vat, watched.probe, "ph-high", {"on_delay_s": (360.0,)})
    told = heard(swept, watched.probe, [calibrate(), of_ph(EXCURSIONS, every_s=MINUTE)])
    judge = Judge(within_s=15 * MINUTE)
    once, twice = (tuning.cells(swept, [(told, judge)] * times) for times in (1, 2))
    assert [(c.annunciations, c.nuisance, c.delays_s, c.seconds) for c in twice] == [
        (2 * c.annunciations, 2 * c.nuisance, 2 * c.delays_s, 2 * c.seconds) for c in once
    ]
    assert [c.nuisance_per_night for c in twice] == [c.nuisance_per_night for c in once]


# Against the plain replay.

ALARMS = (
    AlarmConfig(id="ph-high", kind=AlarmKind.PH_HIGH, setpoint=4.9, deadband=0.05, realarm_s=3600.0),
    AlarmConfig(id="ph-low", kind=AlarmKind.PH_LOW, setpoint=4.0, deadband=0.05),
    AlarmConfig(id="temperature-low", kind=AlarmKind.TEMPERATURE_LOW, setpoint=18.5, deadband=0.2),
    AlarmConfig(id="no-data", kind=AlarmKind.NO_DATA, window_s=0.0, on_delay_s=300.0),
    AlarmConfig(id="blind", kind=AlarmKind.BLIND, on_delay_s=1200.0),
)


def night(alarm: str) -> tuple[Watch, Items]:
    """Return the long night, in which somebody acknowledges, shelves, and takes the probe out."""
    options = ["--poll", "10", "--vat", "vat", "--probe", "probe"]
    command = [sys.executable, "-P", "-m", "simulator", "record", "long-foam", *options]
    made = subprocess.run(command, capture_output=True, check=True).stdout
    _, items = recording.read(io.BytesIO(made), name="night")
    held = list(items)
    kinds = (CommandKind.ACKNOWLEDGE, CommandKind.SHELVE, CommandKind.MARK, CommandKind.ACKNOWLEDGE)
    commands = [c for c in held if isinstance(c, Command)]
    commands += [
        Command(
            id=10 + n,
            at_us=EPOCH_US,
            kind=kind,
            vat="vat",
            alarm="" if kind is CommandKind.MARK else alarm,
            occurrence=4 if n == len(kinds) - 1 else None,
            note="probe-out" if kind is CommandKind.MARK else "",
            seq=800 + 900 * n,
        )
        for n, kind in enumerate(kinds)
    ]
    back = replace(commands[-2], id=20, note="probe-in", seq=commands[-2].seq + 120)
    watched = watch()
    blocks = [b for b in held if isinstance(b, Block)]
    return Watch(vat=replace(watched.vat, alarms=ALARMS), probe=watched.probe), list(woven([*commands, back], blocks))


@pytest.mark.parametrize(
    ("alarm", "values"),
    [
        ("ph-high", {"setpoint": (4.8, 5.1), "on_delay_s": (0.0, 600.0), "window_s": (0.0, 300.0)}),
        ("temperature-low", {"deadband": (0.0, 0.5), "off_delay_s": (0.0, 1200.0), "window_s": (0.0, 3600.0)}),
        ("no-data", {"on_delay_s": (0.0, 60.0)}),
        ("blind", {"on_delay_s": (0.0, 600.0), "window_s": (60.0, 300.0)}),
    ],
)
def test_a_cell_tells_what_a_plain_replay_under_its_setting_tells(
    alarm: str, values: dict[str, tuple[float, ...]]
) -> None:
    watched, items = night(alarm)
    swept = tuning.sweep(watched.vat, watched.probe, alarm, values)
    together = heard(swept, watched.probe, items)
    assert len(swept.settings) == np.prod([len(v) for v in values.values()]) + 1
    spoke = 0
    for name, setting in zip(swept.names, swept.settings, strict=True):
        alarms = tuple(setting if each.id == alarm else each for each in ALARMS)
        alone = trial.annunciations_of(replay(replace(watched, vat=replace(watched.vat, alarms=alarms)), items))
        assert together.of(name) == alone.of(alarm)
        for other in ALARMS:
            assert other.id == alarm or together.of(other.id) == alone.of(other.id)
        spoke += len(alone.of(alarm))
    assert spoke > 0


# What cannot be tried.


def refused(alarm: str, **values: Sequence[float]) -> Callable[[], Sweep]:
    watched = watch(*ALARMS)
    limit = values.pop("limit", (None,))[0]
    return lambda: tuning.sweep(watched.vat, watched.probe, alarm, values, limit=limit)


@pytest.mark.parametrize(
    ("attempt", "why"),
    [
        (refused("ph-high"), "there is nothing to try but the present setting of ph-high"),
        (refused("ph-high", setpoint=(4.9, 4.9)), "there is nothing to try but the present setting of ph-high"),
        (refused("ph-high", setpoint=(3.0,)), "must be below the setpoint of 'ph-high'"),
        (refused("ph-high", deadband=(-1.0,)), "this must be 0 or above"),
        (refused("ph-high", window_s=(10.0,)), "a window of fewer than 3 polls has no median"),
        (refused("no-data", setpoint=(1.0,)), "judges no value and has no setpoint"),
        (refused("no-data", on_delay_s=(1.0,), limit=(4.0,)), "judges no value and has no setpoint"),
        (refused("ph-high", on_delay_s=range(1001)), "these are 1001 settings, at most 1000"),
    ],
)
def test_what_no_configuration_could_hold_is_refused(attempt: Callable[[], Sweep], why: str) -> None:
    with pytest.raises(RefusedError, match=why):
        attempt()
