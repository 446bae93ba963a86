"""How fast pH changes and how far it rises. Figures are halves, quarters and the like, exact in binary."""

from math import inf

import numpy as np
import pytest

from logger.config import AlarmConfig, AlarmKind, VatConfig
from logger.measure.batch import reset_for_calibration
from logger.measure.trend import DAY, after_stirring, after_topping_up, follow, rise_ph
from logger.measure.windows import WindowMedians
from logger.model import Carry, SuppressionState, Trend, WindowState
from logger.structs import replace
from tests.measure.closed_windows import closed

FAST = AlarmConfig(id="fast", kind=AlarmKind.RATE_OF_CHANGE, setpoint=0.5, window_s=600.0)
RISE = AlarmConfig(id="rise", kind=AlarmKind.RISE, setpoint=0.125, window_s=3600.0, armed_ph=4.5)
EARLY = AlarmConfig(id="early", kind=AlarmKind.EARLY_RISE, setpoint=0.125, window_s=3600.0)
NAN = float("nan")
CARRY = Carry(probe="p")


def judged(alarm: AlarmConfig, values: list[float], *, doubtful: tuple[int, ...] = (), first: int = 0) -> WindowMedians:
    """Return one median a window of the alarm; NaN is a window that was silent."""
    return closed(values, window_s=alarm.window_s, first=first, doubtful=doubtful)


def followed(alarm: AlarmConfig, values: list[float], *, fresh_s: float = 0.0) -> list[float]:
    carry = Carry(probe="p", windows=WindowState(fresh_us=round(fresh_s * 1e6)))
    _, look = follow(Trend(), judged(alarm, values), alarm, carry=carry)
    assert np.isnan(look.u).all()
    return list(look.value.tolist())


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
    _, look = follow(Trend(), judged(RISE, [4.25, 3.0, 4.25], doubtful=(1,)), RISE, carry=CARRY)
    same([NAN, NAN, 0.0], look.value.tolist())


