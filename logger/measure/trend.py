"""Measure over several windows how fast the pH changes, and how far it has risen from its lowest.

Law: only believed medians of whole windows count, each at the record that closed it; what is looked back on is carried,
a few numbers, so nothing depends on where blocks were cut. A calibration begins it anew: another scale. What cannot be
told is NaN, which neither raises nor clears.

While a vat is unsettled (stirred, topped up) no window counts that overlaps that time, and no rate is told across it.
Topping up moves the lowest by the step between the last level before it and the first whole one after it: so it hides
at most what rose meanwhile, and a rise from before it is not forgotten. Stirring moves nothing: what stays is the
vat's own.

A mark forgets the rate but not the lowest, or a check every two days would hide a slow rise. `rise` and `early-rise`
take hourly windows: what is carried stays small.

`early-rise` needs no arming: before acidity is reached pH does not rise for hours without a cause. It looks back over
one day alone, begins anew when the vat is stirred, and is over once pH has been down to where the vat's `rise` is
armed, for from there on that one speaks: one cause, one alarm. A vat without `rise` is watched by it at any pH.
"""

from collections.abc import Callable, Mapping
from math import inf
from statistics import median

import numpy as np
from numpy.typing import NDArray

from logger.config import AlarmConfig, AlarmKind, VatConfig
from logger.measure.windows import WindowMedians
from logger.model import Belief, Carry, Trend
from logger.structs import replace
from logger.units import HOUR_US, SECOND_US

SPAN = 3
"""Windows that a change is measured over, and that a level is the median of: 30 min and 3 h by default.

Common practice, no source.
"""
ENOUGH = 2
"""Medians without which there is no level."""
DAY = 24
"""Windows that `early-rise` looks back over: a day by default. From a trial on simulated vats."""


def follow(
    trend: Trend, judged: WindowMedians, alarm: AlarmConfig, *, carry: Carry, rise_ph: float = -inf
) -> tuple[Trend, WindowMedians]:
    """Return what is carried on, and what the alarm judges in place of each median.

    `rate-of-change`: the distance from the median three windows before, pH/h, without its sign; none across
    `fresh_us` (the probe is back). `rise`: the level's distance from its lowest, pH; 0 until that came down to
    `armed_ph`. `early-rise`: the distance from the lowest of the last day, pH; 0 once the level has been down to
    `rise_ph`.
    """
    length_us = round(alarm.window_s * SECOND_US)
    values = np.full(len(judged), np.nan)
    for index in np.flatnonzero(usable(judged, length_us, carry)).tolist():
        newest = (int(judged.begin_us[index]), float(judged.value[index]))
        trend = replace(trend, medians=(*trend.medians, newest))
        trend, values[index] = MEASURES[alarm.kind](trend, alarm, carry, rise_ph)
    return trend, replace(judged, value=values, u=np.full(len(judged), np.nan))


def usable(judged: WindowMedians, length_us: int, carry: Carry) -> NDArray[np.bool_]:
    """Tell which windows are believed and overlap no time in which the vat was unsettled."""
    from_us, settled_us = carry.suppression.unsettled_us or (0, 0)
    settled = (judged.begin_us + length_us <= from_us) | (judged.begin_us >= settled_us)
    return np.asarray(settled & (judged.belief == Belief.BELIEVED) & ~np.isnan(judged.value))


def after_topping_up(trends: Mapping[str, Trend]) -> dict[str, Trend]:
    """Remember the levels before the vat was topped up; those of a topping up that is not over yet stay."""
    return {
        name: replace(trend, before=level(trend)) if trend.medians and trend.before is None else trend
        for name, trend in trends.items()
    }


def after_stirring(trends: Mapping[str, Trend], vat: VatConfig) -> dict[str, Trend]:
    """Let `early-rise` begin anew: what lay in layers is mixed now."""
    early = {alarm.id for alarm in vat.alarms if alarm.kind is AlarmKind.EARLY_RISE}
    return {name: replace(trend, medians=(), before=None) if name in early else trend for name, trend in trends.items()}


