"""How fast the pH changes, against an independent least-squares line."""

import numpy as np
import pytest
from scipy.stats import linregress

from logger.measure import course
from logger.units import HOUR_US


def made(values: list[float]) -> course.Course:
    return tuple((n * course.WINDOW_US, value) for n, value in enumerate(values))


def end_us(seen: course.Course) -> int:
    return seen[-1][0] + course.WINDOW_US


def test_rate_and_doubt_are_those_of_the_least_squares_line() -> None:
    rng = np.random.default_rng(5)
    seen = made([4.8 - 0.01 * n + rng.normal(0, 0.01) for n in range(12)])
    line = linregress([begin / HOUR_US for begin, _ in seen], [ph for _, ph in seen])  # scipy: slope and its stderr
    found = course.rate(seen, elapsed_us=end_us(seen), drift_ph_per_day=0.0)
    assert found is not None
    assert (found.ph_per_h, found.u, found.over_h) == pytest.approx((line.slope, line.stderr, 2.0))
    drifting = course.rate(seen, elapsed_us=end_us(seen), drift_ph_per_day=0.24)
    assert drifting is not None
    assert drifting.u == pytest.approx(np.hypot(line.stderr, 0.01))


def test_too_few_or_too_old_windows_tell_no_rate() -> None:
    seen = made([4.8, 4.79, 4.78, 4.77])
    assert course.rate(seen[:3], elapsed_us=end_us(seen), drift_ph_per_day=0.0) is None
    assert course.rate(seen, elapsed_us=end_us(seen) + course.OLD_US, drift_ph_per_day=0.0) is not None
    assert course.rate(seen, elapsed_us=end_us(seen) + course.OLD_US + 1, drift_ph_per_day=0.0) is None


def test_windows_before_a_mark_are_forgotten() -> None:
    seen = made([4.8, 4.79, 4.78, 4.77])
    assert course.drop_before(seen, 2 * course.WINDOW_US) == seen[2:]
