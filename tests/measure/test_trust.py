"""Trust in a probe: lost by what a vat cannot make, earned back by evidence and never by time.

Limits without a source beside them are of a trial on simulated vats, no source.
"""

from itertools import product

import numpy as np
import pytest

from logger.measure import continuity, plausibility, trust, trust_events, trust_windows
from logger.measure.calibration import fit
from logger.measure.liveness import Periods
from logger.model import EarnedBy, TrustCause, TrustLevel, TrustState
from logger.structs import replace
from logger.units import HOUR_US
from tests.measure.trust_series import HOUR, LENGTH_US, after_each, falling, level, loss_of, lost, windows
from tests.series import EPOCH_US, POINTS, calibration

VAT = level(4.5, 5 * HOUR)
"""Long enough for the course not to be young."""
OTHER = replace(
    fit(
        tuple(replace(point, potential_mv=point.potential_mv + 20.0) for point in POINTS),
        probe="probe",
        at_us=EPOCH_US,
        by="",
    ),
    id=2,
)
"""A calibration that moves the reading by 20 mV."""


@pytest.mark.parametrize(("step", "is_lost"), [(0.26, True), (0.2, False), (-0.31, True), (-0.28, False)])
def test_a_jump_that_stays_is_lost_beyond_a_quarter_up_and_three_tenths_down(step: float, *, is_lost: bool) -> None:
    states = after_each(windows([*VAT, *level(4.5 + step, HOUR)]))
    assert (states[-1].loss is not None) is is_lost
    if is_lost:
        loss = loss_of(states[-1])
        assert (loss.cause, round(loss.jump_ph, 2)) == (TrustCause.JUMP, step)
        assert abs(loss.since_us - len(VAT) * LENGTH_US) <= LENGTH_US


def test_in_the_first_three_hours_a_jump_must_be_larger() -> None:
    young = level(4.5, 2 * HOUR)
    assert lost(after_each(windows([*young, *level(4.79, HOUR)]))) == []
    assert lost(after_each(windows([*young, *level(4.81, HOUR)]))) != []


@pytest.mark.parametrize("windows_of_it", [1, 2, 3, 4])
def test_a_cushion_of_gas_that_lies_on_the_bulb_for_twenty_minutes_loses_nothing(windows_of_it: int) -> None:
    # 15 mV are 0.26 pH: theory, by the Nernst slope at 20 C of 58.17 mV a pH (IUPAC 2002).
    states = after_each(windows([*VAT, *level(4.5 + 15.0 / 58.17, windows_of_it), *level(4.5, 2 * HOUR)]))
    assert lost(states) == []


def test_a_leap_is_lost_at_once_and_a_smaller_jump_after_five_windows() -> None:
    assert lost(after_each(windows([*VAT, *level(5.5, 6)])))[0] == len(VAT) + 1
    assert lost(after_each(windows([*VAT, *level(4.77, 6)])))[0] == len(VAT) + 5


def test_what_left_by_a_step_and_comes_back_by_one_is_earned_back_after_an_hour_and_not_before() -> None:
    away, back = level(5.2, HOUR), level(4.5, 2 * HOUR)
    states = after_each(windows([*VAT, *away, *back]))
    gone = lost(states)
    # The level of three shows the way back one window late; then it must stay for twelve.
    assert gone == list(range(len(VAT) + 1, len(VAT) + len(away) + 1 + HOUR - 1))
    assert states[-1].level is TrustLevel.EARNED
    assert states[-1].unbroken_us == (gone[-1] + 2) * LENGTH_US
    assert states[-1].earned_by is EarnedBy.RETURN


def test_after_the_second_loss_of_a_day_it_must_stay_for_four_hours_and_after_the_third_for_sixteen() -> None:
    away = level(5.2, HOUR)
    once = [*away, *level(4.5, 6 * HOUR)]
    states = after_each(windows([*VAT, *once, *once, *away, *level(4.5, 18 * HOUR)]))
    runs = np.split(np.array(lost(states)), 1 + np.flatnonzero(np.diff(lost(states)) > 1))
    # Lost from the second window away on; an hour away, and then as long as it must stay.
    assert [len(run) for run in runs] == [HOUR + stay * HOUR - 1 for stay in (1, 4, 16)]


def test_what_was_lost_a_day_ago_does_not_count() -> None:
    once = [*level(5.2, HOUR), *level(4.5, 30 * HOUR)]
    states = after_each(windows([*VAT, *once, *once]))
    assert len(lost(states)) == 2 * (2 * HOUR - 1)
    assert len(states[-1].losses_us) == 1


