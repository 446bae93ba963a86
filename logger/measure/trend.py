"""What becomes of the pH over several windows: how fast it changes, and how far it has risen from its lowest.

Law: only believed medians of whole windows count, each at the record that closed it; what is looked back on is carried,
a few numbers, so nothing depends on where blocks were cut. A calibration begins it anew: another scale. What cannot be
told is NaN, which neither raises nor clears.
"""

from dataclasses import replace
from statistics import median

import numpy as np

from logger.config import AlarmConfig, AlarmKind
from logger.measure.windows import Belief, Judged
from logger.model import Trend

SECOND_US = 1_000_000
HOUR_US = 3_600 * SECOND_US
SPAN = 3
"""Windows that a change is measured over, and that a level is the median of: 30 min and 3 h by default. [CP]"""
ENOUGH = 2
"""Medians without which there is no level."""


def follow(trend: Trend, judged: Judged, alarm: AlarmConfig, *, fresh_us: int) -> tuple[Trend, Judged]:
    """Return what is carried on, and what the alarm judges in place of each median.

    `rate-of-change`: the distance from the median three windows before, pH/h, without its sign; none across
    `fresh_us` (a mark). `rise`: the level's distance from its lowest, pH; 0 until that came down to `armed_ph`.
    """
    length_us = round(alarm.window_s * SECOND_US)
    found = np.full(len(judged), np.nan)
    for index in np.flatnonzero((judged.belief == Belief.BELIEVED) & ~np.isnan(judged.value)).tolist():
        begin_us, value = int(judged.begin_us[index]), float(judged.value[index])
        if alarm.kind is AlarmKind.RATE_OF_CHANGE:
            since_us = max(begin_us - SPAN * length_us, fresh_us - length_us + 1)
            trend = _taken(trend, begin_us, value, since_us=since_us)
            found[index] = _rate(trend, length_us)
        else:
            trend = _taken(trend, begin_us, value, since_us=begin_us - (SPAN - 1) * length_us)
            trend, found[index] = _risen(trend, alarm.armed_ph)
    return trend, replace(judged, value=found, u=np.full(len(judged), np.nan))


def _taken(trend: Trend, begin_us: int, value: float, *, since_us: int) -> Trend:
    kept = [each for each in trend.medians if each[0] >= since_us]
    return replace(trend, medians=(*kept, (begin_us, value)))


def _rate(trend: Trend, length_us: int) -> float:
    (then_us, then), (now_us, now) = trend.medians[0], trend.medians[-1]
    passed_us = now_us - then_us
    return abs(now - then) / (passed_us / HOUR_US) if passed_us == SPAN * length_us else float("nan")


def _risen(trend: Trend, armed_ph: float) -> tuple[Trend, float]:
    if len(trend.medians) < ENOUGH:
        return trend, float("nan")
    level = median(value for _, value in trend.medians)
    lowest = level if trend.lowest is None else min(trend.lowest, level)
    return replace(trend, lowest=lowest), level - lowest if lowest <= armed_ph else 0.0
