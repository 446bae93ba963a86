"""Counting what alarms told: series short enough to count by hand, through the real pipeline."""

from collections.abc import Sequence

import pytest

from logger.config import AlarmConfig, AlarmKind, VatConfig
from logger.model import Block, Command, CommandKind
from logger.recording import KnownFault
from logger.replay import replay
from logger.report import trial
from logger.report.trial import Annunciations, ComparisonRow, Judge, Summary
from logger.structs import replace
from logger.watch.pipeline import Watch
from tests.series import EPOCH_US, calibrate, of_ph, raw_alarm, watch

MINUTE = 60.0
# A record a minute: at or above 4.6 in minutes 5-9, 20-59 and 80 to the end at 99, by less than a jump.
EXCURSIONS = [4.65 if 5 <= n < 10 or 20 <= n < 60 or n >= 80 else 4.5 for n in range(100)]


def rows(ph: Sequence[float | None] = EXCURSIONS) -> Block:
    return of_ph(ph, every_s=MINUTE)


def told(watched: Watch, *commands: Command, block: Block | None = None) -> Annunciations:
    return trial.annunciations_of(replay(watched, [calibrate(), *commands, rows() if block is None else block]))


def spans(told: Annunciations, alarm: str = "ph-high") -> list[tuple[float, float, bool, bool]]:
    """Return begin and end in minutes, whether it returned and whether it was acknowledged."""
    return [(o.start_us / 6e7, o.end_us / 6e7, o.returned, o.acknowledged) for o in told.of(alarm)]


def asked(kind: CommandKind, minute: int, **more: object) -> Command:
    given: dict[str, object] = {"alarm": "ph-high", **more}
    return Command(id=50 + minute, at_us=EPOCH_US, kind=kind, vat="vat", seq=minute + 1, **given)  # type: ignore[arg-type]


def test_an_occurrence_stands_from_its_annunciation_to_its_return_or_the_end() -> None:
    assert spans(told(watch(raw_alarm()))) == [
        (5, 10, True, False),
        (20, 60, True, False),
        (80, 99, False, False),
    ]


def test_a_delay_takes_off_the_beginning_and_drops_what_is_shorter() -> None:
    assert spans(told(watch(raw_alarm(on_delay_s=6 * MINUTE)))) == [(26, 60, True, False), (86, 99, False, False)]


def test_a_cover_ends_an_occurrence_without_a_return_and_what_comes_after_it_is_a_new_one() -> None:
    # shelved from minute 30 to 40: it is still abnormal then, which is a new occurrence
    shelved = asked(CommandKind.SHELVE, 30, duration_s=600.0)
    assert spans(told(watch(raw_alarm()), shelved))[1:3] == [(20, 30, False, False), (40, 60, True, False)]


def test_a_realarm_ends_an_occurrence_without_a_return() -> None:
    acknowledged = asked(CommandKind.ACKNOWLEDGE, 25)
    watched = watch(raw_alarm(realarm_s=20 * MINUTE))
    assert spans(told(watched, acknowledged))[1:3] == [(20, 45, False, True), (45, 60, True, False)]


def test_a_refused_request_changes_nothing() -> None:
    late = asked(CommandKind.ACKNOWLEDGE, 22, occurrence=1)
    assert spans(told(watch(raw_alarm()), late)) == spans(told(watch(raw_alarm())))


def test_a_nuisance_returned_within_the_time_and_unacknowledged() -> None:
    alarm = raw_alarm()
    heard = told(watch(alarm))

    def nuisances(within_minutes: float, heard: Annunciations = heard) -> int:
        judge = Judge(within_s=within_minutes * MINUTE)
        return trial.summary(alarm, heard.of("ph-high"), judge).nuisance

    assert [nuisances(m) for m in (4.9, 5, 39.9, 40, 1000)] == [0, 1, 1, 2, 2]
    acknowledged = told(watch(alarm), asked(CommandKind.ACKNOWLEDGE, 7))
    assert nuisances(1000, acknowledged) == 1


