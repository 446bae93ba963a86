"""How fast pH changes and how far it rises. Figures are halves, quarters and the like, exact in binary."""

from dataclasses import replace

import numpy as np
import pytest

from logger.config import AlarmConfig, AlarmKind
from logger.measure.trend import follow
from logger.measure.windows import Belief, Judged
from logger.model import Trend

FAST = AlarmConfig(id="fast", kind=AlarmKind.RATE_OF_CHANGE, setpoint=0.5, window_s=600.0)
RISE = AlarmConfig(id="rise", kind=AlarmKind.RISE, setpoint=0.125, window_s=3600.0, armed_ph=4.5)
NAN = float("nan")


def judged(alarm: AlarmConfig, values: list[float], *, doubtful: tuple[int, ...] = (), first: int = 0) -> Judged:
    """Return one median a window; NaN is a window that was silent."""
    n = len(values)
    begin = (first + np.arange(n)) * round(alarm.window_s * 1e6)
    belief = np.where(np.isnan(values), int(Belief.SILENT), int(Belief.BELIEVED))
    belief[list(doubtful)] = Belief.DOUBTFUL
    end = begin + round(alarm.window_s * 1e6)
    none = np.zeros(n, dtype=np.int64)
    return Judged(
        row=np.arange(n),
        elapsed_us=end,
        begin_us=begin,
        value=np.array(values, dtype=np.float64),
        u=np.full(n, 0.05),
        belief=belief,
        count=none + 60,
        spoken=none,
    )


def followed(alarm: AlarmConfig, values: list[float], *, fresh_s: float = 0.0) -> list[float]:
    _, look = follow(Trend(), judged(alarm, values), alarm, fresh_us=round(fresh_s * 1e6))
    assert np.isnan(look.u).all()
    return look.value.tolist()


def same(expected: list[float], actual: list[float]) -> None:
    np.testing.assert_array_equal(np.array(actual), np.array(expected))


def test_a_rate_is_the_distance_from_three_windows_before_in_either_direction() -> None:
    same([NAN, NAN, NAN, 0.5, 1.0, 0.0], followed(FAST, [5.0, 5.0, 5.0, 4.75, 5.5, 5.0]))


def test_a_rate_needs_both_of_its_windows_and_no_more() -> None:
    same([NAN, NAN, NAN, 0.5, NAN, NAN], followed(FAST, [5.0, NAN, NAN, 4.75, 4.75, NAN]))


def test_no_rate_is_told_across_a_mark() -> None:
    same([NAN] * 4 + [0.0], followed(FAST, [5.0, 4.0, 4.0, 4.0, 4.0], fresh_s=700.0))


def test_a_rise_is_told_from_the_lowest_level_which_is_the_median_of_three_windows() -> None:
    # Levels: none, 4.375, 4.25, 4.25, 4.25, 4.5.
    same([NAN, 0.0, 0.0, 0.0, 0.0, 0.25], followed(RISE, [4.5, 4.25, 4.25, 5.0, 4.25, 4.5]))


def test_a_rise_before_the_ph_was_down_is_none() -> None:
    same([NAN, 0.0, 0.0, 0.0], followed(RISE, [5.0, 5.0, 5.5, 6.0]))


@pytest.mark.parametrize(("low", "armed"), [(4.5, True), (4.5625, False)])
def test_a_rise_is_armed_at_its_limit(low: float, *, armed: bool) -> None:
    assert followed(RISE, [low, low, 5.0, 5.0])[-1] == (5.0 - low if armed else 0.0)


def test_a_level_needs_two_windows_of_the_last_three() -> None:
    same([NAN, 0.0, NAN, 0.0, NAN, NAN], followed(RISE, [4.25, 4.25, NAN, 4.25, NAN, NAN]))
    same([NAN, NAN, NAN, NAN], followed(RISE, [4.25, NAN, NAN, 4.25]))


def test_a_doubtful_window_is_not_looked_at() -> None:
    _, look = follow(Trend(), judged(RISE, [4.25, 3.0, 4.25], doubtful=(1,)), RISE, fresh_us=0)
    same([NAN, NAN, 0.0], look.value.tolist())


@pytest.mark.parametrize("alarm", [FAST, RISE])
def test_what_is_carried_makes_no_difference(alarm: AlarmConfig) -> None:
    values = [5.0, 4.5, 4.25, NAN, 4.25, 4.5, 4.75, 4.75]
    trend, apart = Trend(), []
    for number, value in enumerate(values):
        trend, look = follow(trend, judged(alarm, [value], first=number), alarm, fresh_us=0)
        apart += look.value.tolist()
    same(followed(alarm, values), apart)


def test_what_is_carried_stays_small() -> None:
    for alarm in (FAST, replace(RISE, window_s=600.0)):
        trend, _ = follow(Trend(), judged(alarm, [4.5] * 500), alarm, fresh_us=0)
        assert len(trend.medians) <= 4
