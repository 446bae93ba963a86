"""A forecast by itself: straight lines whose end is known, warmth, doubt, and what past batches teach."""

from math import nan

import numpy as np
import pytest
from scipy.stats import norm

from logger.measure import forecast, forecast_ratios
from logger.measure.forecast import ForecastWindow, Goal, line_through
from logger.measure.forecast_ratios import PROVEN, own_ratios, ratios_at
from logger.model import BatchEnded, BatchOutlook, ForecastState, Foresight
from logger.structs import replace
from logger.units import HOUR_US

GOAL = Goal(limit_ph=4.6, started_us=0, due_us=40 * HOUR_US)


def followed(
    ph: list[float],
    *,
    warm_c: float | list[float] = 20.0,
    goal: Goal = GOAL,
    u: float = 0.0,
    before: ForecastState | None = None,
) -> ForecastState:
    """Return the state after windows of ten minutes from the start of the batch on."""
    state = forecast.begin(before or ForecastState(), goal)
    warmth = [warm_c] * len(ph) if isinstance(warm_c, float) else warm_c
    for number, (value, temperature_c) in enumerate(zip(ph, warmth, strict=True)):
        begin_us = goal.started_us + number * forecast.WINDOW_US
        end_us = begin_us + forecast.WINDOW_US
        window = ForecastWindow(
            begin_us=begin_us, at_us=end_us, elapsed_us=end_us, ph=value, u=u, temperature_c=temperature_c
        )
        state = forecast.follow(state, window, goal)
    return state


def falling(hours: float, *, from_ph: float = 5.8, ph_per_h: float = 0.06) -> list[float]:
    return [from_ph - ph_per_h * number / 6.0 for number in range(round(hours * 6.0))]


def told(state: ForecastState) -> tuple[float, float, float]:
    """Return the hours from the newest window to low end, middle and high end."""
    outlook = state.outlook
    assert outlook is not None
    assert outlook.foresight is Foresight.TOLD
    assert outlook.low_us is not None
    assert outlook.middle_us is not None
    assert outlook.high_us is not None
    low, middle, high = ((us - outlook.at_us) / HOUR_US for us in (outlook.low_us, outlook.middle_us, outlook.high_us))
    return low, middle, high


def width(state: ForecastState) -> float:
    low, _, high = told(state)
    return high - low


def test_the_line_is_that_of_least_squares() -> None:
    rng = np.random.default_rng(3)
    ph = [5.8 - 0.01 * n + float(rng.normal(0.0, 0.02)) for n in range(18)]
    line = line_through(followed(ph))
    assert line is not None
    hours = np.arange(1, 19) / 6.0
    (slope, _), covariance = np.polyfit(hours, ph, 1, cov=True)
    assert (line.fall, line.u) == pytest.approx((-slope, covariance[0, 0] ** 0.5), rel=1e-9)


def test_half_way_a_straight_line_ends_where_it_points_times_the_learnt_ratio() -> None:
    middle = told(followed(falling(10.0)))[1]
    ratio = ratios_at((), 4.6, 0.5)[1]
    assert middle == pytest.approx(0.6 / 0.06 * ratio, rel=0.03)


def test_a_warmer_day_to_come_is_that_of_the_day_before() -> None:
    night = [16.0] * 72 + [24.0] * 72
    cool_next = told(followed(falling(24.0, ph_per_h=0.04), warm_c=night))[1]
    warm_next = told(followed(falling(24.0, ph_per_h=0.04), warm_c=night[::-1]))[1]
    steady = told(followed(falling(24.0, ph_per_h=0.04)))[1]
    # after a warm night the next hours are cool ones, but the line was drawn in warm ones: both make it later
    assert warm_next < steady < cool_next


def test_what_is_not_known_of_the_reading_widens_both_ends() -> None:
    sure, doubtful = told(followed(falling(14.0))), told(followed(falling(14.0), u=0.1))
    assert doubtful[0] < sure[0]
    assert doubtful[2] > sure[2]
    assert doubtful[1] == sure[1]


def test_a_fall_that_breaks_off_makes_the_interval_wider_and_a_rise_ends_it() -> None:
    before = falling(10.0)
    slower = [*before, *(before[-1] - 0.02 * n / 6.0 for n in range(1, 25))]
    assert width(followed(slower)) > 2.0 * width(followed(falling(14.0)))
    rising = [*before, *(before[-1] + 0.06 * n / 6.0 for n in range(1, 25))]
    outlook = followed(rising).outlook
    assert outlook is not None
    assert outlook.foresight is Foresight.SILENT


