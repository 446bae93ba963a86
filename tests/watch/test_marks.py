"""What is done at the vat: marks that suspend, re-base or begin something, for a bounded time."""

import numpy as np
import pytest

from logger.config import AlarmConfig, AlarmKind, default_alarm
from logger.model import Carry, Cause, Command, CommandKind, Entry, Mark, State, batch_id
from logger.structs import replace
from logger.watch import pipeline
from tests.series import EPOCH_US, calibrate, carry_over, of_ph, restored, watch

FAST = AlarmConfig(id="fast", kind=AlarmKind.RATE_OF_CHANGE, setpoint=0.5, deadband=0.1, on_delay_s=600.0)
RISE = AlarmConfig(id="rise", kind=AlarmKind.RISE, setpoint=0.1, deadband=0.03, window_s=3600.0, on_delay_s=10800.0)
HIGH = AlarmConfig(id="high", kind=AlarmKind.PH_HIGH, setpoint=4.6, deadband=0.05, on_delay_s=600.0)
TRUST = default_alarm(AlarmKind.TRUST_LOST, reminder_s=None)
WATCH = watch(FAST, RISE, HIGH, TRUST)
POLL_S = 60.0


def mark(hour: float, what: Mark | str, **more: object) -> Command:
    seq = round(hour * 3600 / POLL_S) + 1
    return Command(id=seq, at_us=EPOCH_US, kind=CommandKind.MARK, vat="vat", note=what, by="tova", seq=seq, **more)  # type: ignore[arg-type]


def course(hours: float, *steps: tuple[float, float], per_hour: float = 0.0, ph: float = 4.0) -> list[float]:
    """Return a pH a minute that moves evenly, with steps (hour, pH)."""
    t = np.arange(round(hours * 3600 / POLL_S)) * POLL_S / 3600
    return (ph + per_hour * t + sum(size * (t >= hour) for hour, size in steps)).tolist()  # type: ignore[no-any-return]


def night(values: list[float], *marks: Command) -> tuple[Carry, list[Entry]]:
    # A little noise, or the readings would be frozen.
    noisy = np.array(values) + np.random.default_rng(7).normal(0, 0.004, len(values))
    rows = of_ph(noisy.tolist(), every_s=POLL_S)
    state, (outcome,) = carry_over(WATCH, rows, commands=[calibrate(), *marks])
    return state.carry, list(outcome.entries)


def raised(entries: list[Entry]) -> list[tuple[str, float]]:
    return [(e.alarm, (e.at_us - EPOCH_US) / 3.6e9) for e in entries if e.annunciates]


def test_a_step_that_nobody_marked_raises_the_rate_and_costs_trust_and_one_that_was_marked_neither() -> None:
    values = course(16.0, (4.0, 0.3))
    _, silent = night(values)
    assert [alarm for alarm, _ in raised(silent)] == ["fast", "trust-lost"]
    carry, marked = night(values, mark(4.05, Mark.TOPPED_UP, litres=4.0))
    assert raised(marked) == []
    lines = [(e.cause, e.alarm, e.text, e.by) for e in marked if e.cause is not Cause.CALIBRATED]
    assert lines == [
        (Cause.MARKED, "", "topped-up, 4 L", "tova"),
        (Cause.SUPPRESSED, "fast", "suspended while the vat settles", "tova"),
        (Cause.UNSUPPRESSED, "fast", "watched again; its delay starts anew", ""),
    ]
    assert carry.suppression.unsettled_us == (round(4.05 * 3.6e9), round(6.05 * 3.6e9))
    assert carry.windows.trends["rise"].lowest == pytest.approx(4.3, abs=0.01)


def test_a_slow_rise_is_told_although_the_vat_is_topped_up_every_day() -> None:
    # 0.004 pH an hour is the slowest (common practice, no source); each topping up hides what rises in some hours.
    marks = [mark(24.0 * day + 9.0, Mark.TOPPED_UP) for day in range(3)]
    steps = [(24.0 * day + 9.0, -0.1) for day in range(3)]
    _, entries = night(course(72.0, *steps, per_hour=0.004), *marks)
    assert [alarm for alarm, _ in raised(entries)] == ["rise"]


def test_stirring_hides_no_rise() -> None:
    _, entries = night(course(20.0, (4.0, 0.3)), mark(4.0, Mark.STIRRED))
    assert [alarm for alarm, _ in raised(entries)] == ["rise"]


