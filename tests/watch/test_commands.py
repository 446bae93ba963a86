"""What calibrations, checks and work on the probe do to a watch."""

import numpy as np
import pytest

from logger.config import AlarmKind, ErrorModel
from logger.measure import age, estimate
from logger.measure.calibration import fit
from logger.measure.error_state import OFFSET, RATE
from logger.measure.uncertainty import standard_uncertainty
from logger.model import (
    Acceptance,
    Calibration,
    Cause,
    Check,
    Command,
    CommandKind,
    Entry,
    Estimate,
    Quality,
    State,
    WatchState,
)
from logger.model import QualityTests as Against  # pytest would take it for a class of tests
from logger.structs import replace
from tests.series import EPOCH_US, POINTS, calibrate, calibration, carry_over, check, of_ph, raw_alarm, watch

DAY_S = 86_400.0
WATCH = watch(raw_alarm(), raw_alarm(AlarmKind.NO_DATA, None))


def ask(seq: int, kind: CommandKind, **more: object) -> Command:
    return Command(id=100 + seq, at_us=EPOCH_US, kind=kind, vat="vat", by="tova", seq=seq, **more)  # type: ignore[arg-type]


def told(
    *commands: Command, ph: float = 4.5, n: int = 30, every_s: float = 10.0
) -> tuple[WatchState, list[Entry], dict[int, str]]:
    """Carry a watch over a steady vat; return its state, the journal and the answers by command."""
    rows = of_ph([ph] * n, every_s=every_s)
    state, (outcome,) = carry_over(WATCH, rows, commands=[calibrate(), *commands])
    return (
        state,
        list(outcome.entries),
        {a.command: a.text if a.applied else f"refused: {a.text}" for a in outcome.answers},
    )


def checked(seq: int, deviation_ph: float, **more: object) -> Command:
    return ask(seq, CommandKind.CHECK, check=check(deviation_ph, **more))  # type: ignore[arg-type]


def causes(entries: list[Entry]) -> list[Cause]:
    return [entry.cause for entry in entries]


def test_a_check_is_told_in_the_journal_and_moves_what_is_known_of_the_drift() -> None:
    state, entries, answers = told(checked(5, 0.03, at_s=DAY_S))
    (entry,) = [e for e in entries if e.cause is Cause.CHECKED]
    words = "A check buffer was 4.00, the probe read 4.04: off by +0.03, passed (tolerance 0.05)"
    assert (entry.seq, entry.by, entry.text, answers[105]) == (5, "tova", words, words)
    assert entry.value == pytest.approx(4.035)
    known = state.carry.electrode.estimate
    assert known is not None
    assert 0.005 < known.steady.mean[OFFSET] < 0.03
    assert known.at_us == EPOCH_US + round(DAY_S * 1e6)


def test_records_after_a_check_carry_the_doubt_it_leaves_and_those_before_do_not() -> None:
    rows = of_ph([4.5] * 4, every_s=DAY_S)
    command = checked(3, 0.03, at_s=2 * DAY_S)
    _, (outcome,) = carry_over(WATCH, rows, commands=[calibrate(), command])
    measured, errors, line = outcome.measurements, ErrorModel(), calibration()

    def u(known: Estimate) -> np.ndarray:
        days = age.days_since(known, rows.at_us, rows.elapsed_us)
        return standard_uncertainty(line, errors, known, days=days, ph=measured.ph, temperature_c=rows.temperature_c)

    before, after = estimate.start(line, errors, elapsed_us=0), outcome.carry.electrode.estimate
    assert after is not None
    np.testing.assert_array_equal(measured.u[:2], u(before)[:2])
    np.testing.assert_array_equal(measured.u[2:], u(after)[2:])
    assert measured.u[3] < u(before)[3]
    np.testing.assert_allclose(measured.ph, 4.5, atol=1e-6)  # never corrected silently


def test_a_check_that_nobody_could_expect_is_told_and_counts_with_the_doubt_that_it_leaves() -> None:
    state, entries, answers = told(checked(5, 0.02, at_s=3600.0), checked(9, 0.4, at_s=7200.0))
    alone, _, _ = told(checked(5, 0.02, at_s=3600.0))
    known, before = state.carry.electrode.estimate, alone.carry.electrode.estimate
    assert known is not None
    assert before is not None
    assert known.question is not None
    assert known.question.text == "a check buffer was 4.00, the probe read 4.41, +0.40 off, which nobody expected"
    assert known.steady.mean[OFFSET] == pytest.approx(0.4, abs=0.02)
    assert known.steady.covariance[OFFSET][OFFSET] > before.steady.covariance[OFFSET][OFFSET]
    assert "probe or reference?" in entries[-1].text
    assert not answers[109].startswith("refused")


