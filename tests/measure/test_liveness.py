"""How many different values an instrument shows, and what is usual of it."""

import numpy as np
import pytest

from logger.measure import liveness
from logger.measure.liveness import Periods, VarietyCourse, count_values
from logger.measure.trust_windows import RawRows
from logger.model import Variety

POLL_S = 20.0
SPAN_US = liveness.period_us(300_000_000)
ROWS = round(SPAN_US / POLL_S / 1e6)
START_US = 7_000_000_000
"""UTC less watch time of the rows."""


def counted(values: list[float | None], *, first: int = 0, rows_us: int = 0, least: float = 45.0) -> Periods:
    """Return the periods that these values close, from a watch time on."""
    signal = np.array([np.nan if each is None else each for each in values])
    elapsed_us = rows_us + np.round(np.arange(len(values)) * POLL_S * 1e6).astype(np.int64)
    none = np.full(len(values), np.nan)
    rows = RawRows(
        first=first,
        at_us=START_US + elapsed_us,
        elapsed_us=elapsed_us,
        potential_mv=signal,
        temperature_c=none,
        apart_ph=none,
    )
    return count_values(rows, signal, length_us=SPAN_US, least=least)


def learnt(*usual: int, newest: tuple[int, ...] = ()) -> Variety:
    """Return what is carried after half a day of these counts."""
    return Variety(usual=usual * (liveness.LEARNT // len(usual)), newest=newest)


def after(state: Variety, *values: int, is_coarse: bool = False) -> Variety:
    """Return what is carried after periods of these counts."""
    return course(state, *values, is_coarse=is_coarse).after(len(values))


def course(state: Variety, *values: int, is_coarse: bool = False) -> VarietyCourse:
    """Return what is usual on the way through periods of these counts."""
    each = np.array(values, dtype=np.int64)
    periods = Periods(row=each, elapsed_us=each, at_us=each, values=each, net=each, digit=np.zeros(len(each)))
    return liveness.follow(
        state, periods, digit=0.0, is_coarse=is_coarse, coarse_from=0.5, resolution=0.5 if is_coarse else 0.0
    )


def test_a_period_is_half_an_hour_of_whole_windows() -> None:
    # Common practice, no source.
    assert [liveness.period_us(round(s * 1e6)) / 1e6 for s in (300.0, 900.0, 1500.0)] == [1800.0, 1800.0, 3000.0]


def test_a_period_tells_how_many_values_it_held_and_when_it_ended() -> None:
    values = [100.0, 100.1, 100.3] * (ROWS // 3)
    one = counted([*values, *values[:5]])
    assert (one.row.tolist(), one.values.tolist(), one.elapsed_us.tolist()) == ([ROWS], [3], [SPAN_US])
    assert one.at_us.tolist() == [START_US + SPAN_US]
    assert round(float(one.digit[0]), 6) == 0.1


def test_what_is_missing_is_no_value_and_a_period_that_misses_more_than_half_says_nothing() -> None:
    half, less = [1.0, None] * (ROWS // 2), [1.0, None, None] * (ROWS // 3)
    assert counted([*half, 1.0]).values.tolist() == [1]
    assert counted([*less, 1.0]).values.tolist() == []


def test_a_row_that_comes_after_a_gap_closes_the_period_at_its_end_and_not_at_the_row() -> None:
    rows = RawRows(
        first=0,
        at_us=np.array([*range(90), 10_000]) * 20_000_000,
        elapsed_us=np.array([*range(90), 10_000]) * 20_000_000,
        potential_mv=np.full(91, 1.0),
        temperature_c=np.full(91, 1.0),
        apart_ph=np.full(91, np.nan),
    )
    one = count_values(rows, rows.potential_mv, length_us=SPAN_US, least=45.0)
    assert (one.row.tolist(), one.elapsed_us.tolist(), one.at_us.tolist()) == ([90], [SPAN_US], [SPAN_US])


def test_a_falling_vat_shows_many_values_and_few_net_of_its_course() -> None:
    # 0.2 mV a reading on a display of 1 mV, without noise: 18 different values, of which the fall makes all.
    falling = [float(round(100.0 - 0.2 * at)) for at in range(ROWS)]
    one = counted([*falling, 0.0])
    assert (int(one.values[0]), int(one.net[0]) <= 2) == (19, True)


def test_noise_stays_net_of_the_course() -> None:
    rng = np.random.default_rng(2)
    noisy = [float(round(100.0 - 0.2 * at + rng.normal(0, 2.0))) for at in range(ROWS)]
    assert int(counted([*noisy, 0.0]).net[0]) >= 7


def test_nothing_is_poor_before_half_a_day_is_learnt() -> None:
    young = Variety(usual=(9,) * (liveness.LEARNT - 1))
    assert not liveness.is_poor(young, 1)
    assert liveness.is_poor(after(young, 9), 1)


def test_two_values_are_poor_where_five_are_usual_and_one_where_three_are() -> None:
    # A trial on simulated vats, no source.
    assert [liveness.is_poor(learnt(5), few) for few in (1, 2, 3)] == [True, True, False]
    assert [liveness.is_poor(learnt(3), few) for few in (1, 2, 3)] == [True, False, False]
    assert [liveness.is_poor(learnt(2), few) for few in (1, 2, 3)] == [False, False, False]


def test_usual_is_what_three_of_four_periods_hold() -> None:
    quiet, busy = (2,), (9,)
    assert liveness.is_poor(Variety(usual=6 * quiet + 18 * busy), 1)
    assert not liveness.is_poor(Variety(usual=7 * quiet + 17 * busy), 1)


def test_an_hour_and_a_half_of_poor_periods_is_frozen_and_an_hour_of_others_is_alive() -> None:
    # A trial on simulated vats, no source.
    values = (6, 1, 1, 1, 6, 6)
    way = course(learnt(6), *values)
    after_each = [(way.is_frozen(at), liveness.is_alive(way.after(at))) for at in range(1, len(values) + 1)]
    assert after_each == [(False, True), (False, False), (False, False), (True, False), (False, False), (False, True)]


def test_what_is_too_poor_to_be_alive_is_never_learnt_as_usual() -> None:
    way = course(learnt(6), *([1] * 200))
    assert way.is_frozen(200)
    assert set(way.after(200).usual) == {6}


@pytest.mark.parametrize("cut", range(6))
def test_what_is_usual_does_not_depend_on_where_the_periods_are_cut(cut: int) -> None:
    values = np.random.default_rng(cut).integers(1, 9, 120).tolist()
    assert after(after(learnt(6), *values[: 20 * cut]), *values[20 * cut :]) == after(learnt(6), *values)


@pytest.mark.parametrize(("is_coarse", "learnt_periods"), [(False, 0), (True, liveness.DAY)])
def test_what_is_frozen_from_the_first_hour_on_is_learnt_on_a_coarse_display_only(
    learnt_periods: int, *, is_coarse: bool
) -> None:
    # One probe cannot see it here; the fixed test of a flat line (quality.py) does until enough is learnt.
    way = course(Variety(), *([1] * 100), is_coarse=is_coarse)
    assert not way.is_frozen(100)
    assert (len(way.after(100).usual), len(way.after(100).newest)) == (learnt_periods, liveness.NEWEST)