def shift_for_topping_up(trend: Trend, *, settled_us: int) -> Trend:
    """Take the step that topping up made out of what was before it, at the first whole window after it."""
    begin_us, value = trend.medians[-1]
    if trend.before is None or begin_us < settled_us:
        return trend
    step = value - trend.before
    moved = [(at_us, old + step) for at_us, old in trend.medians[:-1]]
    top = None if trend.top is None else trend.top + step
    return replace(trend, medians=(*moved, trend.medians[-1]), top=top, before=None)


def rise_ph(vat: VatConfig) -> float:
    """Return the pH from which on the vat's `rise` watches it; without one there is none."""
    armed = [alarm.armed_ph for alarm in vat.alarms if alarm.kind is AlarmKind.RISE]
    return max((inf if ph is None else ph for ph in armed), default=-inf)


def level(trend: Trend) -> float:
    """Return where the pH is: the median of the newest windows."""
    return median(value for _, value in trend.medians[-SPAN:])


def settled_us(carry: Carry) -> int:
    """Return the watch time at which the vat had settled, or will have."""
    return carry.suppression.unsettled_us[1] if carry.suppression.unsettled_us else 0


def _since(trend: Trend, carry: Carry, since_us: int) -> Trend:
    """Keep, beside the newest, the medians of windows since a time and, once the vat has settled, since then."""
    *before, newest = trend.medians
    if newest[0] >= settled_us(carry):
        since_us = max(since_us, settled_us(carry))
    return replace(trend, medians=(*(each for each in before if each[0] >= since_us), newest))


def _rate_of_change(trend: Trend, alarm: AlarmConfig, carry: Carry, _: float) -> tuple[Trend, float]:
    length_us = round(alarm.window_s * SECOND_US)
    now_us, now = trend.medians[-1]
    trend = _since(trend, carry, max(now_us - SPAN * length_us, carry.windows.fresh_us - length_us + 1))
    then_us, then = trend.medians[0]
    passed_us = now_us - then_us
    return trend, abs(now - then) / (passed_us / HOUR_US) if passed_us == SPAN * length_us else float("nan")


def _rise(trend: Trend, alarm: AlarmConfig, carry: Carry, _: float) -> tuple[Trend, float]:
    now_us = trend.medians[-1][0]
    trend = _since(trend, carry, now_us - (SPAN - 1) * round(alarm.window_s * SECOND_US))
    if len(trend.medians) < ENOUGH:
        return trend, float("nan")
    now = level(trend)
    if now_us >= settled_us(carry) and trend.before is not None:
        step = now - trend.before
        trend = replace(trend, lowest=None if trend.lowest is None else trend.lowest + step, before=None)
    lowest = now if trend.lowest is None else min(trend.lowest, now)
    armed = trend.armed or alarm.armed_ph is None or lowest <= alarm.armed_ph
    return replace(trend, lowest=lowest, armed=armed), now - lowest if armed else 0.0


def _early_rise(trend: Trend, alarm: AlarmConfig, carry: Carry, rise_ph: float) -> tuple[Trend, float]:
    now_us, now = trend.medians[-1]
    since_us = now_us - DAY * round(alarm.window_s * SECOND_US)
    trend = replace(trend, medians=tuple(each for each in trend.medians if each[0] >= since_us))
    trend = shift_for_topping_up(trend, settled_us=settled_us(carry))
    if len(trend.medians) < ENOUGH:
        return trend, float("nan")
    reached = level(trend) if trend.lowest is None else min(trend.lowest, level(trend))
    rise = now - min(value for _, value in trend.medians)
    return replace(trend, lowest=reached), 0.0 if reached <= rise_ph else rise


MEASURES: Mapping[AlarmKind, Callable[[Trend, AlarmConfig, Carry, float], tuple[Trend, float]]] = {
    AlarmKind.RATE_OF_CHANGE: _rate_of_change,
    AlarmKind.RISE: _rise,
    AlarmKind.EARLY_RISE: _early_rise,
}
"""The measure function of each kind that looks back over a trend; the newest of `medians` is the one to be judged."""