def test_a_falling_vat_that_carries_a_shifted_reading_back_through_its_course_does_not_earn_it_back() -> None:
    # 25 mV up are 0.43 pH; at 0.1 pH an hour it is back where the vat was after four hours.
    before = falling(5.6, 6 * HOUR, per_hour=0.1)
    after = [ph + 0.43 for ph in falling(before[-1], 20 * HOUR, per_hour=0.1)]
    states = after_each(windows([*before, *after]))
    assert lost(states) == list(range(lost(states)[0], len(states)))
    assert lost(states)[0] <= len(before) + 2


def test_half_of_the_step_back_is_too_little() -> None:
    middle, back = level(4.75, 2 * HOUR), level(4.5, 20 * HOUR)
    states = after_each(windows([*VAT, *level(5.2, HOUR), *middle, *back]))
    assert states[-1].level is TrustLevel.LOST


def test_the_temperature_must_be_back_too() -> None:
    ph = [*VAT, *level(5.2, HOUR), *level(4.5, 4 * HOUR)]
    cold = [20.0] * (len(VAT) + HOUR) + [17.0] * (4 * HOUR)
    assert after_each(windows(ph, cold))[-1].level is TrustLevel.LOST
    assert after_each(windows(ph))[-1].level is TrustLevel.EARNED


def test_time_alone_never_earns_it_back_nor_does_quietness() -> None:
    states = after_each(windows([*VAT, *level(5.2, 60 * HOUR)]))
    assert states[-1].level is TrustLevel.LOST
    assert loss_of(states[-1]).since_us <= states[-1].windows[-1].number * LENGTH_US - 59 * HOUR_US


def test_what_comes_back_by_a_step_more_than_a_day_later_does_not_earn_it() -> None:
    for hours, is_earned in ((20, True), (24, False)):
        states = after_each(windows([*VAT, *level(5.2, hours * HOUR), *level(4.5, 10 * HOUR)]))
        assert (states[-1].level is TrustLevel.EARNED) is is_earned


def test_an_hour_in_which_a_second_probe_reads_the_same_earns_it_back_and_55_minutes_do_not() -> None:
    ph = [*VAT, *level(5.2, 4 * HOUR)]
    for agreeing, is_earned in ((HOUR, True), (HOUR - 1, False)):
        agrees = [0] * (len(ph) - agreeing - 1) + [1] * agreeing + [0]
        states = after_each(windows(ph, agrees=agrees))
        assert (states[-2].level is TrustLevel.EARNED) is is_earned


def test_a_knocked_probe_is_back_an_hour_after_its_wild_readings_and_stays() -> None:
    wild = HOUR // 2
    ph = [*VAT, *level(6.4, wild), *level(4.5, 4 * HOUR)]
    states = after_each(windows(ph, outliers=[0] * len(VAT) + [10] * wild + [0] * 4 * HOUR))
    back = len(VAT) + wild + HOUR + 1  # a level of three shows it a window late
    assert (states[back - 2].level, states[back].level) == (TrustLevel.LOST, TrustLevel.EARNED)
    assert len(states[-1].losses_us) == 1
    assert states[-1].loss is None


def test_a_contact_that_scatters_a_tenth_of_the_readings_of_an_hour_is_lost() -> None:
    ph = level(4.5, 8 * HOUR)
    for far, is_lost in ((1, False), (2, True)):  # of 15 readings of a window
        states = after_each(windows(ph, outliers=[0] * (4 * HOUR) + [far] * (4 * HOUR)))
        assert (states[-1].loss is not None) is is_lost
    assert loss_of(states[-1]).cause is TrustCause.CONTACT


def stepped_c(*, first: float = 20.0, then: float = 17.0, hours: int = 4) -> list[float]:
    """Return the temperatures of the vat, and others after it."""
    return [first] * len(VAT) + [then] * (hours * HOUR)


def test_a_step_of_the_temperature_alone_is_doubt_and_never_a_loss() -> None:
    states = after_each(windows(level(4.5, len(VAT) + 4 * HOUR), stepped_c()))
    assert (states[-1].level, lost(states)) == (TrustLevel.DOUBTED, [])
    doubt = states[-1].doubt
    assert doubt is not None
    assert (doubt.cause, doubt.before_c, doubt.now_c) == (TrustCause.TEMPERATURE, 20.0, 17.0)


