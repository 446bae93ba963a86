"""Targets through the whole pipeline: a reading at it, a claim, what it lacks, and a claim withdrawn."""

from typing import Any

import pytest

from logger.config import AlarmConfig, AlarmKind, Priority, TargetConfig
from logger.measure import claims
from logger.measure.target import current_progress
from logger.measure.target_standing import standing
from logger.model import (
    BatchState,
    CalibrationPoint,
    Cause,
    Command,
    CommandKind,
    Entry,
    Lack,
    State,
    WatchState,
)
from logger.structs import replace
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
    spot,
    watch,
)

TARGET = TargetConfig(window_s=60.0, windows=3)
WITHDRAWN = AlarmConfig(
    id="claim-withdrawn",
    kind=AlarmKind.CLAIM_WITHDRAWN,
    on_delay_s=0.0,
    window_s=0.0,
    latching=True,
    priority=Priority.HIGH,
)
DEADLINE = AlarmConfig(id="deadline", kind=AlarmKind.DEADLINE, setpoint=0.5, on_delay_s=0.0, window_s=0.0)
UNCONFIRMED = AlarmConfig(id="unconfirmed", kind=AlarmKind.UNCONFIRMED, on_delay_s=0.0, window_s=0.0)


def watched(target: TargetConfig = TARGET, *alarms: AlarmConfig) -> Watch:
    made = watch(*(alarms or (WITHDRAWN, DEADLINE)))
    return replace(made, vat=replace(made.vat, target=target))


def ask(seq: int, kind: CommandKind, **more: object) -> Command:
    return Command(id=100 + seq, at_us=EPOCH_US, kind=kind, vat="vat", by="tova", seq=seq, **more)  # type: ignore[arg-type]


def checked(seq: int, deviation_ph: float, **more: Any) -> Command:  # noqa: ANN401 - fields of it
    return ask(seq, CommandKind.CHECK, check=check(deviation_ph, at_s=10.0 * (seq - 1), **more))


def of(entries: list[Entry], cause: Cause) -> list[Entry]:
    return [entry for entry in entries if entry.cause is cause]


def over(
    *stretches: tuple[float | None, int],
    commands: tuple[Command, ...] = (),
    target: TargetConfig = TARGET,
    started_s: float | None = None,
    alarms: tuple[AlarmConfig, ...] = (),
) -> tuple[WatchState, list[Entry]]:
    """Carry a watch over stretches of (pH, records), one every 10 s."""
    rows = of_ph([ph for ph, n in stretches for _ in range(n)])
    made = watched(target, *alarms)
    state = pipeline.fresh(made)
    if started_s is not None:
        at_us = round(started_s * 1e6)
        batch = BatchState(started_us=at_us, started_at_us=EPOCH_US + at_us)
        state = replace(state, carry=replace(state.carry, batch=batch))
    state, outcome = pipeline.step(made, state, rows, commands=[calibrate(), *commands])
    return state, list(outcome.entries)


def lacking(state: WatchState) -> tuple[Lack, ...]:
    """Return what a claim lacks at the newest record."""
    seen, progress = state.carry.reported, current_progress(state.carry)
    return claims.lacks(TARGET, state.carry, progress, at_us=seen.record_at_us or 0, elapsed_us=seen.record_us)


def test_a_reading_of_4_58_is_at_the_target_and_no_claim() -> None:
    state, entries = over((4.58, 60), commands=(spot(50, 4.58),))
    (read,) = of(entries, Cause.READING_AT_TARGET)
    assert (read.seq, read.priority, read.setpoint) == (19, "low", 4.6)
    # u of a minute, fresh: 0.0541; 4.6 - 2.326 x 0.0541 = 4.474 (JCGM 106:2012, 8.3.2, at 99 %).
    assert read.text == (
        "The reading is at the target: 4.58 +/- 0.11 (k=2). To be at or below pH 4.60 (95 %) it needs 4.47 or lower"
    )
    assert of(entries, Cause.MEASURED_AT_TARGET) == []
    assert state.carry.batch.progress.claim is None
    assert Lack.PH in lacking(state)