def test_a_fall_that_is_lost_again_is_no_vat_before_its_start() -> None:
    before = falling(10.0)
    lost = followed([*before, *(before[-1] + 0.15 * n / 6.0 for n in range(1, 37)), *[6.1] * 30])
    assert lost.outlook is not None
    assert (lost.outlook.foresight, lost.top) == (Foresight.SILENT, pytest.approx(5.79, abs=0.02))


def test_a_window_that_is_not_believed_says_nothing_and_time_goes_on() -> None:
    state = followed([*falling(10.0), nan])
    assert state.outlook == BatchOutlook(foresight=Foresight.SILENT, at_us=61 * forecast.WINDOW_US)
    assert state.hours == pytest.approx(61 / 6.0)


def test_a_deadline_is_missed_with_the_probability_of_the_normal_distribution_of_its_side() -> None:
    for due_h in (14.0, 18.0, 20.0, 24.0, 30.0):
        state = followed(falling(10.0), goal=replace(GOAL, due_us=round(due_h * HOUR_US)))
        low, middle, high = told(state)
        left = due_h - 10.0
        sd = (high - middle if left > middle else middle - low) / norm.ppf(0.95)
        assert state.outlook is not None
        assert state.outlook.missed == pytest.approx(min(max(norm.sf(left, middle, sd), 0.05), 0.95), abs=1e-6)


def test_before_ph_falls_a_deadline_close_by_is_missed_at_least_so_likely() -> None:
    outlook = followed([5.8] * 120, goal=replace(GOAL, due_us=24 * HOUR_US)).outlook
    assert outlook is not None
    assert (outlook.foresight, outlook.is_at_least, outlook.missed) == (Foresight.TOO_EARLY, True, 0.95)


def test_a_batch_that_reaches_its_target_teaches_how_long_it_took_over_what_was_forecast() -> None:
    (batch,) = followed(falling(21.0)).ended
    assert len(batch.ratios) == 3
    assert 0.8 < batch.ratios[1] < 1.2
    assert batch.held >= 2


def test_a_batch_that_never_does_teaches_that_it_took_longer() -> None:
    stuck = followed([*falling(9.0), *[5.26] * 600])
    after = forecast.begin(stuck, replace(GOAL, started_us=200 * HOUR_US))
    assert after.ended[0].held == 0
    assert min(after.ended[0].ratios) > 1.0
    assert (after.hours, after.made, after.medians) == (0.0, (), ())


def test_own_ratios_take_over_after_eight_batches_of_the_same_target() -> None:
    rng = np.random.default_rng(4)
    took = np.exp(rng.normal(0.2, 0.3, (20, 3)))
    ended = tuple(BatchEnded(ratios=tuple(row), held=2) for row in took.tolist())
    assert own_ratios(ended[: PROVEN - 1]) is None
    low, middle, high = own_ratios(ended) or (0.0, 0.0, 0.0)
    every = np.sort(took.ravel())
    assert (low, middle, high) == pytest.approx((every[2], np.median(every), every[-3]))
    other = forecast.begin(replace(followed(falling(21.0)), ended=ended), replace(GOAL, limit_ph=4.2))
    assert other.ended == ()


def test_ratios_rise_with_the_way_and_lie_in_order() -> None:
    for limit_ph in (4.0, 4.2, 4.4, 4.6, 5.0):
        rows = [ratios_at((), limit_ph, way) for way in np.linspace(0.0, 1.2, 25).tolist()]
        assert all(0.0 < low < middle < high for low, middle, high in rows)
    for learnt in forecast_ratios.LEARNT:
        middles = [ratios[1] for _, ratios in learnt.rows]
        assert middles == sorted(middles)


def test_a_level_first_seen_late_is_not_that_of_the_start() -> None:
    goal = replace(GOAL, started_us=-20 * HOUR_US)
    late = forecast.begin(ForecastState(), goal)
    for number, ph in enumerate(falling(3.0, from_ph=5.1)):
        begin_us = number * forecast.WINDOW_US
        end_us = begin_us + forecast.WINDOW_US
        window = ForecastWindow(begin_us=begin_us, at_us=end_us, elapsed_us=end_us, ph=ph, u=0.05, temperature_c=20.0)
        late = forecast.follow(late, window, goal)
    assert late.top == forecast.START_PH