def test_a_doubt_ends_when_the_temperature_is_back_although_it_comes_back_by_a_step() -> None:
    warm_c = [*stepped_c(), *[20.0] * (2 * HOUR)]
    states = after_each(windows(level(4.5, len(warm_c)), warm_c))
    assert (states[-1].level, states[-1].earned_by) == (TrustLevel.EARNED, EarnedBy.RETURN)
    # The windows half an hour ago must be warm again too, or the step back would be a new doubt.
    assert [state.doubt is None for state in states[-2 * HOUR + 6 : -2 * HOUR + 10]] == [False, True, True, True]


def test_a_doubt_by_the_temperature_ends_after_half_a_day() -> None:
    warm_c = stepped_c(hours=13)
    states = after_each(windows(level(4.5, len(warm_c)), warm_c))
    assert (states[-1].level, states[-1].earned_by) == (TrustLevel.EARNED, EarnedBy.LASTED)


def test_a_colder_probe_that_is_noisier_since_hangs_in_air() -> None:
    noise_mv = [0.5] * len(VAT) + [1.4] * (4 * HOUR)
    ph = level(4.5, len(noise_mv))
    states = after_each(windows(ph, stepped_c(), noise_mv=noise_mv))
    assert loss_of(states[-1]).cause is TrustCause.AIR
    assert lost(after_each(windows(ph, noise_mv=noise_mv))) == []  # stirred: noise alone is none


def test_noise_after_a_doubt_of_the_thermometer_is_no_air_for_no_temperature_stepped() -> None:
    noise_mv = [0.5] * len(VAT) + [1.4] * (4 * HOUR)
    closed = windows(level(4.5, len(noise_mv)), noise_mv=noise_mv)
    closed.warm[len(VAT) :] = 0
    states = after_each(closed)
    assert (states[-1].level, lost(states)) == (TrustLevel.DOUBTED, [])


def test_the_first_windows_are_never_noisier_than_usual() -> None:
    # A doubt goes on where the windows begin anew: there is nothing yet that could be noisier.
    closed = windows(level(4.5, 2))
    closed.warm[1] = 0
    doubted = after_each(closed)[-1]
    assert doubted.level is TrustLevel.DOUBTED
    anew = trust_events.expect(doubted, calibration(), length_us=LENGTH_US)
    many = windows(level(4.5, 5 * HOUR), first=10)
    run = trust.TrustRun(trust.Around(line=calibration(), length_us=LENGTH_US, unsettled_us=None), anew)
    run.follow(many, Periods.none(), Periods.none())
    assert (run.state.level, run.state) == (TrustLevel.EARNED, after_each(many, anew)[-1])


def test_readings_so_scattered_that_their_median_says_little_are_told_window_by_window() -> None:
    # 1.25 s / root n over 58.2 mV a pH: 30 mV and 15 readings are 0.17 pH, 20 mV are 0.11.
    for spread_mv, is_scattered in ((30.0, True), (20.0, False)):
        state = after_each(windows(VAT, spread_mv=[0.5] * (len(VAT) - 1) + [spread_mv]))[-1]
        assert (state.scattered, state.level) == (is_scattered, TrustLevel.EARNED)


@pytest.mark.parametrize("step", [0.5, -0.6])
def test_stirring_and_topping_up_may_move_a_vat_farther(step: float) -> None:
    begin_us = (len(VAT) - 1) * LENGTH_US
    closed = windows([*VAT, *level(4.5 + step, 3 * HOUR)])
    assert lost(after_each(closed, unsettled_us=(begin_us, begin_us + HOUR_US))) == []
    assert lost(after_each(closed)) != []


def back_in(ph: float, *, hours_out: float = 0.5, state: TrustState | None = None, noise: int = HOUR) -> TrustState:
    """Return the trust after somebody said that the probe is back in the vat, and it reads this."""
    before = after_each(windows(VAT))[-1] if state is None else state
    said = trust_events.expect(before, calibration(), length_us=LENGTH_US)
    number = before.windows[-1].number if before.windows else len(VAT)
    return after_each(windows(level(ph, noise), first=number + 1 + round(hours_out * HOUR)), said)[-1]


def test_the_word_that_it_is_back_is_borne_out_by_a_reading_where_the_vat_was() -> None:
    gone = after_each(windows([*VAT, *level(5.2, HOUR)]))[-1]
    assert gone.level is TrustLevel.LOST
    earned = back_in(4.52, state=gone)
    assert (earned.level, earned.earned_by) == (TrustLevel.EARNED, EarnedBy.BORNE_OUT)


@pytest.mark.parametrize("ph", [5.2, 4.01])
def test_the_word_that_it_is_back_is_not_borne_out_by_another_reading(ph: float) -> None:
    state = back_in(ph)
    assert (loss_of(state).cause, round(loss_of(state).jump_ph, 1)) == (TrustCause.NOT_BORNE_OUT, round(ph - 4.5, 1))
    assert back_in(4.5, state=state).level is TrustLevel.EARNED
    assert back_in(6.9, state=state).level is TrustLevel.LOST


