"""Measure whether the pH of a batch has begun to fall, and whether it has stopped falling too early.

Law: as in `trend.py`: only believed medians of whole windows count, each at the record that closed it; a few numbers
are carried; a doubtful window neither raises nor clears. What cannot be told is NaN; where there can be no stall the
fall is infinite, which clears.

Biological hours count the warmth: an hour at 20 C is one, at T it is ((T + 3) / 23)^2, none below -3 C (the square root
model of growth; Ratkowsky and others, J. Bacteriol. 149 (1982) 1-5; its figures here come from a trial on simulated
vats). They go on while no pH is believed, by the newest temperature there was, for the vat goes on too.

A calibration forgets what was looked back on but not the level a fall is counted from: it moves pH by less than the
fall that is asked for, and to count anew would be a false alarm. Topping up moves that level, and the medians, by its
step: neither water nor vinegar is a ferment.

`fall-broke-off` compares the slope of the newest three hours with that of the six before, for a probe that foam, air or
a damp plug took from the brine ends a fall sharply, and a ferment that slows does so over many hours. A ferment whose
sugar ends looks the same, so it is a notice.

A fall that is lost again counts as none. Once pH was low enough there is no stall: if it rises again, `rise` and
`above-target` say so. `stall` takes the median of all slopes between 13 hourly medians (Theil and
Sen) and is paused while the vat's own temperature alarms would speak: one cause, one alarm.
"""

from collections.abc import Callable, Mapping
from math import inf, nan
from statistics import median

import numpy as np

from logger.config import STALL_WINDOWS, AlarmConfig, AlarmKind, VatConfig
from logger.measure.trend import level, settled_us, shift_for_topping_up, usable
from logger.measure.windows import WindowMedians
from logger.model import Belief, Carry, Trend
from logger.structs import replace
from logger.units import HOUR_US, SECOND_US

FIRST_US = 6 * HOUR_US
"""A level that was first seen so long after the start is not that of the start. Common practice, no source."""
ENOUGH = 9
"""Medians without which no fall is told. Common practice, no source."""
LATE, EARLY = 3, 6
"""Windows of the fall that is judged, and of the one before it. From a trial on simulated vats."""
ENOUGH_LATE, ENOUGH_EARLY = 3, 5
"""Medians without which neither is told. Common practice, no source."""
STEEP_PH_PER_H = 0.03
"""A fall that was no faster does not break off. From a trial on simulated vats."""
STILL_C = -3.0
"""Below it nothing goes on."""
UNKNOWN_C = 20.0
"""What is counted with as long as no temperature was believed."""

Band = tuple[float, float]


def follow(
    trend: Trend,
    judged: WindowMedians,
    warm: WindowMedians,
    alarm: AlarmConfig,
    *,
    carry: Carry,
    band_c: Band,
) -> tuple[Trend, WindowMedians]:
    """Return what is carried on, and what the alarm judges in place of each median of pH.

    `warm`: the medians of temperature of the same windows. `no-start`: biological hours since the start of the batch
    as long as the level has not fallen by `drop_ph`, then 0. `stall`: how fast the level falls, pH/h, once it has
    fallen by `drop_ph`, was never down to `above_ph`, and while the temperature is inside `band_c`.
    `fall-broke-off`: how fast it falls, in per cent of how fast it fell before.
    """
    length_us = round(alarm.window_s * SECOND_US)
    counts = usable(judged, length_us, carry)
    warmth = np.where(warm.belief == Belief.BELIEVED, warm.value, np.nan)
    values = np.full(len(judged), np.nan)
    for index in range(len(judged)):
        begin_us = int(judged.begin_us[index])
        trend = _count_hours(trend, float(warmth[index]), carry.batch.started_us, end_us=begin_us + length_us)
        if counts[index]:
            trend = _append_median(trend, begin_us, float(judged.value[index]), length_us=length_us)
            trend = shift_for_topping_up(trend, settled_us=settled_us(carry))
            trend, values[index] = MEASURES[alarm.kind](trend, alarm, carry, float(warmth[index]), band_c)
    return trend, replace(judged, value=values, u=np.full(len(judged), np.nan))


def band_c(vat: VatConfig) -> Band:
    """Return the temperatures (C) between which no alarm of the vat speaks of its temperature: one cause, one alarm."""
    low = [a.setpoint for a in vat.alarms if a.kind is AlarmKind.TEMPERATURE_LOW and a.setpoint is not None]
    high = [a.setpoint for a in vat.alarms if a.kind is AlarmKind.TEMPERATURE_HIGH and a.setpoint is not None]
    return max(low, default=-inf), min(high, default=inf)