def unsettled(alarm: AlarmConfig, values: list[float], *, from_s: float, until_s: float, litres: bool) -> list[float]:
    """Follow medians through a time in which the vat is unsettled, by topping up or by stirring."""
    length_s = alarm.window_s
    trend, look = Trend(), list[float]()
    before, after = values[: int(from_s // length_s)], values[int(from_s // length_s) :]
    trend, seen = follow(trend, judged(alarm, before), alarm, carry=CARRY)
    look += seen.value.tolist()
    trend = after_topping_up({"": trend})[""] if litres else trend
    work = SuppressionState(unsettled_us=(round(from_s * 1e6), round(until_s * 1e6)))
    carry = replace(CARRY, suppression=work)
    _, seen = follow(trend, judged(alarm, after, first=len(before)), alarm, carry=carry)
    return [*look, *seen.value.tolist()]


def test_no_window_of_an_unsettled_vat_counts_and_no_rate_is_told_across_it() -> None:
    values = [5.0, 5.0, 5.0, 5.0, 7.0, 7.0, 5.5, 5.5, 5.5, 5.25]
    seen = unsettled(FAST, values, from_s=2500.0, until_s=3500.0, litres=False)
    same([NAN, NAN, NAN, 0.0, NAN, NAN, NAN, NAN, NAN, 0.5], seen)


def test_topping_up_moves_the_lowest_by_the_step_it_made_so_that_a_rise_from_before_it_is_not_forgotten() -> None:
    values = [4.0, 4.0, 4.0, 4.0625, 4.0625, 4.25, 4.25, 4.3125, 4.3125, 4.375, 4.375, 4.375]
    seen = unsettled(RISE, values, from_s=5 * 3600.0, until_s=7 * 3600.0, litres=True)
    # Levels after it: 4.3125, 4.3125, then 4.375: 0.25 above the one before it, of which 0.0625 were there already.
    same([NAN, 0.0, 0.0, 0.0, 0.0625, NAN, NAN, NAN, 0.0625, 0.0625, 0.125, 0.125], seen)


def test_stirring_moves_nothing_what_stays_is_the_vat_s_own() -> None:
    values = [4.0, 4.0, 4.0, 4.0, 4.0, 9.0, 9.0, 4.25, 4.25]
    seen = unsettled(RISE, values, from_s=5 * 3600.0, until_s=7 * 3600.0, litres=False)
    same([NAN, 0.0, 0.0, 0.0, 0.0, NAN, NAN, NAN, 0.25], seen)


def test_a_lowest_that_was_moved_above_the_limit_stays_armed() -> None:
    values = [4.5, 4.5, 4.5, 9.0, 9.0, 4.75, 4.75, 5.0, 5.0]
    seen = unsettled(RISE, values, from_s=3 * 3600.0, until_s=5 * 3600.0, litres=True)
    same([NAN, 0.0, 0.0, NAN, NAN, NAN, 0.0, 0.0, 0.25], seen)


def test_topping_up_twice_before_the_step_is_known_is_one_step() -> None:
    trend, _ = follow(Trend(), judged(RISE, [4.0, 4.0, 4.0]), RISE, carry=CARRY)
    once = after_topping_up({"rise": trend})
    assert after_topping_up(once) == once
    assert after_topping_up({"rise": Trend()}) == {"rise": Trend()}


@pytest.mark.parametrize("alarm", [FAST, RISE, EARLY])
def test_what_is_carried_makes_no_difference(alarm: AlarmConfig) -> None:
    values = [5.0, 4.5, 4.25, NAN, 4.25, 4.5, 4.75, 4.75]
    trend, apart = Trend(), []
    for number, value in enumerate(values):
        trend, look = follow(trend, judged(alarm, [value], first=number), alarm, carry=CARRY)
        apart += look.value.tolist()
    same(followed(alarm, values), apart)


def test_what_is_carried_stays_small() -> None:
    for alarm in (FAST, replace(RISE, window_s=600.0)):
        trend, _ = follow(Trend(), judged(alarm, [4.5] * 500), alarm, carry=CARRY)
        assert len(trend.medians) <= 4
    trend, _ = follow(Trend(), judged(EARLY, [5.0] * 500), EARLY, carry=CARRY)
    assert len(trend.medians) == DAY + 1


def test_an_early_rise_needs_no_arming_and_is_told_from_the_lowest_hour_of_the_last_day() -> None:
    same([NAN, 0.0, 0.25, 0.0, 0.5], followed(EARLY, [5.5, 5.25, 5.5, 5.0, 5.5]))
    told = followed(EARLY, [5.0, *[5.25] * DAY, 5.25])
    same([0.25, 0.0], told[-2:])  # what was a day ago counts, what was before does not


def test_a_rise_from_where_the_vat_s_own_rise_is_armed_is_not_told_twice() -> None:
    values = [5.0, 4.5, 4.5, 4.75, 4.75]
    _, look = follow(Trend(), judged(EARLY, values), EARLY, carry=CARRY, rise_ph=4.5)
    same([NAN, 0.0, 0.0, 0.0, 0.0], look.value.tolist())
    same([NAN, 0.0, 0.0, 0.25, 0.25], followed(EARLY, values))
    _, armed = follow(Trend(), judged(RISE, values), RISE, carry=CARRY)
    same([NAN, 0.0, 0.0, 0.0, 0.25], armed.value.tolist())


def test_after_a_calibration_it_is_told_anew_as_the_rise_is() -> None:
    trend, _ = follow(Trend(), judged(EARLY, [4.5, 4.5]), EARLY, carry=CARRY, rise_ph=4.5)
    trend = reset_for_calibration({"": trend})[""]
    _, look = follow(trend, judged(EARLY, [4.75, 4.75, 5.0], first=2), EARLY, carry=CARRY, rise_ph=4.5)
    same([NAN, 0.0, 0.25], look.value.tolist())


def test_the_vat_s_own_alarms_say_where_a_rise_is_armed() -> None:
    vat = VatConfig(id="v", name="V", probe="p", alarms=(EARLY, RISE, replace(RISE, id="r", armed_ph=4.25)))
    assert rise_ph(vat) == 4.5
    assert rise_ph(replace(vat, alarms=(EARLY,))) == -inf
    assert rise_ph(replace(vat, alarms=(replace(RISE, armed_ph=None),))) == inf


def test_stirring_lets_an_early_rise_begin_anew_and_topping_up_moves_what_was_before_it_by_its_step() -> None:
    vat = VatConfig(id="v", name="V", probe="p", alarms=(EARLY, RISE))
    trend, _ = follow(Trend(), judged(EARLY, [5.0, 5.0, 5.125]), EARLY, carry=CARRY)
    kept = after_stirring({"early": trend, "rise": trend}, vat)
    assert (kept["early"].medians, kept["rise"]) == ((), trend)
    values = [5.0, 5.0, 5.0, 5.0625, 5.0625, 9.0, 9.0, 5.5, 5.5625]
    seen = unsettled(EARLY, values, from_s=5 * 3600.0, until_s=7 * 3600.0, litres=True)
    same([NAN, 0.0, 0.0, 0.0625, 0.0625, NAN, NAN, 0.0625, 0.125], seen)  # 0.0625 were there before