def test_a_repeat_that_agrees_answers_it() -> None:
    state, entries, _ = told(checked(5, 0.4, at_s=60.0), checked(9, 0.41, at_s=120.0))
    known = state.carry.electrode.estimate
    assert known is not None
    assert known.question is None
    assert known.steady.mean[OFFSET] == pytest.approx(0.405, abs=0.01)
    assert "probe or reference?" not in entries[-1].text


def test_a_reading_beyond_the_buffers_says_so_and_is_believed() -> None:
    # A ferment ends below the 4.01 buffer: there the line is extrapolated, and u grows; it is no worse signal.
    _, (outcome,) = carry_over(watch(), of_ph([3.6, 4.1, 6.8, 6.9, None]), commands=[calibrate()])
    rows = outcome.measurements
    extrapolated = int(Against.OUTSIDE_BUFFERS)
    assert (rows.tests & extrapolated).tolist() == [extrapolated, 0, 0, extrapolated, 0]
    assert rows.quality[0] == Quality.PASS


def test_a_calibration_makes_the_drift_unknown_again() -> None:
    again = ask(9, CommandKind.CALIBRATE, calibration=replace(calibration(), id=2))
    state, _, answers = told(checked(5, 0.02, at_s=3600.0), again, checked(12, 0.02, at_s=7200.0))
    known, new = state.carry.electrode.estimate, estimate.start(calibration(), ErrorModel())
    assert known is not None
    assert known.steady.mean == known.distrustful.mean == (0.0,) * 7
    assert known.steady.covariance[: RATE + 1] == new.steady.covariance[: RATE + 1]
    assert known.distrustful.covariance[: RATE + 1] == new.distrustful.covariance[: RATE + 1]
    assert answers[112] == (
        "refused: check 1 was made with calibration 1, and calibration 2 is in force: it stays on record, but says"
        " nothing of the drift"
    )


@pytest.mark.parametrize(
    ("made", "sentence"),
    [
        (None, "refused: the command holds no check"),
        (replace(check(0.0), probe="other"), "refused: check 1 is of probe other, not of probe"),
        (
            replace(check(0.0), calibration=7),
            "refused: check 1 was made with calibration 7, and calibration 1 is in force",
        ),
    ],
)
def test_a_check_of_something_else_is_refused(made: Check | None, sentence: str) -> None:
    state, entries, answers = told(ask(5, CommandKind.CHECK, check=made))
    assert answers[105].startswith(sentence)
    assert state.carry.electrode.estimate == estimate.start(calibration(), ErrorModel(), elapsed_us=0)
    assert causes(entries)[-1] is Cause.REFUSED


def test_a_check_without_a_calibration_in_force_is_refused() -> None:
    rows = of_ph([4.5] * 5)
    _, (outcome,) = carry_over(WATCH, rows, commands=[checked(3, 0.0)])
    assert [a.applied for a in outcome.answers] == [False]
    assert "none is in force" in outcome.answers[0].text


def refused_calibration() -> Calibration:
    made = replace(fit(POINTS, probe="probe", at_us=EPOCH_US, by=""), id=3)
    return replace(made, verdict=Acceptance.REFUSED, findings=("Slope 40.0 %: the bulb is cracked.",))


def test_a_refused_calibration_never_comes_into_force() -> None:
    state, entries, answers = told(ask(5, CommandKind.CALIBRATE, calibration=refused_calibration()))
    assert state.carry.electrode.calibration is not None
    assert state.carry.electrode.calibration.id == 1
    assert causes(entries)[-1] is Cause.REFUSED
    assert answers[105] == "refused: calibration 3 was refused when it was made: Slope 40.0 %: the bulb is cracked."


def test_work_on_the_probe_suspends_process_alarms_and_leaving_ends_it() -> None:
    attend, leave = ask(5, CommandKind.ATTEND, note="calibration"), ask(20, CommandKind.LEAVE)
    state, entries, answers = told(attend, leave, ph=4.7)
    said = [(e.cause, e.seq, e.alarm) for e in entries[1:]]
    assert said == [
        (Cause.ANNUNCIATED, 1, "ph-high"),
        (Cause.ATTENDED, 5, ""),
        (Cause.SUPPRESSED, 5, "ph-high"),
        (Cause.LEFT, 20, ""),
        (Cause.UNSUPPRESSED, 20, "ph-high"),
        (Cause.ANNUNCIATED, 20, "ph-high"),
    ]
    assert entries[2].text == "somebody works on the probe, for at most 15 min (calibration)"
    assert entries[3].text == "suspended while somebody works on the probe"
    assert answers[105] == "somebody works on the probe, for at most 15 min; process alarms are suspended meanwhile"
    assert answers[120] == "process alarms watch again, their delays start anew"
    assert state.carry.suppression.attended_until_us is None
    assert state.carry.windows.fresh_us == 190_000_000  # the windows start anew with record 20