def test_the_first_word_needs_nothing_that_bears_it_out() -> None:
    assert trust_events.expect(TrustState(), calibration(), length_us=LENGTH_US).expected is None


def test_a_calibration_that_moves_the_reading_by_20_millivolts_loses_nothing() -> None:
    # 20 mV are 0.34 pH, more than a jump may be.
    for seed in range(16):
        rng = np.random.default_rng(seed)
        ph = (np.array(falling(5.0, 14 * HOUR, per_hour=0.05)) + rng.normal(0, 0.01, 14 * HOUR)).tolist()
        half = len(ph) // 2
        before = after_each(windows(ph[:half]))[-1]
        said = trust_events.recalibrate(before, calibration(), length_us=LENGTH_US)
        after = after_each(windows(ph[half:], first=half + 4), said, line=OTHER)
        assert lost(after) == []
        assert after[-1].is_sound


def test_an_electrode_that_is_changed_with_its_calibration_loses_nothing() -> None:
    # The new one reads by its own line what the old one read by its own, 0.34 pH apart in mV.
    before = after_each(windows(VAT))[-1]
    said = trust_events.recalibrate(before, calibration(), length_us=LENGTH_US)
    new = windows(VAT, first=len(VAT) + 4)
    shifted = replace(new, potential_mv=new.potential_mv + 20.0)
    assert lost(after_each(shifted, said, line=OTHER)) == []
    twice = trust_events.recalibrate(said, OTHER, length_us=LENGTH_US)  # calibrated again before it is back in the vat
    assert twice == said
    assert lost(after_each(shifted, twice, line=OTHER)) == []


def test_a_calibration_after_which_the_reading_is_elsewhere_is_not_borne_out() -> None:
    said = trust_events.recalibrate(after_each(windows(VAT))[-1], calibration(), length_us=LENGTH_US)
    after = after_each(windows(level(6.9, HOUR), first=len(VAT) + 4), said, line=OTHER)
    assert loss_of(after[-1]).cause is TrustCause.NOT_BORNE_OUT


def test_a_check_and_the_start_of_a_batch_earn_trust_and_begin_the_course_anew() -> None:
    gone = after_each(windows([*VAT, *level(5.2, HOUR)]))[-1]
    earned = trust_events.earn(gone, EarnedBy.START, elapsed_us=7, at_us=8)
    assert (earned.level, earned.is_sound, earned.windows, earned.unbroken_us) == (TrustLevel.EARNED, True, (), 7)
    # A new mash at 6.2 is no jump: it is compared with nothing.
    assert lost(after_each(windows(level(6.2, 6 * HOUR), first=len(VAT) + HOUR), earned)) == []


@pytest.mark.parametrize(
    ("gap_h", "per_hour"), [*product((1, 8, 24), (0.0, 0.02, 0.08)), *product((1, 8), (0.12, 0.16))]
)
def test_a_healthy_vat_loses_nothing_over_a_gap(gap_h: int, per_hour: float) -> None:
    # A ferment that slows down: it falls by half as much an hour in the gap. The shapes are invented, no source.
    before = falling(5.2, 8 * HOUR, per_hour=per_hour)
    later = falling(before[-1] - 0.5 * per_hour * gap_h, 4 * HOUR, per_hour=0.5 * per_hour)
    states = after_each(
        windows([*before, *later], numbers=[*range(8 * HOUR), *range((8 + gap_h) * HOUR, (12 + gap_h) * HOUR)])
    )
    assert lost(states) == []


def test_what_is_carried_does_not_grow_with_what_is_learnt() -> None:
    rng = np.random.default_rng(3)
    days = [
        after_each(
            windows(rng.normal(4.5, 0.01, d * 24 * HOUR).tolist(), rng.normal(20.0, 0.1, d * 24 * HOUR).tolist())
        )[-1]
        for d in (1, 3)
    ]
    for state in days:
        assert len(state.windows) == 21  # 105 minutes
        assert 20 <= len(state.swings_c) <= 24  # a day of hours
    assert trust_windows.window_us(10.0) == LENGTH_US


@pytest.mark.parametrize("poll_s", [1.0, 20.0, 60.0, 600.0])
def test_as_many_windows_are_carried_as_anything_looks_back_on(poll_s: float) -> None:
    kept = trust.windows_kept(trust_windows.window_us(poll_s))
    assert kept >= max(HOUR, plausibility.NOISE_WINDOWS + continuity.LEVEL)