def test_4_45_that_another_instrument_confirms_is_measured_at_or_below_the_target_once() -> None:
    state, entries = over((4.7, 30), (4.45, 90), commands=(spot(60, 4.45), spot(90, 4.45)))
    (told,) = of(entries, Cause.MEASURED_AT_TARGET)
    made = state.carry.batch.progress.claim
    assert made is not None
    assert (told.seq, made.seq, made.calibration, made.windows) == (60, 55, 1, 3)
    assert (made.ph, made.spot.ph, made.spot.u, made.spot.instrument) == (
        pytest.approx(4.45, abs=1e-3),
        4.45,
        0.05,
        "meter",
    )
    assert made.u < 0.0543  # of a minute, fresh and unconfirmed
    assert 0.975 <= made.conformance <= told.probability  # type: ignore[operator]
    assert (told.value, told.u, told.setpoint) == (made.ph, made.u, 4.6)
    assert told.text.startswith(
        "Measured at or below pH 4.60 (95 %): 4.45 +/- 0.08 (k=2), low enough for 3 min, confirmed by meter at 4.45"
        " (u 0.05), conformance probability "
    )
    assert "holds if the stated uncertainty is right" in told.text
    assert "safe" not in " ".join(entry.text for entry in entries).lower()


def test_a_measurement_shortly_before_confirms_too_and_one_of_hours_ago_does_not() -> None:
    _, entries = over((4.7, 30), (4.45, 90), commands=(spot(20, 4.7),))
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [49]
    state, entries = over((4.7, 1800), (4.45, 90), commands=(spot(20, 4.7),))  # five hours
    assert of(entries, Cause.MEASURED_AT_TARGET) == []
    assert lacking(state) == (Lack.CONFIRMATION,)


def test_one_window_that_is_not_believed_begins_the_count_anew() -> None:
    _, entries = over((4.45, 12), (None, 6), (4.45, 40), commands=(spot(5, 4.45),))
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [37]


def test_a_mark_begins_the_count_anew() -> None:
    out, back = (ask(seq, CommandKind.MARK, note=note) for seq, note in ((14, "probe-out"), (20, "probe-in")))
    _, entries = over((4.45, 60), commands=(spot(5, 4.45), out, back))
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [37]


def test_a_check_buffer_alone_confirms_nothing() -> None:
    state, entries = over((4.3, 60), commands=(checked(5, 0.0),))
    assert (of(entries, Cause.MEASURED_AT_TARGET), lacking(state)) == ([], (Lack.CONFIRMATION,))


def test_the_probe_alone_claims_nothing_however_low_it_reads() -> None:
    state, entries = over((3.9, 60))
    assert (of(entries, Cause.MEASURED_AT_TARGET), lacking(state)) == ([], (Lack.CONFIRMATION,))


def test_a_rougher_measurement_than_a_paper_strip_confirms_nothing() -> None:
    _, entries = over((4.0, 60), commands=(spot(30, 4.0, u_reference_ph=0.2),))
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [30]
    state, entries = over((4.0, 60), commands=(spot(30, 4.0, u_reference_ph=0.21),))
    assert of(entries, Cause.MEASURED_AT_TARGET) == []
    assert Lack.CONFIRMATION in lacking(state)


def test_a_check_that_nobody_expected_forbids_a_claim_until_one_about_as_good_is_as_expected() -> None:
    wrong = checked(15, 0.3)
    state, entries = over((4.3, 60), commands=(spot(4, 4.3), wrong))
    assert (of(entries, Cause.MEASURED_AT_TARGET), lacking(state)) == ([], (Lack.QUESTION,))
    (told,) = [entry for entry in of(entries, Cause.CHECKED) if entry.seq == 15]
    assert "probe or reference?" in told.text
    _, entries = over((4.3, 60), commands=(spot(4, 4.3), wrong, checked(40, 0.3)))
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [40]


def test_a_measurement_of_the_batch_before_counts_no_more() -> None:
    state, _ = over((4.3, 12), commands=(spot(5, 4.3),))
    assert Lack.CONFIRMATION not in lacking(state)
    carry = replace(state.carry, batch=replace(state.carry.batch, started_us=1))
    assert current_progress(carry).spot is None


