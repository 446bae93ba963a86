"""Where a window is, compared with where the windows before it led.

Limits without a source beside them are of a trial on simulated vats, no source.
"""

import numpy as np
import pytest

from logger.measure import continuity
from logger.measure.continuity import Innovations, compare, expected_ph, reach
from logger.model import Level
from logger.units import HOUR_US
from tests.measure.trust_series import HOUR, LENGTH_US, after_each, falling, level, lost, windows
from tests.series import calibration, millivolts


def compared(ph: list[float], warm_c: list[float] | float = 20.0, *, numbers: list[int] | None = None) -> Innovations:
    """Return how far each window left its course."""
    return compare(windows(ph, warm_c, numbers=numbers), calibration(), length_us=LENGTH_US)


def test_a_level_is_the_median_of_three_windows() -> None:
    course = compared([4.5, 4.5, 9.0, 4.5, 4.5, 4.6, 4.6])
    assert np.isnan(course.ph[:2]).all()
    assert course.ph[2:] == pytest.approx([4.5, 4.5, 4.5, 4.5, 4.6], abs=1e-5)


def test_nothing_is_compared_before_there_are_two_levels_with_no_window_in_common() -> None:
    course = compared(level(4.5, 8))
    assert np.isnan(course.up_ph[:5]).all()
    assert course.up_ph[5:] == pytest.approx(np.zeros(3), abs=1e-12)


@pytest.mark.parametrize(("step", "is_lost"), [(-0.31, True), (0.0, False), (-0.28, False)])
def test_a_vat_that_falls_faster_than_before_by_three_tenths_is_lost(step: float, *, is_lost: bool) -> None:
    before = falling(5.6, 5 * HOUR, per_hour=0.2)
    after = [ph + step for ph in falling(before[-1] - 0.2 / HOUR, HOUR, per_hour=0.2)]
    assert (lost(after_each(windows([*before, *after]))) != []) is is_lost


def test_a_falling_vat_may_go_on_or_stand_still() -> None:
    before = falling(5.6, 5 * HOUR, per_hour=0.4)
    still, on = level(before[-1], 3 * HOUR), falling(before[-1], 3 * HOUR, per_hour=0.4)
    for after in (still, on):
        course = compared([*before, *after])[2 * HOUR :]  # until then its course is not known
        assert float(np.fmax(course.up_ph, course.down_ph).max()) < 0.05
        assert lost(after_each(windows([*before, *after]))) == []


def test_no_ferment_goes_on_faster_than_one_ph_an_hour() -> None:
    # Common practice, no source.
    course = compared(falling(7.0, 3 * HOUR, per_hour=1.5))
    assert float(np.nanmin(course.slope)) == -1.0


@pytest.mark.parametrize("gap_h", [1, 8, 24])
def test_over_a_gap_a_vat_may_rise_and_fall_farther_for_eight_hours_and_no_more(gap_h: int) -> None:
    hours = min(gap_h, 8)
    numbers = [*range(4 * HOUR), *range((4 + gap_h) * HOUR, (5 + gap_h) * HOUR)]
    up = compared([*level(4.5, 4 * HOUR), *level(4.5 + 0.05 * hours, HOUR)], numbers=numbers)
    down = compared([*level(4.5, 4 * HOUR), *level(4.5 - 0.15 * hours, HOUR)], numbers=numbers)
    # Half an hour is looked back on in any case, and a window here and there.
    assert float(np.nanmax(up.up_ph)) == pytest.approx(0.0, abs=0.05 * 0.6)
    assert float(np.nanmax(down.down_ph)) == pytest.approx(0.0, abs=0.15 * 0.6)


def test_the_first_level_after_a_gap_is_from_before_it_and_so_is_its_time() -> None:
    # Half an hour later it is compared with: it must count for as old as it is.
    numbers = [*range(4 * HOUR), *range(12 * HOUR, 14 * HOUR)]
    course = compared([*level(5.2, 4 * HOUR), *level(4.4, 2 * HOUR)], numbers=numbers)
    assert float(np.nanmax(course.down_ph)) <= 0.0


def test_the_temperature_may_go_farther_over_a_gap_too() -> None:
    numbers = [*range(4 * HOUR), *range(12 * HOUR, 13 * HOUR)]
    ph, warm_c = level(4.5, 5 * HOUR), [20.0] * (4 * HOUR) + [15.5] * HOUR
    assert float(np.nanmax(compared(ph, warm_c, numbers=numbers).step_c)) <= 0.0
    assert float(np.nanmax(compared(ph, warm_c).step_c)) == pytest.approx(4.5)


def test_without_a_calibration_an_ideal_electrode_is_taken() -> None:
    # 59.16 mV a pH at 25 C (IUPAC 2002).
    told = continuity.ph_at(None, np.array([0.0, 59.16, -59.16]), np.array([25.0] * 3))
    assert told == pytest.approx([7.0, 6.0, 8.0], abs=1e-4)


def test_longer_windows_look_back_on_fewer() -> None:
    assert [(reach(s * 1_000_000).back, reach(s * 1_000_000).slope) for s in (300, 900, 1800)] == [
        (6, 12),
        (3, 4),
        (3, 3),
    ]


def at_four_and_a_half(slope: float, former_ph: float | None = None) -> Level:
    """Return a level of a vat at pH 4.5."""
    return Level(
        elapsed_us=0,
        potential_mv=millivolts(4.5),
        temperature_c=20.0,
        slope_ph_per_h=slope,
        former_ph=former_ph,
    )


@pytest.mark.parametrize(
    ("slope", "former_ph", "low", "high"),
    [
        (0.0, None, 4.5, 4.5),
        (-0.1, None, 4.3, 4.5),
        (0.1, None, 4.5, 4.7),
        (0.5, None, 4.5, 4.75),  # up by no more than a jump may be
        (0.0, 4.16, 4.16, 4.5),  # by the calibration before it was 4.16
    ],
)
def test_a_level_leads_to_all_that_may_be_meant_by_it(
    slope: float, former_ph: float | None, low: float, high: float
) -> None:
    told = expected_ph(at_four_and_a_half(slope, former_ph), calibration(), elapsed_us=2 * HOUR_US)
    assert told == pytest.approx((low, high))
