"""Ages go by the longer of wall clock and watch time: a clock that is set back makes nothing fresh."""

import numpy as np
import pytest

from logger.config import AlarmKind, TargetConfig
from logger.measure import age, claims, estimate
from logger.measure.target import current_progress
from logger.model import Block, Carry, CheckKind, Command, CommandKind, Lack, Outcome, TargetWindow, WatchState
from logger.structs import replace
from logger.units import DAY_US, HOUR_US
from logger.watch import pipeline
from tests.series import EPOCH_US, calibrate, check, of_ph, raw_alarm, restored, watch

NOON = age.Moment(at_us=EPOCH_US, elapsed_us=5 * HOUR_US)
ALARMS = (raw_alarm(AlarmKind.CALIBRATION_OVERDUE, None), raw_alarm(AlarmKind.CHECK_OVERDUE, None))
TARGET = TargetConfig()
_WATCH = watch(*ALARMS, poll_s=3600.0)
WATCH = replace(_WATCH, vat=replace(_WATCH.vat, target=TARGET))


@pytest.mark.parametrize(
    ("wall_h", "watch_h", "hours"),
    [(2, 2, 2), (-3, 2, 3), (2, 9, 9), (-1, 4, 4), (9, 2, 9)],
    ids=["alike", "made after it by the wall clock", "set back", "set back a little", "set forward"],
)
def test_the_longer_difference_is_the_age(wall_h: int, watch_h: int, hours: int) -> None:
    at_us, us = EPOCH_US + wall_h * HOUR_US, (5 + watch_h) * HOUR_US
    assert age.age_us(at_us, us, NOON) == hours * HOUR_US
    many = age.age_us(np.array([at_us, EPOCH_US]), np.array([us, 5 * HOUR_US]), NOON)
    assert many.tolist() == [hours * HOUR_US, 0]


def test_where_no_watch_time_is_known_the_wall_clock_speaks_alone() -> None:
    unknown = replace(NOON, elapsed_us=None)
    assert age.age_us(EPOCH_US - 2 * HOUR_US, 99 * HOUR_US, unknown) == 2 * HOUR_US
    assert age.age_us(EPOCH_US + 2 * HOUR_US, None, NOON) == 2 * HOUR_US


def test_what_comes_into_force_later_keeps_its_age_and_is_never_of_the_future() -> None:
    now = {"now_at_us": EPOCH_US, "now_us": 3 * HOUR_US}
    assert age.made_us(EPOCH_US - 5 * HOUR_US, **now) == -2 * HOUR_US
    assert age.made_us(EPOCH_US + 5 * HOUR_US, **now) == 3 * HOUR_US


def set_back(rows: Block, *, row: int, hours: float) -> Block:
    """Return the rows as of a wall clock that was set back before one of them."""
    back = np.where(np.arange(len(rows)) < row, 0, round(hours * HOUR_US))
    return replace(rows, at_us=rows.at_us - back)


def checked(seq: int, *, at_us: int, kind: CheckKind = CheckKind.BUFFER) -> Command:
    made = replace(check(0.01, kind=kind), at_us=at_us)
    return Command(id=100 + seq, at_us=at_us, kind=CommandKind.CHECK, vat="vat", probe="probe", check=made, seq=seq)


def watched(days: float, *, back_h: float, checks: dict[int, CheckKind] | None = None) -> tuple[WatchState, Outcome]:
    """Watch a quiet vat whose wall clock is set back after twelve records, an hour apart."""
    rows = set_back(
        of_ph([4.2 + 0.01 * (n % 3) for n in range(round(24 * days))], every_s=3600.0), row=12, hours=back_h
    )
    asked = [checked(seq, at_us=int(rows.at_us[seq - 1]), kind=kind) for seq, kind in (checks or {}).items()]
    return pipeline.step(WATCH, pipeline.fresh(WATCH), rows, commands=[calibrate(), *asked])