def test_a_probe_found_to_read_too_low_must_read_lower_and_one_that_reads_too_high_gets_no_credit() -> None:
    found = {}
    for deviation in (0.0, 0.04, -0.04):
        state, entries = over((4.49, 60), commands=(spot(4, 4.49, deviation),))
        newest = state.carry.batch.progress.newest
        assert newest is not None
        found[deviation] = (len(of(entries, Cause.MEASURED_AT_TARGET)), round(newest.ph, 2))
    assert found == {0.0: (1, 4.49), 0.04: (1, 4.49), -0.04: (0, 4.51)}
    assert lacking(state) == (Lack.CONFIRMATION,)  # it is asked for again


# Asked.


def test_what_lacks_nothing_but_a_confirmation_is_asked_for_once_and_the_answer_ends_it() -> None:
    alarms = (WITHDRAWN, DEADLINE, UNCONFIRMED)
    _, entries = over((4.7, 30), (4.4, 90), commands=(spot(60, 4.4),), alarms=alarms)
    assert [(e.seq, e.cause) for e in entries if e.alarm] == [(49, Cause.ANNUNCIATED), (60, Cause.RETURNED)]
    (loud,) = of(entries, Cause.ANNUNCIATED)
    assert loud.text.startswith(
        "The reading is at the target: confirm it with another instrument. It reads 4.40 +/- 0.11 (k=2), and at or"
        " below pH 4.60 (95 %) lacks nothing but another instrument: measure the vat beside the probe and tell it at"
        " the hub or by `vatvigil verify probe --spot PH --u U --instrument NAME`; it counts for about "
    )
    state, _ = over((4.7, 30), (4.4, 90))
    now = standing(watched().vat, state.carry, at_us=EPOCH_US + 1_190_000_000)
    assert now is not None
    assert now.lacks == (Lack.CONFIRMATION,)
    assert "lacks nothing but another instrument" in now.text


def test_what_another_instrument_would_not_help_is_not_asked_for() -> None:
    _, entries = over((4.58, 90), alarms=(UNCONFIRMED,))
    assert of(entries, Cause.ANNUNCIATED) == []
    _, entries = over((4.4, 12), (None, 60), alarms=(UNCONFIRMED,))
    assert of(entries, Cause.ANNUNCIATED) == []


def test_a_reading_that_rises_again_is_asked_for_no_more() -> None:
    _, entries = over((4.4, 60), (4.7, 60), alarms=(UNCONFIRMED,))
    assert [(e.cause, e.seq) for e in entries if e.alarm] == [(Cause.ANNUNCIATED, 19), (Cause.RETURNED, 67)]


# Withdrawn.


def test_a_check_that_contradicts_a_claim_withdraws_it_as_loud_as_an_alarm() -> None:
    state, entries = over((4.49, 90), commands=(spot(20, 4.49), spot(60, 4.49, -0.6)))
    (loud,) = of(entries, Cause.ANNUNCIATED)
    assert (loud.alarm, loud.seq, loud.priority, loud.after) == ("claim-withdrawn", 60, "high", "unacknowledged")
    assert loud.text.startswith(
        "The claim that the target was reached does not hold: hold the batch, and show it anew. pH 4.49 +/- 0.08 (k=2)"
        " was claimed to be at or below 4.60. Then meter read 5.09, the probe 4.49: by that it was 4."
    )
    gone = state.carry.batch.progress.withdrawn
    assert gone is not None
    assert gone.claim is not None
    assert (gone.claim.seq, state.carry.batch.progress.claim) == (19, None)


def test_a_check_that_agrees_leaves_the_claim_standing() -> None:
    state, entries = over((4.45, 90), commands=(spot(20, 4.45), checked(60, -0.02)))
    assert of(entries, Cause.ANNUNCIATED) == []
    assert state.carry.batch.progress.claim is not None


