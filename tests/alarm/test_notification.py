"""Each kind of alarm as a telephone shows it: the whole text, what was known at its record, three lines at most."""

import numpy as np
import pytest

from logger.alarm import notification
from logger.config import AlarmConfig, AlarmKind, PeopleConfig, Priority, QuietConfig, VatConfig, default_alarm
from logger.model import Block, Cause, CommandKind, Entry, Reason, VatFacts
from logger.structs import replace
from tests.alarm.notation import Night, ask
from tests.alarm.notified_nights import acid, marrow, rows_of
from tests.series import EPOCH_US, millivolts, raw_alarm

RNG = np.random.default_rng(3)
AIR = [(millivolts(4.8) + RNG.normal(0, 8), 13 + RNG.normal(0, 0.5)) for _ in range(300)]
WILD = [(RNG.uniform(-150, 250), 20.0) for _ in range(300)]
GONE = [(None, 20.0)] * 60


def alarm(kind: AlarmKind, setpoint: float | None = None, **more: object) -> AlarmConfig:
    return AlarmConfig(id=kind.value, kind=kind, setpoint=setpoint, **more)  # type: ignore[arg-type]


HIGH = alarm(AlarmKind.PH_HIGH, 4.6, reminder_s=900.0, raise_after_reminders=2)
TRUST = default_alarm(AlarmKind.TRUST_LOST)
NO_DATA = raw_alarm(AlarmKind.NO_DATA, None, on_delay_s=300.0, deadband=0.0)


def texts(seen: Night) -> list[str]:
    return ["\n".join(entry.told.lines) for entry in seen.entries if entry.told]


