"""The morning summary: once a day, of all that happened, good news too. Nights begin at 18:00 UTC (19:00 in Paris)."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from logger.alarm import digest
from logger.alarm.lifecycle import Now
from logger.config import AlarmConfig, AlarmKind, PeopleConfig, QuietConfig
from logger.model import (
    Acceptance,
    BatchState,
    Block,
    Carry,
    Claim,
    Command,
    DayCounters,
    Digest,
    Entry,
    ReportedState,
    TargetProgress,
    WatchState,
    WithdrawnClaim,
)
from logger.mqtt.event import event_of, is_urgent
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from tests.alarm.notation import Night, carried, mark
from tests.alarm.notified_nights import acid, marrow, rows_of
from tests.series import block, calibrate, calibration, millivolts, raw_alarm, watch

DAY_S = 86_400.0
AT_SEVEN = PeopleConfig(zone="Europe/Paris", digest_min=7 * 60)
GONE = [(None, 20.0)] * 90
COLD = AlarmConfig(id="temperature-low", kind=AlarmKind.TEMPERATURE_LOW, setpoint=16.0, deadband=0.5)


def digests(seen: Night) -> list[Entry]:
    return [entry for entry in seen.entries if entry.cause == "digest"]


def night(*parts: list[tuple[float, float]] | list[tuple[None, float]]) -> Block:
    """Fourteen hours, filled up with what comes last."""
    rows = [row for part in parts for row in part]
    return rows_of([*rows, *acid(14 - len(rows) / 360, begin=4.5, per_h=0.0)])


def text(seen: Night) -> str:
    (only,) = digests(seen)
    assert only.told
    return "\n".join(only.told.lines)


def test_a_quiet_night_is_told_too() -> None:
    seen = marrow(rows_of(acid(14, per_h=-0.05)), raw_alarm(setpoint=7.0), people=AT_SEVEN)
    assert text(seen) == (
        "Marrow in the morning: pH 4.40 +/- 0.11 at 06:59 CET, 4.42 to 5.00 in 12 h.\n"
        "A quiet night: no alarm, 4320 of 4320 readings were believed; done: calibrated.\n"
        "Nothing needs doing."
    )
    (entry,) = digests(seen)
    assert (entry.seq, entry.annunciates, entry.priority) == (12 * 360 + 1, False, "low")


def test_a_night_tells_what_annunciated_what_was_held_gaps_marks_and_what_to_do() -> None:
    people = replace(AT_SEVEN, quiet=QuietConfig(begin_min=22 * 60, end_min=7 * 60))
    rows = night(acid(2, warm=15.0), acid(2), GONE, acid(1, begin=4.6), acid(1, begin=4.5, warm=15.0))
    commands = [replace(mark(500, "stirred"), vat="marrow")]
    old = replace(calibration(), at_us=calibration().at_us - round(9 * DAY_S * 1e6))
    first = replace(calibrate(), vat="marrow", calibration=old)
    bare = watch(COLD)
    seen = carried(
        replace(bare, vat=replace(bare.vat, id="marrow", name="Marrow", people=people)), rows, [first, *commands]
    )
    assert text(seen) == (
        "Marrow in the morning: pH 4.51 +/- 0.27 at 06:59 CET, 4.42 to 4.99 in 12 h.\n"
        "Annunciated: temperature-low; held in quiet hours: temperature-low; 1 gap without a reading,"
        " 15 min; done: calibrated, stirred.\n"
        "To do: acknowledge temperature-low; calibrate probe: the last time was 10 days ago."
    )


def test_without_a_calibration_the_summary_asks_for_one() -> None:
    bare = watch()
    watched = replace(bare, vat=replace(bare.vat, name="Marrow", people=AT_SEVEN))
    assert text(carried(watched, night(acid(1)), [])) == (
        "Marrow in the morning: no reading was believed yet.\n"
        "No alarm, but only 0 of 4320 readings were believed.\n"
        "To do: calibrate probe: no calibration is in force."
    )


@pytest.mark.parametrize(("hours_read", "is_quiet"), [(13.0, True), (12.7, False), (6.5, False)])
def test_a_night_of_which_little_was_believed_is_not_called_quiet(hours_read: float, *, is_quiet: bool) -> None:
    # 12 h to the summary; no-data is left out, so that nothing but the share of believed readings tells it.
    spoilt = 360 * (14 - hours_read)
    rows = [(mv if n >= spoilt else None, warm) for n, (mv, warm) in enumerate(acid(14, per_h=-0.05))]
    watched = marrow(rows_of(rows), people=AT_SEVEN)
    assert ("quiet night" in text(watched)) == is_quiet


def made_of(kind: type[Any], **given: object) -> Any:  # noqa: ANN401 - a claim, or its withdrawal
    """Return one of which only these fields are looked at."""
    return kind(**{name: given.get(name) for name in kind.__struct_fields__})


def summary(progress: TargetProgress, *, at_us: int, since_at_us: int) -> str:
    """Return the first line of the summary of a day in whose end the target stands so."""
    bare = watch()
    vat = replace(bare.vat, name="Marrow", people=AT_SEVEN)
    reported = ReportedState(day=DayCounters(since_at_us=since_at_us), digest_at_us=since_at_us)
    carry = replace(Carry(probe="probe"), reported=reported, batch=BatchState(progress=progress))
    _, (entry,) = digest.summarise_if_due(vat, bare.probe, carry, [], seq=1, now=Now(at_us=at_us, elapsed_us=0))
    assert entry.told
    return entry.told.lines[0]


def test_a_claim_of_the_day_and_its_withdrawal_come_first() -> None:
    at_us, since = 1_795_590_000_000_000, 1_795_503_600_000_000  # 2026-11-25 and 24, 07:00 UTC
    claimed = made_of(Claim, limit_ph=4.6, at_us=at_us - 5 * 3600 * 1_000_000)
    said = "Marrow in the morning: measured at or below pH 4.6 at 03:00 CET; no reading was believed yet."
    assert summary(TargetProgress(claim=claimed), at_us=at_us, since_at_us=since) == said
    withdrawn = made_of(WithdrawnClaim, at_us=at_us - 3600 * 1_000_000)
    assert summary(TargetProgress(withdrawn=withdrawn), at_us=at_us, since_at_us=since) == (
        "Marrow in the morning: the claim on the target was WITHDRAWN at 07:00 CET, hold the batch; no reading was"
        " believed yet."
    )
    old = made_of(Claim, limit_ph=4.6, at_us=since - 1)
    assert summary(TargetProgress(claim=old), at_us=at_us, since_at_us=since) == (
        "Marrow in the morning: no reading was believed yet."
    )


def test_an_electrode_that_was_accepted_with_a_warning_is_to_be_looked_at() -> None:
    worn = replace(calibration(), verdict=Acceptance.WARNED, findings=("the slope is 89 %: clean it.",))
    bare = watch()
    watched = replace(bare, vat=replace(bare.vat, people=AT_SEVEN))
    seen = carried(watched, night(acid(1)), [replace(calibrate(), calibration=worn)])
    assert text(seen).endswith("To do: look at the electrode: the slope is 89 %: clean it.")


def test_a_day_on_which_nothing_happened_says_so() -> None:
    rows = block([millivolts(4.5) + 0.1 * (n % 2) for n in range(600)], every_s=240.0)  # not frozen
    bare = watch()
    watched = replace(bare, vat=replace(bare.vat, people=AT_SEVEN))
    last = [entry for entry in carried(watched, rows, [calibrate()]).entries if entry.cause == "digest"][-1]
    assert "A quiet night: nothing happened, 360 of 360 readings were believed." in last.text


def test_its_event_is_for_the_hub_and_never_urgent() -> None:
    (entry,) = digests(marrow(night(acid(8)), people=AT_SEVEN))
    event = event_of(entry, simulated=True)
    assert event is not None
    assert not is_urgent(event)
    assert entry.told
    told = entry.told.digest
    assert isinstance(told, Digest)
    assert told.lowest is not None
    assert told.lowest[0] == pytest.approx(4.21, abs=0.01)
    assert (told.lowest[1] - entry.at_us) / 3.6e9 == pytest.approx(-4.0, abs=0.01)  # closed at 19:00 + 8 h


def days(n: float, every_s: float = 600.0) -> Block:
    return block([millivolts(4.5)] * round(n * DAY_S / every_s), every_s=every_s)


def made(watched: Watch, rows: Block, cuts: Sequence[int], commands: Sequence[Command] = ()) -> list[int]:
    """Records before which a summary was made; at each cut the daemon is started anew from what was stored."""
    state, found = pipeline.fresh(watched), []
    for start, end in zip((0, *cuts), (*cuts, len(rows)), strict=True):
        state, outcome = pipeline.step(watched, state, rows[start:end], commands=commands if not start else ())
        state = WatchState.of(state.carry, state.recent)
        found += [entry.seq for entry in outcome.entries if entry.cause == "digest"]
    return found


def summed() -> Watch:
    bare = watch()
    return replace(bare, vat=replace(bare.vat, people=AT_SEVEN))


def test_there_is_one_summary_a_day_however_often_the_daemon_starts() -> None:
    # Records every 10 min from 18:00 UTC; 07:00 in Paris is 06:00 UTC, record 73 of the first day, then 144 later.
    expected = [73, 217, 361]
    assert made(summed(), days(3), []) == expected
    assert made(summed(), days(3), [72, 73, 74, 200, 216]) == expected


def test_a_clock_that_is_set_back_over_the_hour_makes_no_second_summary() -> None:
    rows = days(2)
    back = np.where(rows.seq >= 80, rows.at_us - round(5 * 3600 * 1e6), rows.at_us)
    assert made(summed(), replace(rows, at_us=back), []) == [73, 217 + 30]


@pytest.mark.parametrize("cuts", [[], range(1, 288)])
def test_a_summary_from_a_clock_that_was_years_ahead_does_not_silence_those_that_follow(cuts: Sequence[int]) -> None:
    rows = days(2)
    ahead = np.where((rows.seq >= 20) & (rows.seq < 30), rows.at_us + round(900 * DAY_S * 1e6), rows.at_us)
    assert made(summed(), replace(rows, at_us=ahead), list(cuts)) == [20, 73, 217]


def test_without_a_time_there_is_no_summary() -> None:
    bare = watch()
    assert made(bare, days(2), []) == []


def test_a_mark_and_a_calibration_are_counted() -> None:
    commands = [
        calibrate(2),
        replace(mark(3, "stirred"), duration_s=60.0),
        replace(mark(9, "stirred"), duration_s=60.0),
    ]
    bare = watch()
    watched = replace(bare, vat=replace(bare.vat, people=AT_SEVEN))
    _, outcome = pipeline.step(watched, pipeline.fresh(watched), days(1), commands=commands)
    (entry,) = [entry for entry in outcome.entries if entry.cause == "digest"]
    assert entry.told
    assert entry.told.digest
    assert entry.told.digest.marks == {"calibrated": 1, "stirred": 2}