def test_the_withdrawal_goes_through_the_life_of_an_alarm() -> None:
    acknowledge = ask(70, CommandKind.ACKNOWLEDGE, alarm="claim-withdrawn", occurrence=1)
    new = ask(80, CommandKind.CALIBRATE, calibration=replace(calibration(), id=2, at_us=EPOCH_US + 790_000_000))
    again, reset = spot(85, 4.49, calibration=2), ask(120, CommandKind.RESET, alarm="claim-withdrawn")
    _, entries = over((4.49, 130), commands=(spot(20, 4.49), checked(60, -0.6), acknowledge, new, again, reset))
    told = [(e.seq, e.after) for e in entries if e.alarm == "claim-withdrawn"]
    assert told == [
        (60, State.UNACKNOWLEDGED),
        (70, State.ACKNOWLEDGED),
        (97, State.LATCHED_ACKNOWLEDGED),  # shown anew with the new calibration
        (120, State.NORMAL),
    ]
    assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [20, 97]


def test_how_the_calibration_was_found_withdraws_a_claim_that_rested_on_it() -> None:
    points = tuple(
        CalibrationPoint(buffer_ph=ph, potential_mv=millivolts(ph - 0.3, 25.0), temperature_c=25.0)
        for ph in (4.005, 6.865)
    )
    new = replace(calibration(), id=2, at_us=EPOCH_US + 590_000_000, points=points)
    changed = ask(60, CommandKind.CALIBRATE, calibration=new)
    _, entries = over((4.49, 90), commands=(spot(20, 4.49), changed))
    (loud,) = of(entries, Cause.ANNUNCIATED)
    assert "in the buffers of the next calibration it was found -0.30 off" in loud.text
    other = replace(new, electrode="another")
    known = replace(calibrate(), calibration=replace(calibration(), electrode="one"))
    rows = of_ph([4.49] * 90)
    swapped = ask(60, CommandKind.CALIBRATE, calibration=other)
    _, (outcome,) = carry_over(watched(), rows, commands=[known, spot(20, 4.49), swapped])
    assert len(of(list(outcome.entries), Cause.MEASURED_AT_TARGET)) == 1
    assert of(list(outcome.entries), Cause.ANNUNCIATED) == []


def test_a_rise_after_the_claim_takes_nothing_back_and_is_seen() -> None:
    state, entries = over((4.4, 30), (4.8, 60), commands=(spot(20, 4.4),))
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
    commands = [calibrate(), spot(40, 4.45), *([ask(44, covered, alarm="rate-of-change")] if covered else [])]
    for cuts in ((), range(1, 90)):
        _, outcomes = carry_over(made, rows, commands=commands, cuts=cuts)
        entries = [entry for outcome in outcomes for entry in outcome.entries]
        assert [entry.seq for entry in of(entries, Cause.MEASURED_AT_TARGET)] == [55]  # 49 without the alarm
    state, _ = carry_over(made, rows[:50], commands=commands)
    now = standing(made.vat, state.carry, at_us=EPOCH_US + 490_000_000)
    assert now is not None
    assert (now.lacks, now.against) == ((Lack.ALARM,), ("rate-of-change",))
    assert now.text.endswith("; no claim while this alarm speaks against it: rate-of-change")


def test_what_is_overdue_speaks_against_no_claim() -> None:
    silent = {kind for kind in AlarmKind.of_vats() if not kind.row.is_against_claim}
    assert {AlarmKind.CALIBRATION_OVERDUE, AlarmKind.CHECK_OVERDUE, AlarmKind.PH_HIGH, AlarmKind.DEADLINE} <= silent
    made = watched(TARGET, raw_alarm(AlarmKind.CHECK_OVERDUE, None))
    late = replace(made, probe=replace(made.probe, check_every_d=0.001))
    _, (outcome,) = carry_over(late, of_ph([4.3] * 60), commands=[calibrate(), spot(20, 4.3)])
    causes = [entry.cause for entry in outcome.entries]
    assert (Cause.ANNUNCIATED in causes, Cause.MEASURED_AT_TARGET in causes) == (True, True)


# Deadlines.


def test_not_at_the_target_by_the_deadline_is_an_alarm_at_the_first_record_after_it() -> None:
    _, entries = over((4.605, 200), started_s=-30.0)
    assert [(e.alarm, e.seq) for e in of(entries, Cause.ANNUNCIATED)] == [("deadline", 178)]
    _, entries = over((4.65, 200), started_s=-30.0)
    (loud,) = of(entries, Cause.ANNUNCIATED)
    assert (loud.alarm, loud.seq, loud.setpoint) == ("deadline", 178, 0.5)  # 1800 s less the 30 before the first
    assert loud.value == pytest.approx(0.5)
    assert loud.text == (
        "The target is not shown 0.5 h after the batch was started. It reads 4.65 +/- 0.11 (k=2), needs 4.47 or lower"
    )