CASES: list[tuple[AlarmConfig, Block, str]] = [
    (
        HIGH,
        rows_of(acid(2.5, begin=4.3, per_h=0.15)),
        """\
Marrow: pH 4.64 +/- 0.10, at or above 4.60 (77 % probable) since 21:10 CET.
Believed: nothing speaks against the probe, calibrated 2 h ago and not checked since. pH rising 0.149 +/- \
0.002 an hour, 20.0 C.
First measure with another instrument or a strip, and hold the batch until you know. Then acknowledge it, or shelve \
it for a while.""",
    ),
    (
        alarm(AlarmKind.PH_LOW, 4.7),
        rows_of(acid(2.5, per_h=-0.15)),
        """\
Marrow: pH 4.66 +/- 0.10, at or below 4.70 since 21:10 CET.
Believed: nothing speaks against the probe, calibrated 2 h ago and not checked since. pH falling 0.150 +/- \
0.002 an hour, 20.0 C.
First measure with another instrument or a strip. Then acknowledge it, or shelve it for a while.""",
    ),
    (
        alarm(AlarmKind.TEMPERATURE_LOW, 16.0),
        rows_of(acid(1, warm=15.8)),
        """\
Marrow: 15.8 C, at or below 16.0 C since 19:10 CET.
Believed: nothing speaks against the probe, calibrated 20 min ago and not checked since. pH 4.97 +/- 0.11.
First look at heater and plug, and warm the vat. Then acknowledge it, or shelve it for a while.""",
    ),
    (
        alarm(AlarmKind.TEMPERATURE_HIGH, 25.0),
        rows_of(acid(1, warm=25.8)),
        """\
Marrow: 25.8 C, at or above 25.0 C since 19:10 CET.
Believed: nothing speaks against the probe, calibrated 20 min ago and not checked since. pH 4.97 +/- 0.11.
First look at heater and room, and cool the vat. Then acknowledge it, or shelve it for a while.""",
    ),
    (
        alarm(AlarmKind.RATE_OF_CHANGE, 0.5, deadband=0.1),
        rows_of(acid(1) + acid(1, begin=4.9, per_h=-0.8)),
        """\
Marrow: pH changes by 0.81 an hour (limit 0.50) since 20:30 CET.
Believed: nothing speaks against the probe, calibrated 100 min ago and not checked since. pH 4.37 +/- 0.11, falling \
0.348 +/- 0.115 an hour, 20.0 C.
First ask who stirred, topped up or dosed; if nobody did, look at the probe. Then acknowledge it, or shelve it for a \
while.""",
    ),
    (
        alarm(AlarmKind.RISE, 0.1, window_s=3600.0, on_delay_s=10800.0, deadband=0.03),
        rows_of(acid(5, begin=4.2) + acid(12, begin=3.7, per_h=0.03)),
        """\
Marrow: pH has risen by 0.21 from its lowest (limit 0.10) since 07:00 CET.
Believed: nothing speaks against the probe, calibrated 15 h ago and not checked since, beyond the calibration's \
buffers. pH 4.00 +/- 0.12, rising 0.031 +/- 0.002 an hour, 20.0 C.
First look for film and air at the surface, measure with another instrument, and hold the batch. Then acknowledge it, \
or shelve it for a while.""",
    ),
    (
        NO_DATA,
        rows_of([*acid(2), *GONE]),
        """\
Marrow: no reading since 21:00 CET.
Not believed: no reading, no reply in time. Last believed pH 4.80 +/- 0.11 at 20:59 CET. It was falling \
0.101 +/- 0.002 an hour.
First look whether the instrument is on and plugged in. Then acknowledge it, or shelve it for a while.""",
    ),
    (
        NO_DATA,
        rows_of(GONE, Reason.PORT_ABSENT),
        """\
Marrow: no reading since 19:00 CET.
Not believed: no reading, the port is absent or cannot be opened. No reading was believed yet.
First look whether the adapter is plugged in. Then acknowledge it, or shelve it for a while.""",
    ),
    (
        alarm(AlarmKind.BLIND, on_delay_s=1200.0),
        rows_of(acid(2) + [(millivolts(4.8), 20.0)] * 800),
        """\
Marrow: no reading that can be believed since 22:40 CET.
Suspect: the reading is frozen. Last believed pH 4.80 +/- 0.11 at 22:29 CET. It was falling 0.016 +/- 0.010 an \
hour, 20.0 C.
First look at the probe: is it in the liquid, is the glass whole. Then acknowledge it, or shelve it for a while.""",
    ),
    (
        replace(TRUST, reminder_s=None),
        rows_of(acid(2) + AIR),
        """\
Marrow: the probe is not to be trusted since 21:15 CET.
Not believed: the probe seems to hang in air since 21:05 CET: its temperature stepped, and the signal is noisier \
since. Last believed pH 4.83 +/- 0.11 at 21:14 CET. It was falling 0.112 +/- 0.013 an hour.
First check that the glass is whole and the probe in the vat; if glass is missing, hold the batch. Then acknowledge \
it, or shelve it for a while.""",
    ),
    (
        replace(TRUST, reminder_s=None),
        rows_of(acid(2) + WILD),
        """\
Marrow: the probe is not to be trusted since 21:10 CET.
Not believed: the reading jumped from 4.85 to 6.85 at 21:00 CET, which no vat does by itself: near 0 mV, as a \
cracked bulb, a short or a damp plug gives, or a glass of rinse water. Last believed pH 4.83 +/- 0.11 at 21:03 CET. \
It was falling 0.101 +/- 0.002 an hour.
First check that the glass is whole and the probe in the vat; if glass is missing, hold the batch. Then acknowledge \
it, or shelve it for a while.""",
    ),
]


@pytest.mark.parametrize(("watched", "rows", "text"), CASES, ids=lambda case: getattr(case, "id", ""))
def test_an_alarm_says_what_whether_to_believe_it_and_what_to_do_first(
    watched: AlarmConfig, rows: Block, text: str
) -> None:
    assert texts(marrow(rows, watched)) == [text]


def test_reminders_say_what_is_known_by_then() -> None:
    _, reminder, raised = texts(marrow(rows_of(acid(3, begin=4.3, per_h=0.15)), HIGH))
    assert reminder.startswith(
        "Reminder 1. Marrow: pH 4.66 +/- 0.10 when last judged, at or above 4.60 (88 % probable) since 21:10 CET.\n"
        "Believed: nothing speaks against the probe, calibrated 2 h ago and not checked since."
        " pH 4.68 +/- 0.11, rising 0.150 +/- 0.002 an hour, 20.0 C.\n"
    )
    assert raised.startswith(
        "Now of high priority, after 2 reminders. Marrow: pH 4.69 +/- 0.10 when last judged, at or above 4.60 ("
    )


