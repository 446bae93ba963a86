"""A vat's temperature by its own last day, and readings by how far apart they lie.

Limits without a source beside them are of a trial on simulated vats, no source.
"""

import numpy as np
import pytest

from logger.measure import plausibility
from logger.measure.plausibility import step_limit_c
from tests.measure.trust_series import HOUR, LENGTH_US, level, windows


def test_before_three_hours_are_learnt_a_step_of_the_temperature_must_be_large() -> None:
    assert [step_limit_c([0.1] * hours, 0.0) for hours in (0, 2, 3)] == [2.6, 2.6, 1.2]


def test_a_refrigerator_that_swings_by_a_degree_teaches_the_limit() -> None:
    # +-1 C, as cellar refrigerators do: common practice, no source.
    assert step_limit_c([2.0] * 24, 0.1) == pytest.approx(3.2)


def test_one_hour_in_ten_may_swing_more_and_teaches_nothing() -> None:
    assert step_limit_c([0.2] * 22 + [4.0, 4.0], 0.1) == 1.2
    assert step_limit_c([0.2] * 20 + [4.0] * 4, 0.1) == pytest.approx(6.4)


def test_a_step_must_pass_the_last_digit_of_the_thermometer() -> None:
    assert step_limit_c([0.0] * 24, 1.0) == pytest.approx(1.7)
    assert step_limit_c([], 2.0) == pytest.approx(2.7)


def test_the_loose_part_is_of_the_readings_of_an_hour_and_unknown_before() -> None:
    part = plausibility.loose_part(windows(level(4.5, 2 * HOUR), outliers=[0] * HOUR + [3] * HOUR), LENGTH_US)
    assert np.isnan(part[: HOUR - 1]).all()
    assert part[HOUR - 1 :].tolist() == pytest.approx([3 * at / (15 * HOUR) for at in range(HOUR + 1)])
    assert np.isnan(plausibility.loose_part(windows(level(4.5, HOUR - 1)), LENGTH_US)).all()


def test_of_longer_windows_the_loose_part_is_that_of_four() -> None:
    for length_us in (3 * LENGTH_US, 30 * LENGTH_US):  # polled each minute, and each ten minutes
        part = plausibility.loose_part(windows(level(4.5, 5), outliers=[3, 0, 0, 0, 0]), length_us)
        assert np.isnan(part[:3]).all()
        assert part[3:].tolist() == pytest.approx([3 / 60, 0.0])


def test_the_usual_noise_is_the_median_of_about_an_hour() -> None:
    closed = windows(level(4.5, 30), noise_mv=[9.0] * 15 + [1.0] * 5 + [2.0] * 10)
    assert plausibility.usual_noise_mv(closed, 29) == 2.0
    assert plausibility.usual_noise_mv(closed, 19) == 9.0
    assert plausibility.usual_noise_mv(closed, 0) == 9.0


def test_the_doubt_of_a_median_of_normal_readings_is_told_as_a_trial_finds_it() -> None:
    # Against numpy: medians of 15 normal readings of 8 mV, over 58.17 mV a pH at 20 C (IUPAC 2002).
    many = np.random.default_rng(8).normal(0.0, 8.0, (20_000, 15))
    found = np.median(many, axis=1).std() / 58.17
    (told,) = plausibility.scatter_ph(windows([4.5], spread_mv=8.0))
    assert told == pytest.approx(found, rel=0.05)