def unwatched(vat: VatConfig, carry: Carry) -> str:
    """Say why the vat's alarms of kind `no-start` can tell nothing; empty: they can, or there are none."""
    names = [alarm.id for alarm in vat.alarms if alarm.kind is AlarmKind.NO_START]
    if not names:
        return ""
    consequence = f"{' and '.join(names)} {'watch' if len(names) > 1 else 'watches'} nothing"
    if carry.batch.started_us is None:
        return f"no start of a batch is known, so {consequence}: `vatvigil mark {vat.id} started`"
    trend = carry.windows.trends.get(names[0], Trend())
    late_us = carry.batch.started_us + FIRST_US + HOUR_US
    if trend.top is None and trend.counted_us is not None and trend.counted_us > late_us:
        return f"no pH was believed within {FIRST_US // HOUR_US} h of the start, so {consequence} in this batch"
    return ""


def reset_for_calibration(trends: Mapping[str, Trend]) -> dict[str, Trend]:
    """Return what a calibration leaves of what was looked back on; `arming.py` has no lowest, and stays armed."""
    return {
        name: replace(trend, medians=(), lowest=None, armed=trend.armed and trend.lowest is None, before=None)
        for name, trend in trends.items()
    }


def biological_hours(hours: float, temperature_c: float) -> float:
    """Return what these hours at this temperature (C) are worth, in hours at 20 C."""
    pace = (max(temperature_c, STILL_C) - STILL_C) / (20.0 - STILL_C)
    return hours * pace * pace


def _count_hours(trend: Trend, warm_c: float, started_us: int | None, *, end_us: int) -> Trend:
    """Count the time up to the end of a window, at its own temperature or else the newest there was."""
    if not np.isnan(warm_c):
        trend = replace(trend, temperature_c=warm_c)
    if started_us is None:
        return trend
    since_us = started_us if trend.counted_us is None else trend.counted_us
    if end_us <= since_us:
        return trend
    at_c = UNKNOWN_C if trend.temperature_c is None else trend.temperature_c
    more = biological_hours((end_us - since_us) / HOUR_US, at_c)
    return replace(trend, hours=trend.hours + more, counted_us=end_us)


def _append_median(trend: Trend, begin_us: int, value: float, *, length_us: int) -> Trend:
    kept = [each for each in trend.medians if each[0] >= begin_us - STALL_WINDOWS * length_us]
    return replace(trend, medians=(*kept, (begin_us, value)))


def _no_start(trend: Trend, alarm: AlarmConfig, carry: Carry, _: float, __: Band) -> tuple[Trend, float]:
    if carry.batch.started_us is None:
        return trend, nan
    begin_us, value = trend.medians[-1]
    if trend.top is None and carry.batch.started_us <= begin_us <= carry.batch.started_us + FIRST_US:
        trend = replace(trend, top=value)
    if trend.top is None:
        return trend, nan
    return trend, trend.hours if trend.top - level(trend) < alarm.drop_ph else 0.0


def _stall(trend: Trend, alarm: AlarmConfig, _: Carry, warm_c: float, band_c: Band) -> tuple[Trend, float]:
    now = level(trend)
    top = now if trend.top is None else max(trend.top, now)
    lowest = now if trend.lowest is None else min(trend.lowest, now)
    trend = replace(trend, top=top, lowest=lowest)
    if top - now < alarm.drop_ph or lowest <= alarm.above_ph:
        return trend, inf
    if len(trend.medians) < ENOUGH or not band_c[0] < warm_c < band_c[1]:
        return trend, nan
    return trend, -slope(trend.medians)


def _fall_broke_off(trend: Trend, alarm: AlarmConfig, _: Carry, warm_c: float, band_c: Band) -> tuple[Trend, float]:
    length_us = round(alarm.window_s * SECOND_US)
    turn_us = trend.medians[-1][0] - LATE * length_us
    late = tuple(each for each in trend.medians if each[0] >= turn_us)
    early = tuple(each for each in trend.medians if turn_us - EARLY * length_us <= each[0] <= turn_us)
    if len(late) < ENOUGH_LATE or len(early) < ENOUGH_EARLY or not band_c[0] < warm_c < band_c[1]:
        return trend, nan
    before = -slope(early)
    return trend, inf if before <= STEEP_PH_PER_H else 100.0 * max(-slope(late), 0.0) / before


MEASURES: Mapping[AlarmKind, Callable[[Trend, AlarmConfig, Carry, float, Band], tuple[Trend, float]]] = {
    AlarmKind.NO_START: _no_start,
    AlarmKind.STALL: _stall,
    AlarmKind.FALL_BROKE_OFF: _fall_broke_off,
}
"""The measure function of each kind that looks back over a batch: of the newest of `medians`, at its temperature."""


def slope(medians: tuple[tuple[int, float], ...]) -> float:
    """Return the median of the slopes between all pairs, pH/h (Theil, 1950; Sen, 1968): a few outliers move it not."""
    return median(
        (later - value) / ((then_us - at_us) / HOUR_US)
        for number, (at_us, value) in enumerate(medians)
        for then_us, later in medians[number + 1 :]
    )
