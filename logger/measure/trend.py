"""What becomes of the pH over several windows: how fast it changes, and how far it has risen from its lowest.

Law: only believed medians of whole windows count, each at the record that closed it; what is looked back on is carried,
a few numbers, so nothing depends on where blocks were cut. A calibration begins it anew: another scale. What cannot be
told is NaN, which neither raises nor clears.

While a vat is unsettled (stirred, topped up) no window counts that overlaps that time, and no rate is told across it.
Topping up moves the lowest by the step between the last level before it and the first whole one after it: so it hides
at most what rose meanwhile, and a rise from before it is not forgotten. Stirring moves nothing: what stays is the
vat's own.
"""

from collections.abc import Mapping
from dataclasses import replace
from statistics import median

import numpy as np
from numpy.typing import NDArray

from logger.config import AlarmConfig, AlarmKind
from logger.measure.windows import WindowMedians
from logger.model import Belief, Carry, Trend
from logger.units import HOUR_US, SECOND_US

SPAN = 3
"""Windows that a change is measured over, and that a level is the median of: 30 min and 3 h by default. [CP]"""
ENOUGH = 2
"""Medians without which there is no level."""


def follow(trend: Trend, judged: WindowMedians, alarm: AlarmConfig, *, carry: Carry) -> tuple[Trend, WindowMedians]:
    """Return what is carried on, and what the alarm judges in place of each median.

    `rate-of-change`: the distance from the median three windows before, pH/h, without its sign; none across
    `fresh_us` (the probe is back). `rise`: the level's distance from its lowest, pH; 0 until that came down to
    `armed_ph`.
    """
    length_us = round(alarm.window_s * SECOND_US)
    settled_us = carry.suppression.unsettled_us[1] if carry.suppression.unsettled_us else 0
    found = np.full(len(judged), np.nan)
    for index in np.flatnonzero(usable(judged, length_us, carry)).tolist():
        begin_us, value = int(judged.begin_us[index]), float(judged.value[index])
        after_us = settled_us if begin_us >= settled_us else 0
        if alarm.kind is AlarmKind.RATE_OF_CHANGE:
            since_us = max(begin_us - SPAN * length_us, carry.windows.fresh_us - length_us + 1, after_us)
            trend = _taken(trend, begin_us, value, since_us=since_us)
            found[index] = _rate(trend, length_us)
        else:
            trend = _taken(trend, begin_us, value, since_us=max(begin_us - (SPAN - 1) * length_us, after_us))
            trend, found[index] = _risen(trend, alarm.armed_ph, is_after=begin_us >= settled_us)
    return trend, replace(judged, value=found, u=np.full(len(judged), np.nan))


def usable(judged: WindowMedians, length_us: int, carry: Carry) -> NDArray[np.bool_]:
    """Tell which windows are believed and overlap no time in which the vat was unsettled."""
    from_us, settled_us = carry.suppression.unsettled_us or (0, 0)
    settled = (judged.begin_us + length_us <= from_us) | (judged.begin_us >= settled_us)
    return np.asarray(settled & (judged.belief == Belief.BELIEVED) & ~np.isnan(judged.value))


def topped_up(trends: Mapping[str, Trend]) -> dict[str, Trend]:
    """Remember the levels before the vat was topped up; those of a topping up that is not over yet stay."""
    return {
        name: replace(trend, before=level(trend)) if trend.medians and trend.before is None else trend
        for name, trend in trends.items()
    }


def level(trend: Trend) -> float:
    """Return where the pH is: the median of the newest windows."""
    return median(value for _, value in trend.medians[-SPAN:])


def _taken(trend: Trend, begin_us: int, value: float, *, since_us: int) -> Trend:
    kept = [each for each in trend.medians if each[0] >= since_us]
    return replace(trend, medians=(*kept, (begin_us, value)))


def _rate(trend: Trend, length_us: int) -> float:
    (then_us, then), (now_us, now) = trend.medians[0], trend.medians[-1]
    passed_us = now_us - then_us
    return abs(now - then) / (passed_us / HOUR_US) if passed_us == SPAN * length_us else float("nan")


def _risen(trend: Trend, armed_ph: float, *, is_after: bool) -> tuple[Trend, float]:
    if len(trend.medians) < ENOUGH:
        return trend, float("nan")
    now = level(trend)
    if is_after and trend.before is not None:
        step = now - trend.before
        trend = replace(trend, lowest=None if trend.lowest is None else trend.lowest + step, before=None)
    lowest = now if trend.lowest is None else min(trend.lowest, now)
    armed = trend.armed or lowest <= armed_ph
    return replace(trend, lowest=lowest, armed=armed), now - lowest if armed else 0.0