def test_instrument_alarms_go_on_while_somebody_works_on_the_probe() -> None:
    rows = of_ph([4.5] * 5 + [None] * 5)
    _, (outcome,) = carry_over(WATCH, rows, commands=[calibrate(), ask(3, CommandKind.ATTEND)])
    assert [(e.cause, e.alarm) for e in outcome.entries[-1:]] == [(Cause.ANNUNCIATED, "no-data")]


def test_work_on_the_probe_ends_by_its_time() -> None:
    state, entries, _ = told(ask(5, CommandKind.ATTEND, duration_s=100.0), n=30)
    left = next(e for e in entries if e.cause is Cause.LEFT)
    assert (left.seq, left.text[:43]) == (15, "the time for work on the probe is over and ")
    assert state.carry.suppression.attended_until_us is None
    assert state.carry.alarms["ph-high"].shown is State.NORMAL
    assert state.carry.windows.fresh_us == 140_000_000


def test_asking_again_moves_the_end_and_suspends_nothing_twice() -> None:
    first, second = (ask(n, CommandKind.ATTEND, duration_s=100.0) for n in (5, 10))
    state, entries, _ = told(first, second, n=18)
    assert causes(entries)[1:] == [Cause.ATTENDED, Cause.SUPPRESSED, Cause.ATTENDED]
    assert state.carry.suppression.attended_until_us == 190_000_000
    assert state.carry.alarms["ph-high"].suppressed_until_us == 190_000_000


def test_asking_for_less_never_cuts_a_mark_short() -> None:
    out = ask(4, CommandKind.MARK, note="probe-out", duration_s=1000.0)
    state, _, _ = told(out, ask(5, CommandKind.ATTEND, duration_s=100.0), n=30)
    assert state.carry.suppression.attended_until_us is None
    assert state.carry.alarms["ph-high"].suppressed_until_us == 1_030_000_000


def test_a_calibration_does_not_end_the_work_on_the_probe() -> None:
    again = ask(9, CommandKind.CALIBRATE, calibration=replace(calibration(), id=2))
    state, _, _ = told(ask(5, CommandKind.ATTEND), again)
    assert state.carry.suppression.attended_until_us == 940_000_000
    assert state.carry.alarms["ph-high"].shown is State.SUPPRESSED


def test_the_mark_that_the_probe_is_back_ends_the_work_too() -> None:
    state, _, _ = told(ask(5, CommandKind.ATTEND), ask(9, CommandKind.MARK, note="probe-in"))
    assert state.carry.suppression.attended_until_us is None
    assert state.carry.alarms["ph-high"].shown is State.NORMAL


def test_leaving_what_nobody_worked_on_changes_nothing() -> None:
    state, entries, answers = told(ask(5, CommandKind.LEAVE))
    assert answers[105] == "nobody was said to work on the probe"
    assert causes(entries) == [Cause.CALIBRATED]
    assert state.carry.windows.fresh_us == 0


@pytest.mark.parametrize("duration_s", [0.0, -5.0, 28801.0, float("nan")])
def test_work_of_no_sensible_length_is_refused(duration_s: float) -> None:
    state, _, answers = told(ask(5, CommandKind.ATTEND, duration_s=duration_s))
    assert "must last" in answers[105]
    assert answers[105].startswith("refused: ")
    assert state.carry.suppression.attended_until_us is None


def test_what_is_known_after_a_check_is_what_its_own_room_says() -> None:
    state, _, _ = told(checked(5, 0.03, at_s=DAY_S))
    start = estimate.start(calibration(), ErrorModel(), elapsed_us=0)
    found = estimate.apply_check(start, check(0.03, at_s=DAY_S), elapsed_us=40_000_000)
    assert found.is_expected
    assert state.carry.electrode.estimate == found.estimate


ENTRY = '{"entry":"ingredient","fields":{"name":"salt","mass_kg":9.4}}'


def test_an_entry_for_the_record_of_a_batch_is_journalled_and_changes_nothing_else() -> None:
    begun = ask(3, CommandKind.MARK, note="started")
    _, entries, answers = told(begun, ask(5, CommandKind.BATCH, note=ENTRY))
    (noted,) = [e for e in entries if e.cause is Cause.NOTED]
    assert (noted.text, noted.by) == ("ingredient: what salt; mass 9.4", "tova")
    assert answers[105] == "entered in the record of the batch"
    with_it, without = told(begun, ask(5, CommandKind.BATCH, note=ENTRY))[0], told(begun)[0]
    assert with_it.carry == without.carry


@pytest.mark.parametrize(
    ("commands", "why"),
    [
        ((ask(5, CommandKind.BATCH, note=ENTRY),), "no batch is under way in vat: mark it started first"),
        ((ask(5, CommandKind.BATCH, note="x"),), "this is no entry of a batch"),
    ],
)
def test_an_entry_without_a_batch_or_of_no_form_is_refused(commands: tuple[Command, ...], why: str) -> None:
    _, _, answers = told(*commands)
    assert why in answers[105]