def test_a_reading_at_the_target_that_nobody_confirmed_is_asked_about_at_the_deadline_and_wakes_nobody() -> None:
    _, entries = over((4.58, 200), started_s=-30.0, alarms=(WITHDRAWN, DEADLINE, UNCONFIRMED))
    assert [(e.alarm, e.seq) for e in of(entries, Cause.ANNUNCIATED)] == [("unconfirmed", 178)]
    assert "lacks nothing but another instrument" not in of(entries, Cause.ANNUNCIATED)[0].text


def test_a_claim_disarms_the_deadline_and_a_late_one_ends_its_alarm() -> None:
    _, entries = over((4.4, 300), started_s=0.0, commands=(spot(20, 4.4),))
    assert of(entries, Cause.ANNUNCIATED) == []
    _, entries = over((4.65, 200), (4.4, 60), started_s=0.0, commands=(spot(190, 4.65),))
    ends = [(e.seq, e.cause) for e in entries if e.alarm == "deadline"]
    assert ends == [(181, Cause.ANNUNCIATED), (205, Cause.RETURNED)]  # the reading is at the target
    assert [e.seq for e in of(entries, Cause.MEASURED_AT_TARGET)] == [217]


def test_a_deadline_waits_for_a_blind_probe_an_hour_and_no_longer() -> None:
    _, entries = over((4.8, 30), (None, 400), started_s=0.0)
    (loud,) = of(entries, Cause.ANNUNCIATED)
    assert (loud.alarm, loud.seq) == ("deadline", 391)  # an hour after the newest window that was believed
    _, entries = over((None, 200), started_s=0.0)
    assert [(e.alarm, e.seq) for e in of(entries, Cause.ANNUNCIATED)] == [("deadline", 181)]


def test_without_a_started_batch_no_deadline_is_watched() -> None:
    _, entries = over((4.8, 400))
    assert of(entries, Cause.ANNUNCIATED) == []


def test_a_withdrawal_after_the_deadline_is_one_alarm_and_before_it_two() -> None:
    _, entries = over((4.49, 260), started_s=0.0, commands=(spot(20, 4.49), checked(220, -1.0)))
    assert [(e.alarm, e.seq) for e in of(entries, Cause.ANNUNCIATED)] == [("claim-withdrawn", 220)]
    _, entries = over((4.49, 260), started_s=0.0, commands=(spot(20, 4.49), checked(60, -0.6)))
    assert [(e.alarm, e.seq) for e in of(entries, Cause.ANNUNCIATED)] == [("claim-withdrawn", 60), ("deadline", 181)]


def test_a_new_batch_forgets_what_was_claimed_and_withdrawn() -> None:
    state, _ = over((4.49, 90), commands=(spot(20, 4.49), checked(60, -0.6)), started_s=0.0)
    carry = replace(state.carry, batch=replace(state.carry.batch, started_us=900_000_000))
    rows = of_ph([5.9] * 10, first_seq=91, start_s=900.0)
    after, outcome = pipeline.step(watched(), replace(state, carry=carry), rows)
    assert (after.carry.batch.progress.withdrawn, after.carry.batch.progress.claim) == (None, None)
    assert after.carry.alarms["claim-withdrawn"].shown is State.LATCHED_UNACKNOWLEDGED
    assert [e.cause for e in outcome.entries] == [Cause.RETURNED]


def test_what_is_carried_survives_the_store() -> None:
    state, _ = over((4.45, 50), commands=(spot(20, 4.45), checked(40, 0.0)))
    assert state.carry.batch.progress.claim is not None
    assert restored(state.carry) == state.carry
    state, _ = over((4.49, 90), commands=(spot(20, 4.49), checked(60, -0.6), spot(70, 4.49, -0.5)))
    assert state.carry.batch.progress.withdrawn is not None
    assert state.carry.electrode.estimate is not None
    assert state.carry.electrode.estimate.question is not None
    assert restored(state.carry) == state.carry


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
