"""Degree-hours, time beyond a limit, hours in a band: published figures, across gaps and steps of the clock."""

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.measure.exposure import Band, Exposure, count, total
from logger.units import HOUR_US, MINUTE_US, SECOND_US

GAP_US = 5 * MINUTE_US


def counted(
    band: Band,
    elapsed_us: Sequence[int],
    values: Sequence[float],
    believed: Sequence[bool] = (),
    cuts: Sequence[int] = (),
) -> Exposure:
    """Return what is counted of a course that comes in pieces."""
    exposure, ends = Exposure(), sorted({0, *cuts, len(values)})
    times, course = np.array(elapsed_us, np.int64), np.array(values, np.float64)
    good = np.array(believed or [True] * len(values), np.bool_)
    for begin, end in pairwise(ends):
        part = slice(begin, end)
        exposure = count(exposure, band, times[part], course[part], good[part], max_gap_us=GAP_US)
    return exposure


def held(*stages: tuple[float, float]) -> tuple[list[int], list[float]]:
    """Return a course of stages (hours, temperature), read each minute, with a step between two of them."""
    times, values, begin_us = [], [], 0
    for hours, celsius in stages:
        minutes = round(hours * 60)
        times += [begin_us + n * MINUTE_US for n in range(minutes)] + [begin_us + minutes * MINUTE_US - 1]
        values += [celsius] * (minutes + 1)
        begin_us += minutes * MINUTE_US
    return times, values


def fahrenheit(degrees: float) -> float:
    return (degrees - 32) / 1.8


# Time limits of a fermentation log for sausages to reach pH 5.3 by chamber temperature (a university's form of
# 2012-11-23, studylib.net/doc/15303075, seen). They keep within 1200, 1000 and 900 Fahrenheit degree-hours above 60 F
# for chambers below 90 F, from 90 to 100 F, and above (Good Manufacturing Practices for Fermented Dry and Semi-Dry
# Sausage Products, American Meat Institute 1997, as cited in the trade; from memory).
@pytest.mark.parametrize(
    ("chamber_f", "hours", "allowed"),
    [(75, 80, 1200), (80, 60, 1200), (85, 48, 1200), (90, 33, 1000), (95, 28, 1000), (100, 25, 1000), (105, 20, 900),
     (110, 18, 900)],
)  # fmt: skip
def test_published_time_limits_use_up_the_published_degree_hours(chamber_f: int, hours: int, allowed: int) -> None:
    exposure = counted(Band(high=fahrenheit(60)), *held((hours, fahrenheit(chamber_f))))
    degree_hours_f = exposure.above_unit_hours * 1.8
    assert degree_hours_f == pytest.approx((chamber_f - 60) * hours, abs=0.01)
    assert degree_hours_f <= allowed + 0.01
    assert degree_hours_f + (chamber_f - 60) > allowed  # one hour more would be too long
    assert exposure.above_us == hours * HOUR_US - 1


# The Canadian rule in Celsius: 665 degree-hours above 15.6 C below 33 C; 'at 25 C the permitted hours would be 70.7'
# (localfoodheroes.com/calculating-maximum-fermenting-times, seen). 26 C for 55 h: 572; 35 C for 40 h: 776 (the rule's
# own worked examples, from memory).
@pytest.mark.parametrize(("celsius", "hours", "degree_hours"), [(25, 70.7, 665), (26, 55, 572), (35, 40, 776)])
def test_published_examples_in_celsius(celsius: float, hours: float, degree_hours: float) -> None:
    exposure = counted(Band(high=15.6), *held((hours, celsius)))
    assert exposure.above_unit_hours == pytest.approx(degree_hours, abs=0.5)


def test_stages_of_a_course_add_up() -> None:
    exposure = counted(Band(high=15.6), *held((4, 10.0), (10, 20.0), (10, 25.0)))
    assert exposure.above_unit_hours == pytest.approx(10 * 4.4 + 10 * 9.4, abs=1e-6)
    assert exposure.above_us == pytest.approx(20 * HOUR_US, abs=2)


def test_a_line_through_a_limit_is_cut_where_it_crosses() -> None:
    # From 20 to 24 C in four minutes: above 23 C for the last minute, with half a degree-minute; below 21 C for one.
    exposure = counted(Band(low=21, high=23), [0, 4 * MINUTE_US], [20, 24])
    assert (exposure.below_us, exposure.within_us, exposure.above_us) == (MINUTE_US, 2 * MINUTE_US, MINUTE_US)
    assert exposure.above_unit_hours == pytest.approx(0.5 / 60)
    assert exposure.below_unit_hours == pytest.approx(0.5 / 60)