@pytest.mark.parametrize("back_h", [0.0, 5.0, 60.0])
def test_a_clock_set_back_puts_no_alarm_off(back_h: float) -> None:
    _, outcome = watched(8.0, back_h=back_h)
    assert [(entry.alarm, entry.seq) for entry in outcome.entries if entry.annunciates] == [
        ("check-overdue", 3 * 24 + 2),  # the first record more than three days old
        ("calibration-overdue", 7 * 24 + 2),
    ]


def test_the_drift_grows_by_the_watch_time() -> None:
    steady, back = (watched(4.0, back_h=hours)[1].measurements for hours in (0.0, 40.0))
    assert (back.u[12:] >= steady.u[12:]).all()
    np.testing.assert_array_equal(back.u[60:], steady.u[60:])


def test_a_measurement_confirms_no_longer_because_the_clock_was_set_back() -> None:
    """By the wall clock alone it was made at the newest window, and not 42 hours before it."""

    def lacking(back_h: float, seq: int) -> set[Lack]:
        state, _ = watched(2.0, back_h=back_h, checks={seq: CheckKind.SPOT})
        carry = state.carry
        newest = of_the_newest_record(carry)
        progress = replace(current_progress(carry), newest=newest, shows=TARGET.windows)
        return {*claims.lacks(TARGET, carry, progress, at_us=newest.at_us, elapsed_us=newest.elapsed_us)}

    assert lacking(0.0, 48) == set()
    assert lacking(42.0, 6) == lacking(0.0, 6) == {Lack.CONFIRMATION}


def of_the_newest_record(carry: Carry) -> TargetWindow:
    """Return a window that reads far below the target at the newest record of a watch."""
    at_us, us = carry.reported.record_at_us, carry.reported.record_us
    assert at_us is not None
    assert us is not None
    return TargetWindow(
        at_us=at_us,
        elapsed_us=us,
        seq=48,
        read_ph=4.2,
        u_noise=0.0,
        temperature_c=20.0,
        slope=0.99,
        ph=4.2,
        u=0.05,
        believed=True,
    )


def test_the_newer_of_two_checks_is_the_later_one_by_watch_time() -> None:
    state, _ = watched(2.0, back_h=30.0, checks={6: CheckKind.SPOT, 20: CheckKind.BUFFER})
    newest = age.newest_check(state.carry)
    assert newest is not None
    assert newest[0].kind is CheckKind.BUFFER
    assert newest[1].elapsed_us == 19 * HOUR_US


def test_a_check_after_the_clock_was_set_back_finds_the_drift_grown() -> None:
    state, _ = watched(3.0, back_h=60.0, checks={60: CheckKind.BUFFER})
    made, errors = state.carry.electrode, WATCH.probe.errors
    assert made.calibration is not None
    assert made.check is not None
    assert made.estimate is not None
    assert made.estimate.elapsed_us == 59 * HOUR_US
    start = estimate.start(made.calibration, errors, elapsed_us=made.calibrated_us)
    grown = estimate.advance(start, at_us=made.check.at_us, elapsed_us=59 * HOUR_US)
    by_wall = estimate.advance(replace(start, elapsed_us=None), at_us=EPOCH_US + 59 * HOUR_US, elapsed_us=None)
    assert (grown.steady, grown.distrustful) == (by_wall.steady, by_wall.distrustful)
    assert made.estimate == estimate.apply_check(start, made.check, elapsed_us=59 * HOUR_US).estimate
    assert estimate.days_until(start, at_us=EPOCH_US - DAY_US, elapsed_us=None) == 0.0


def test_watch_times_are_stored_and_go_on_between_records() -> None:
    state, _ = watched(1.0, back_h=2.0, checks={6: CheckKind.BUFFER})
    carry = restored(state.carry)
    assert carry == state.carry
    newest_us = EPOCH_US + 21 * HOUR_US
    assert age.elapsed_at(carry, newest_us + HOUR_US) == 24 * HOUR_US
    assert age.elapsed_at(carry, newest_us - HOUR_US) == 23 * HOUR_US
    assert age.elapsed_at(Carry(probe="probe"), newest_us) is None