def test_a_probe_that_comes_back_does_not_end_what_stirring_suspends() -> None:
    values = course(8.0, (4.0, 0.3))
    carry, _ = night(values, mark(4.0, Mark.STIRRED), mark(4.1, Mark.PROBE_OUT), mark(4.2, Mark.PROBE_IN))
    assert carry.alarms["fast"].shown is State.NORMAL
    carry, entries = night(values[:300], mark(4.0, Mark.STIRRED), mark(4.1, Mark.PROBE_OUT), mark(4.2, Mark.PROBE_IN))
    assert (carry.alarms["fast"].shown, carry.alarms["high"].shown) == (State.SUPPRESSED, State.NORMAL)
    assert carry.alarms["fast"].suppressed_until_us == round(6.0 * 3.6e9)
    assert Cause.LEFT not in [entry.cause for entry in entries]


def test_a_mark_within_the_time_of_another_prolongs_it_and_never_cuts_it_short() -> None:
    carry, _ = night(course(3.0), mark(1.0, Mark.STIRRED), mark(1.5, Mark.TOPPED_UP, duration_s=600.0))
    assert carry.suppression.unsettled_us == (round(3.6e9), round(3 * 3.6e9))
    carry, _ = night(course(4.5), mark(1.0, Mark.STIRRED), mark(2.5, Mark.STIRRED))
    assert carry.suppression.unsettled_us == (round(3.6e9), round(4.5 * 3.6e9))


def test_a_probe_left_out_is_told_once_with_medium_priority() -> None:
    _, entries = night(course(2.0), mark(0.5, Mark.PROBE_OUT))
    (left,) = [entry for entry in entries if entry.cause is Cause.LEFT]
    assert (left.at_us - EPOCH_US, left.priority) == (round((0.5 + 1 / 3) * 3.6e9), "medium")
    assert left.text == "the mark probe-out has run out and nobody said probe-in: look whether it is back in the vat"


def test_a_batch_that_starts_forgets_the_one_before() -> None:
    # Poured out and filled anew: without the mark the new mash would be a jump by 2.
    values = [*course(10.0), *course(10.0, ph=6.0)]
    _, silent = night(values)
    assert "trust-lost" in [alarm for alarm, _ in raised(silent)]
    carry, entries = night(values, mark(10.05, Mark.STARTED))
    assert not {"rise", "trust-lost"} & {alarm for alarm, _ in raised(entries)}
    assert (carry.batch.started_us, carry.batch.started_at_us) == (
        round(10.05 * 3.6e9),
        EPOCH_US + round(10.05 * 3.6e9),
    )
    assert carry.windows.fresh_us == carry.batch.started_us
    carry, _ = night(course(1.0), mark(0.5, Mark.STARTED, duration_s=7200.0))
    assert (carry.batch.started_us, carry.batch.started_at_us) == (round(-1.5 * 3.6e9), EPOCH_US - round(1.5 * 3.6e9))


def test_what_is_carried_can_be_stored_and_an_old_carry_still_loads() -> None:
    carry, _ = night(course(5.0), mark(1.0, Mark.STARTED), mark(4.0, Mark.TOPPED_UP), mark(4.5, Mark.PROBE_OUT))
    assert restored(carry) == carry


def test_a_vat_without_such_alarms_takes_every_mark() -> None:
    watched = replace(WATCH, vat=replace(WATCH.vat, alarms=()))
    marks = [mark(0.1 * n, what) for n, what in enumerate(Mark, start=1)]
    _, outcome = pipeline.step(watched, pipeline.fresh(watched), of_ph(course(1.0), every_s=POLL_S), commands=marks)
    assert [answer.applied for answer in outcome.answers] == [True] * len(Mark)


def test_after_the_end_of_a_batch_its_course_counts_no_more_and_the_vat_is_watched_on() -> None:
    values = course(8.0, per_hour=0.2)
    carry, entries = night(values, mark(1.0, Mark.STARTED), mark(2.0, Mark.ENDED))
    assert (carry.batch.id, carry.batch.started_us, carry.batch.ended_at_us is not None) == ("", None, True)
    assert [e.text for e in entries if e.cause is Cause.MARKED] == ["started", "ended"]
    assert "high" in [alarm for alarm, _ in raised(entries)]


def test_a_start_has_the_identity_that_its_record_has() -> None:
    carry, _ = night(course(2.0), mark(0.5, Mark.STARTED))
    assert carry.batch.id == batch_id("vat", EPOCH_US)