def test_a_value_at_a_limit_is_within() -> None:
    times = [n * MINUTE_US for n in range(5)]
    at_both = [counted(Band(low=4.6, high=4.6), times, [4.6] * 5), counted(Band(high=4.6), times, [4.6] * 5)]
    assert [one.within_us for one in at_both] == [4 * MINUTE_US] * 2


def test_a_gap_is_unknown_and_is_not_bridged() -> None:
    times = [0, MINUTE_US, 2 * HOUR_US, 2 * HOUR_US + MINUTE_US]
    exposure = counted(Band(high=20), times, [25.0] * 4)
    assert exposure.above_us == exposure.known_us == 2 * MINUTE_US
    assert exposure.unknown_us == 2 * HOUR_US - MINUTE_US


def test_what_is_not_believed_is_unknown_once_it_lasts() -> None:
    times = [n * MINUTE_US for n in range(61)]
    believed = [not 10 < n < 50 for n in range(61)]
    exposure = counted(Band(high=20), times, [25.0] * 61, believed)
    assert exposure.unknown_us == 40 * MINUTE_US
    assert exposure.above_us == 20 * MINUTE_US
    one_missing = counted(Band(high=20), times, [25.0] * 61, [n != 30 for n in range(61)])
    assert one_missing.unknown_us == 0


def test_records_before_the_first_believed_reading_and_after_the_last_are_unknown() -> None:
    times = [n * MINUTE_US for n in range(30)]
    believed = [10 <= n < 20 for n in range(30)]
    exposure = counted(Band(high=20), times, [25.0] * 30, believed)
    assert (exposure.known_us, exposure.unknown_us) == (9 * MINUTE_US, 20 * MINUTE_US)


def test_a_step_of_the_wall_clock_changes_nothing() -> None:
    # Only watch time comes in; a record whose watch time stands still or goes back (another run) adds no time.
    exposure = counted(Band(high=20), [0, MINUTE_US, MINUTE_US, 2 * MINUTE_US], [25.0, 25.0, 26.0, 25.0])
    assert (exposure.known_us, exposure.above_us) == (2 * MINUTE_US, 2 * MINUTE_US)


courses = st.lists(
    st.tuples(st.integers(1, 600), st.integers(-50, 400).map(lambda n: n / 10), st.booleans()), min_size=1, max_size=60
)


@given(courses, st.lists(st.integers(1, 59), max_size=6))
def test_however_the_records_come_the_sums_are_the_same(steps: list[tuple[int, float, bool]], cuts: list[int]) -> None:
    times = np.cumsum([step * SECOND_US for step, _, _ in steps]).tolist()
    values, believed = [value for _, value, _ in steps], [good for _, _, good in steps]
    band, inside = Band(low=18, high=22.5), [cut for cut in cuts if cut < len(steps)]
    whole = counted(band, times, values, believed)
    assert counted(band, times, values, believed, inside) == whole
    assert whole.known_us + whole.unknown_us == times[-1] - times[0]
    assert min(whole.above_us, whole.below_us, whole.within_us) >= -len(steps)


@given(courses)
def test_the_figures_are_those_of_exact_fractions(steps: list[tuple[int, float, bool]]) -> None:
    times = np.cumsum([step * SECOND_US for step, _, _ in steps]).tolist()
    points = [(at, Fraction(round(value * 10), 10)) for at, (_, value, good) in zip(times, steps, strict=True) if good]
    limit, above, area = Fraction(45, 2), Fraction(0), Fraction(0)
    for (begin, first), (end, last) in pairwise(points):
        length, low, high = end - begin, min(first, last) - limit, max(first, last) - limit
        if length <= GAP_US and high > 0:
            part = Fraction(1) if low >= 0 else high / (high - low)
            above += part * length
            area += part * length * (high + max(low, Fraction(0))) / 2
    exposure = counted(Band(high=22.5), times, [value for _, value, _ in steps], [good for _, _, good in steps])
    assert exposure.above_us == pytest.approx(float(above), abs=len(steps))
    assert exposure.above_unit_hours == pytest.approx(float(area) / HOUR_US, abs=1e-6)


def test_parts_counted_apart_are_added() -> None:
    part = counted(Band(high=20), [0, MINUTE_US], [25.0, 25.0])
    assert total([part, part]).above_us == 2 * MINUTE_US