def blind_told(kind: AlarmKind = AlarmKind.NO_DATA) -> tuple[AlarmConfig, Annunciations]:
    # nothing arrives in the minutes 10-13 and 30-39
    alarm = AlarmConfig(id="no-data", kind=kind, window_s=0.0, on_delay_s=120.0)
    silent = rows([None if 10 <= n < 14 or 30 <= n < 40 else 4.3 for n in range(60)])
    return alarm, told(watch(alarm), block=silent)


@pytest.mark.parametrize(
    ("faults", "nuisance"),
    [
        (None, 2),  # nobody knows: both returned within half an hour
        ((), 2),  # nothing was ever wrong
        ([(10, 14), (30, 40)], 0),
        ([(30, None)], 1),
        ([(33, 40)], 2),  # annunciated at 32 already
        ([(10, 14), (20, 32)], 0),
    ],
)
def test_where_the_faults_are_known_they_say_which_instrument_alarms_were_nuisances(
    faults: Sequence[tuple[int, int | None]] | None, nuisance: int
) -> None:
    alarm, heard = blind_told()
    assert spans(heard, "no-data") == [(12, 14, True, False), (32, 40, True, False)]
    known = None if faults is None else [fault(*each) for each in faults]
    assert trial.summary(alarm, heard.of("no-data"), Judge(faults=known)).nuisance == nuisance


def fault(begin: int, end: int | None) -> KnownFault:
    return KnownFault(fault="unplugged", from_us=begin * 60_000_000, until_us=None if end is None else end * 60_000_000)


def test_a_fault_counts_one_window_longer_for_the_last_window_is_judged_after_it() -> None:
    alarm, heard = blind_told()
    windowed = replace(alarm, window_s=120.0)
    judge = Judge(faults=[fault(28, 30)])
    (_, second) = heard.of("no-data")
    assert (judge.is_nuisance(alarm, second), judge.is_nuisance(windowed, second)) == (True, False)


def test_process_alarms_are_judged_without_the_faults_of_the_probe() -> None:
    heard = told(watch(raw_alarm()))
    assert trial.summary(raw_alarm(), heard.of("ph-high"), Judge(faults=[])).nuisance == 1


def test_two_settings_are_compared_alarm_by_alarm() -> None:
    low, strict = raw_alarm(AlarmKind.PH_LOW, 3.5), raw_alarm(on_delay_s=6 * MINUTE)
    extra = raw_alarm(AlarmKind.TEMPERATURE_HIGH, 15.0, deadband=0.5)
    ours, theirs = watch(raw_alarm(), low), watch(strict, low, extra)
    lines = trial.compare((ours.vat, told(ours)), (theirs.vat, told(theirs)), judge=Judge())
    quiet = Summary(annunciations=0, first_at_us=None, standing_s=0.0, nuisance=0)
    assert lines == [
        ComparisonRow(
            alarm="ph-high",
            present=Summary(annunciations=3, first_at_us=at(5), standing_s=(5 + 40 + 19) * MINUTE, nuisance=1),
            other=Summary(annunciations=2, first_at_us=at(26), standing_s=(34 + 13) * MINUTE, nuisance=0),
        ),
        ComparisonRow(alarm="ph-low", present=quiet, other=quiet),
        ComparisonRow(
            alarm="temperature-high",
            present=None,
            other=Summary(annunciations=1, first_at_us=at(0), standing_s=99 * MINUTE, nuisance=0),
        ),
    ]
    assert [line.differs for line in lines] == [True, False, True]


def at(minute: int) -> int:
    return EPOCH_US + minute * 60_000_000


def test_how_much_was_watched_is_told_with_it() -> None:
    heard = told(watch(raw_alarm()))
    assert (heard.records, heard.begin_at_us, heard.seconds, heard.calibrated) == (100, EPOCH_US, 6000.0, True)
    bare = trial.annunciations_of(replay(watch(raw_alarm()), [rows()]))
    assert (bare.calibrated, spans(bare)) == (False, [])


def test_a_vat_without_alarms_tells_nothing() -> None:
    vat = VatConfig(id="vat", name="Vat", probe="probe")
    heard = told(replace(watch(), vat=vat))
    assert trial.compare((vat, heard), (vat, heard), judge=Judge()) == []