def test_what_comes_from_the_quiet_hours_says_so() -> None:
    quiet = PeopleConfig(quiet=QuietConfig(begin_min=18 * 60, end_min=20 * 60 + 30))
    held, released = texts(
        marrow(rows_of(acid(3, begin=4.3, per_h=0.15)), replace(HIGH, reminder_s=None), people=quiet)
    )
    assert held.splitlines()[0] == "Marrow: pH 4.64 +/- 0.10, at or above 4.60 (77 % probable) since 20:10 UTC."
    assert released.splitlines()[0] == (
        "From the quiet hours. Marrow: pH 4.64 +/- 0.10 when last judged, at or above 4.60 since 20:10 UTC."
    )


@pytest.mark.parametrize(("hours", "said"), [(7.0, "07:00 CET, in 7 h"), (1.5, "01:30 CET, in 90 min")])
def test_the_time_to_the_deadline_stands_among_the_facts(hours: float, said: str) -> None:
    vat = VatConfig(id="marrow", name="Marrow", probe="probe", people=PeopleConfig(zone="Europe/Paris"))
    at_us = EPOCH_US + 5 * 3_600_000_000  # 24:00 in Paris
    entry = Entry(seq=1, at_us=at_us, vat="marrow", cause=Cause.ANNUNCIATED, value=5.1, u=0.05, annunciates=True)
    known = VatFacts(believed=True, belief="in the liquid", deadline_at_us=at_us + round(hours * 3.6e9))
    assert notification.lines(vat, HIGH, entry, facts=known)[1] == f"Believed: in the liquid. Deadline {said}."


def test_a_return_says_what_is_known_and_whether_it_still_waits() -> None:
    rows = rows_of([*acid(2), *GONE, *acid(0.2, begin=4.8)])
    assert texts(marrow(rows, NO_DATA))[1] == (
        "Marrow: readings arrive again since 21:10 CET. It still waits to be acknowledged.\n"
        "Believed: nothing speaks against the probe, calibrated 2 h ago and not checked since."
        " pH 4.80 +/- 0.11, falling 0.101 +/- 0.002 an hour, 20.0 C."
    )


def test_an_alarm_that_a_command_brings_back_says_what_the_newest_record_knew() -> None:
    rows = rows_of(acid(3, begin=4.3, per_h=0.15))
    commands = [
        replace(ask(seq, kind, HIGH.id, duration_s=7200.0), vat="marrow")
        for seq, kind in ((850, CommandKind.SHELVE), (900, CommandKind.UNSHELVE))
    ]
    again = [entry for entry in marrow(rows, HIGH, commands=commands).entries if entry.told][1]
    assert (again.seq, again.cause, again.annunciates) == (900, "unshelved", True)
    assert again.told
    assert (
        again.told.lines[1] == "Believed: nothing speaks against the probe, calibrated 2 h ago and not checked since."
        " pH 4.67 +/- 0.11, rising 0.149 +/- 0.002 an hour, 20.0 C."
    )


def test_the_standing_state_keeps_what_was_told_last() -> None:
    seen = marrow(rows_of(acid(3, begin=4.3, per_h=0.15)), HIGH)
    assert seen.entries[-1].told == seen.carry.alarms[HIGH.id].told


@pytest.mark.parametrize("kind", AlarmKind)
def test_nothing_is_called_safe_and_no_line_is_longer_than_a_telephone_shows(kind: AlarmKind) -> None:
    row = kind.row
    assert "safe" not in f"{row.first} {row.what} {row.over} {row.over_unknown} {row.comes} {row.returns} {row.finding}"
    assert len(row.first) <= 110


def test_what_may_be_broken_glass_comes_first() -> None:
    (glass,) = [kind.row for kind in AlarmKind if kind.row.is_glass]
    assert glass.first.startswith("check that the glass is whole")


def test_a_glass_alarm_keeps_its_urgency_in_quiet_hours() -> None:
    quiet = PeopleConfig(quiet=QuietConfig(begin_min=18 * 60, end_min=17 * 60))
    broken = default_alarm(AlarmKind.TRUST_LOST, priority=Priority.LOW)
    entry, *_ = [entry for entry in marrow(rows_of(acid(1) + WILD), broken, people=quiet).entries if entry.told]
    assert (entry.annunciates, entry.held) == (True, False)
