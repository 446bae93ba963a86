"""Targets through the whole pipeline: a reading at it, a claim, what it lacks, and a claim withdrawn."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from logger.config import AlarmConfig, AlarmKind, Priority, TargetConfig
from logger.measure.target import current_progress, lacks
from logger.measure.target_standing import standing
from logger.model import (
    BatchState,
    CalibrationPoint,
    Cause,
    CheckKind,
    Command,
    CommandKind,
    Entry,
    Lack,
    State,
    WatchState,
)
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from tests.series import (
    EPOCH_US,
    calibrate,
    calibration,
    carry_over,
    check,
    millivolts,
    of_ph,
    raw_alarm,
    restored,
    watch,
)

TARGET = TargetConfig(window_s=60.0, windows=3, spot_check=False)
WITHDRAWN = AlarmConfig(
    id="claim-withdrawn",
    kind=AlarmKind.CLAIM_WITHDRAWN,
    on_delay_s=0.0,
    window_s=0.0,
    latching=True,
    priority=Priority.HIGH,
)
DEADLINE = AlarmConfig(id="deadline", kind=AlarmKind.DEADLINE, setpoint=0.5, on_delay_s=0.0, window_s=0.0)


def watched(target: TargetConfig = TARGET, *alarms: AlarmConfig) -> Watch:
    made = watch(*(alarms or (WITHDRAWN, DEADLINE)))
    return replace(made, vat=replace(made.vat, target=target))


def ask(seq: int, kind: CommandKind, **more: object) -> Command:
    return Command(id=100 + seq, at_us=EPOCH_US, kind=kind, vat="vat", by="tova", seq=seq, **more)  # type: ignore[arg-type]


def checked(seq: int, deviation_ph: float, **more: Any) -> Command:  # noqa: ANN401 - fields of it
    return ask(seq, CommandKind.CHECK, check=check(deviation_ph, at_s=10.0 * seq, **more))


def of(entries: list[Entry], cause: Cause) -> list[Entry]:
    return [entry for entry in entries if entry.cause is cause]


def over(
    *stretches: tuple[float | None, int],
    commands: tuple[Command, ...] = (),
    target: TargetConfig = TARGET,
    started_s: float | None = None,
) -> tuple[WatchState, list[Entry]]:
    """Carry a watch over stretches of (pH, records), one every 10 s."""
    rows = of_ph([ph for ph, n in stretches for _ in range(n)])
    made, state = watched(target), pipeline.fresh(watched(target))
    if started_s is not None:
        at_us = round(started_s * 1e6)
        batch = BatchState(started_us=at_us, started_at_us=EPOCH_US + at_us)
        state = replace(state, carry=replace(state.carry, batch=batch))
    state, outcome = pipeline.step(made, state, rows, commands=[calibrate(), *commands])
    return state, list(outcome.entries)


def lacking(state: WatchState, target: TargetConfig = TARGET, *, hours: float = 0.0) -> tuple[Lack, ...]:
    at_us = EPOCH_US + round(hours * 3.6e9)
    return lacks(target, state.carry, current_progress(state.carry), at_us=at_us, elapsed_us=round(hours * 3.6e9))


def test_a_reading_of_4_58_is_at_the_target_and_no_claim() -> None:
    state, entries = over((4.58, 60))
    (read,) = of(entries, Cause.READING_AT_TARGET)
    assert (read.seq, read.priority, read.setpoint) == (19, "low", 4.6)
    assert read.text == (
        "The reading is at the target: 4.58 +/- 0.11 (k=2). To be at or below pH 4.60 (95 %) it needs 4.51 or lower"
    )
    assert of(entries, Cause.MEASURED_AT_TARGET) == []
    assert (state.carry.batch.progress.claim, lacking(state)) == (None, (Lack.PH,))


def test_4_45_for_three_windows_is_measured_at_or_below_the_target_once() -> None:
    state, entries = over((4.7, 30), (4.45, 90))
    (told,) = of(entries, Cause.MEASURED_AT_TARGET)
    made = state.carry.batch.progress.claim
    assert made is not None
    # u of a minute, fresh: 0.054, of ten 0.052; normal Phi((4.6 - 4.45) / 0.0543) = 0.997
    assert (told.seq, made.seq, made.calibration, made.windows) == (49, 49, 1, 3)
    assert (made.ph, made.u) == (pytest.approx(4.45, abs=1e-3), pytest.approx(0.0543, abs=0.0005))
    assert (made.z, made.conformance) == (pytest.approx(1.6449, abs=5e-5), pytest.approx(0.997, abs=0.001))
    assert (told.value, told.u, told.setpoint, told.probability) == (made.ph, made.u, 4.6, made.conformance)
    assert told.text.startswith(
        "Measured at or below pH 4.60 (95 %): 4.45 +/- 0.11 (k=2), low enough for 3 min, conformance probability"
        " 99.7 %, calibration 1. It speaks of the brine at the probe, and holds if the stated uncertainty is right"
    )
    assert "safe" not in " ".join(entry.text for entry in entries).lower()


def test_one_window_that_is_not_believed_begins_the_count_anew() -> None:
    _, entries = over((4.45, 12), (None, 6), (4.45, 40))
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [37]


def test_a_mark_begins_the_count_anew() -> None:
    out, back = (ask(seq, CommandKind.MARK, note=note) for seq, note in ((14, "probe-out"), (20, "probe-in")))
    _, entries = over((4.45, 60), commands=(out, back))
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [37]


def test_without_a_recent_check_nothing_is_claimed_until_there_is_one() -> None:
    rows = of_ph([4.3] * 240, start_s=3 * 86400.0)
    late = ask(100, CommandKind.CHECK, check=check(0.01, at_s=3 * 86400.0 + 990.0))
    state, (outcome,) = carry_over(watched(), rows, commands=[calibrate(), late])
    assert [entry.seq for entry in of(list(outcome.entries), Cause.MEASURED_AT_TARGET)] == [103]
    assert state.carry.batch.progress.check is not None
    alone, (silent,) = carry_over(watched(), rows, commands=[calibrate()])
    assert of(list(silent.entries), Cause.MEASURED_AT_TARGET) == []
    assert lacking(alone, hours=72.5) == (Lack.RECENT_CHECK,)


def test_a_failed_check_forbids_a_claim_until_one_passes() -> None:
    state, entries = over((4.3, 60), commands=(checked(5, 0.06), checked(40, 0.01)))
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [43]
    state, entries = over((4.3, 60), commands=(checked(5, 0.06),))
    assert (of(entries, Cause.MEASURED_AT_TARGET), lacking(state)) == ([], (Lack.PASSED_CHECK,))


def test_a_spot_check_is_wanted_before_a_claim_unless_the_target_says_otherwise() -> None:
    strict = replace(TARGET, spot_check=True)
    state, entries = over((4.3, 60), target=strict, commands=(checked(5, 0.0),))
    assert (of(entries, Cause.MEASURED_AT_TARGET), lacking(state, strict)) == ([], (Lack.SPOT_CHECK,))
    _, entries = over((4.3, 60), target=strict, commands=(checked(30, 0.02, kind=CheckKind.SPOT),))
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [31]


def test_a_spot_check_of_the_batch_before_counts_no_more() -> None:
    strict = replace(TARGET, spot_check=True)
    state, _ = over((4.9, 20), target=strict, commands=(checked(5, 0.02, kind=CheckKind.SPOT),))
    assert Lack.SPOT_CHECK not in lacking(state, strict)
    carry = replace(state.carry, batch=replace(state.carry.batch, started_us=1))
    assert Lack.SPOT_CHECK in lacking(replace(state, carry=carry), strict)
    assert Lack.SPOT_CHECK in lacking(state, strict, hours=50.0)  # nobody said when the batch began


def test_a_probe_found_to_read_too_low_must_read_lower() -> None:
    # Reads 0.04 too low, known from a check: the higher of published and corrected pH.
    old = replace(TARGET, check_within_h=100.0)
    rows, claims = of_ph([4.48] * 60, start_s=3 * 86400.0), list[int]()
    for deviation in (0.0, 0.04, -0.04):
        told = ask(3, CommandKind.CHECK, check=check(deviation, at_s=3 * 86400.0))
        state, (outcome,) = carry_over(watched(old), rows, commands=[calibrate(), told])
        claims.append(len(of(list(outcome.entries), Cause.MEASURED_AT_TARGET)))
    look = state.carry.batch.progress.newest
    assert look is not None
    assert (claims, lacking(state, old)) == ([1, 1, 0], (Lack.PH,))
    assert look.ph == pytest.approx(4.51, abs=0.005)  # by the filter, some 0.03 of the 0.04 are drift


# Withdrawn.


def test_a_check_that_contradicts_a_claim_withdraws_it_as_loud_as_an_alarm() -> None:
    state, entries = over((4.49, 90), commands=(checked(60, -0.12),))
    (loud,) = of(entries, Cause.ANNUNCIATED)
    assert (loud.alarm, loud.seq, loud.priority, loud.after) == ("claim-withdrawn", 60, "high", "unacknowledged")
    assert loud.text.startswith(
        "The claim that the target was reached does not hold: hold the batch, and show it anew. pH 4.49 +/- 0.11 (k=2)"
        " was claimed to be at or below 4.60. A check buffer was 4.00, the probe read 3.88: by that it was 4.61 +/-"
        " 0.11 (k=2), and 4.51 or lower was needed"
    )
    gone = state.carry.batch.progress.withdrawn
    assert gone is not None
    assert (gone.claim.seq, state.carry.batch.progress.claim) == (19, None)


def test_a_check_that_agrees_leaves_the_claim_standing() -> None:
    state, entries = over((4.45, 90), commands=(checked(60, -0.02),))
    assert of(entries, Cause.ANNUNCIATED) == []
    assert state.carry.batch.progress.claim is not None


def test_the_withdrawal_goes_through_the_life_of_an_alarm() -> None:
    acknowledge = ask(70, CommandKind.ACKNOWLEDGE, alarm="claim-withdrawn", occurrence=1)
    new = ask(80, CommandKind.CALIBRATE, calibration=replace(calibration(), id=2, at_us=EPOCH_US + 700_000_000))
    reset = ask(120, CommandKind.RESET, alarm="claim-withdrawn")
    _, entries = over((4.4, 130), commands=(checked(60, -0.3), acknowledge, new, reset))
    told = [(e.seq, e.after) for e in entries if e.alarm == "claim-withdrawn"]
    assert told == [
        (60, State.UNACKNOWLEDGED),
        (70, State.ACKNOWLEDGED),
        (97, State.LATCHED_ACKNOWLEDGED),  # shown anew with the new calibration
        (120, State.NORMAL),
    ]
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [19, 97]


def test_how_the_calibration_was_found_withdraws_a_claim_that_rested_on_it() -> None:
    points = tuple(
        CalibrationPoint(buffer_ph=ph, potential_mv=millivolts(ph - 0.15, 25.0), temperature_c=25.0)
        for ph in (4.005, 6.865)
    )
    new = replace(calibration(), id=2, points=points)
    _, entries = over((4.49, 90), commands=(ask(60, CommandKind.CALIBRATE, calibration=new),))
    (loud,) = of(entries, Cause.ANNUNCIATED)
    assert "In the buffers of the next calibration it was found -0.15 off" in loud.text
    other = replace(new, electrode="another")
    known = replace(calibrate(), calibration=replace(calibration(), electrode="one"))
    rows = of_ph([4.49] * 90)
    swapped = ask(60, CommandKind.CALIBRATE, calibration=other)
    _, (outcome,) = carry_over(watched(), rows, commands=[known, swapped])
    assert of(list(outcome.entries), Cause.ANNUNCIATED) == []


def test_a_rise_after_the_claim_takes_nothing_back_and_is_seen() -> None:
    state, entries = over((4.4, 30), (4.8, 60))
    progress = state.carry.batch.progress
    assert progress.claim is not None
    assert progress.newest is not None
    assert progress.newest.ph == pytest.approx(4.8, abs=1e-3)
    assert of(entries, Cause.ANNUNCIATED) == []


# A claim while an alarm speaks against it.

FAST = raw_alarm(AlarmKind.RATE_OF_CHANGE, 2.0, window_s=60.0, deadband=0.5)


@pytest.mark.parametrize("on_delay_s", [0.0, 1e6], ids=["standing", "pending"])
@pytest.mark.parametrize("covered", [None, CommandKind.SHELVE, CommandKind.ACKNOWLEDGE, CommandKind.OUT_OF_SERVICE])
def test_nothing_is_claimed_while_the_condition_of_an_alarm_speaks_against_it(
    on_delay_s: float, covered: CommandKind | None
) -> None:
    made = watched(TARGET, replace(FAST, on_delay_s=on_delay_s))
    rows = of_ph([4.7] * 30 + [4.45] * 60)  # 0.25 within three minutes: 5 pH an hour
    commands = [calibrate(), *([ask(44, covered, alarm="rate-of-change")] if covered else [])]
    for cuts in ((), range(1, 90)):
        _, outcomes = carry_over(made, rows, commands=commands, cuts=cuts)
        entries = [entry for outcome in outcomes for entry in outcome.entries]
        assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [55]  # 49 without the alarm
    state, _ = carry_over(made, rows[:50], commands=commands)
    now = standing(made.vat, state.carry, at_us=EPOCH_US)
    assert now is not None
    assert (now.lacks, now.against) == ((Lack.ALARM,), ("rate-of-change",))
    assert now.text.endswith("; no claim while this alarm speaks against it: rate-of-change")


def test_what_is_overdue_speaks_against_no_claim() -> None:
    silent = {kind for kind in AlarmKind.of_vats() if not kind.row.is_against_claim}
    assert {AlarmKind.CALIBRATION_OVERDUE, AlarmKind.CHECK_OVERDUE, AlarmKind.PH_HIGH, AlarmKind.DEADLINE} <= silent
    made = watched(TARGET, raw_alarm(AlarmKind.CHECK_OVERDUE, None))
    late = replace(made, probe=replace(made.probe, check_every_d=0.001))
    _, (outcome,) = carry_over(late, of_ph([4.3] * 60), commands=[calibrate()])
    causes = [entry.cause for entry in outcome.entries]
    assert (Cause.ANNUNCIATED in causes, Cause.MEASURED_AT_TARGET in causes) == (True, True)


# Deadlines.


def test_not_shown_by_the_deadline_is_an_alarm_at_the_first_record_after_it() -> None:
    _, entries = over((4.58, 200), started_s=-30.0)
    (loud,) = of(entries, Cause.ANNUNCIATED)
    assert (loud.alarm, loud.seq, loud.setpoint) == ("deadline", 178, 0.5)  # 1800 s less the 30 before the first
    assert loud.value == pytest.approx(0.5)
    assert loud.text == (
        "The target is not shown 0.5 h after the batch was started. It reads 4.58 +/- 0.11 (k=2), needs 4.51 or lower"
    )


def test_a_claim_disarms_the_deadline_and_a_late_one_ends_its_alarm() -> None:
    _, entries = over((4.4, 300), started_s=0.0)
    assert of(entries, Cause.ANNUNCIATED) == []
    _, entries = over((4.58, 200), (4.4, 60), started_s=0.0)
    assert [(e.seq, e.cause) for e in entries if e.alarm == "deadline"] == [
        (181, Cause.ANNUNCIATED),
        (217, Cause.RETURNED),
    ]


def test_a_blind_probe_does_not_put_a_deadline_off() -> None:
    _, entries = over((4.8, 30), (None, 200), started_s=0.0)
    assert [(e.alarm, e.seq) for e in of(entries, Cause.ANNUNCIATED)] == [("deadline", 181)]


def test_without_a_started_batch_no_deadline_is_watched() -> None:
    _, entries = over((4.8, 400))
    assert of(entries, Cause.ANNUNCIATED) == []


def test_a_withdrawal_after_the_deadline_is_one_alarm_and_before_it_two() -> None:
    _, entries = over((4.49, 260), started_s=0.0, commands=(checked(220, -0.3),))
    assert [(e.alarm, e.seq) for e in of(entries, Cause.ANNUNCIATED)] == [("claim-withdrawn", 220)]
    _, entries = over((4.49, 260), started_s=0.0, commands=(checked(60, -0.3),))
    assert [(e.alarm, e.seq) for e in of(entries, Cause.ANNUNCIATED)] == [("claim-withdrawn", 60), ("deadline", 181)]


def test_a_new_batch_forgets_what_was_claimed_and_withdrawn() -> None:
    state, _ = over((4.49, 90), commands=(checked(60, -0.3),), started_s=0.0)
    carry = replace(state.carry, batch=replace(state.carry.batch, started_us=900_000_000))
    rows = of_ph([5.9] * 10, first_seq=91, start_s=900.0)
    after, outcome = pipeline.step(watched(), replace(state, carry=carry), rows)
    assert (after.carry.batch.progress.withdrawn, after.carry.batch.progress.claim) == (None, None)
    assert after.carry.alarms["claim-withdrawn"].shown is State.LATCHED_UNACKNOWLEDGED
    assert [e.cause for e in outcome.entries] == [Cause.RETURNED]


def test_what_is_carried_survives_the_store() -> None:
    state, _ = over((4.49, 90), commands=(checked(60, -0.12), checked(70, 0.0, kind=CheckKind.SPOT)))
    assert restored(state.carry) == state.carry
    assert np.isfinite(state.carry.batch.progress.withdrawn.u if state.carry.batch.progress.withdrawn else 1.0)


# High pH with its probability.


def test_a_high_ph_says_how_probable_it_is_by_value_and_doubt() -> None:
    # u of a single reading, fresh: 0.0543; norm.cdf(0.1 / 0.0543) = 0.967, norm.cdf(0) = 0.5 (scipy.stats).
    high = raw_alarm()
    for ph, probability, words in ((4.7, 0.967, "97 %"), (4.6000001, 0.5, "50 %"), (5.2, 1.0, "over 99 %")):
        _, (outcome,) = carry_over(watch(high), of_ph([ph] * 4), commands=[calibrate()])
        (loud,) = of(list(outcome.entries), Cause.ANNUNCIATED)
        assert loud.probability == pytest.approx(probability, abs=0.001)
        assert loud.text.endswith(f"; probability that it is above: {words}")


def test_a_high_ph_is_judged_by_what_the_last_check_corrects_it_to() -> None:
    # The higher of published and corrected pH; a probe that reads too high gets no credit.
    told = {}
    for off in (-0.045, 0.045):
        look = ask(3, CommandKind.CHECK, check=check(off, at_s=5 * 86400.0))
        rows = of_ph([4.57] * 6, start_s=5 * 86400.0)
        _, (outcome,) = carry_over(watch(raw_alarm()), rows, commands=[calibrate(), look])
        told[off] = [(entry.seq, round(entry.value or 0, 2)) for entry in of(list(outcome.entries), Cause.ANNUNCIATED)]
    assert told == {-0.045: [(3, 4.61)], 0.045: []}
