"""Forecast a vat's target at each window that closes, and judge the alarm on a deadline that will likely be missed.

Law: pure. Believed windows alone, while the probe is trusted and the vat settled. Without a target or the start of a
batch there is no forecast. The alarm judges what was forecast last: silence neither raises nor clears it; it is over
once the target is reached or the deadline past, for then another alarm speaks.

The deadline is the latest of the vat's: an earlier one is a word of warning, the latest is what the batch is held to.
"""

import numpy as np

from logger.alarm.conditions import threshold_codes
from logger.alarm.evaluate import Series, of_each_record
from logger.config import AlarmConfig, AlarmKind, Signal, VatConfig
from logger.measure import forecast, trend
from logger.measure.forecast import ForecastWindow, Goal
from logger.measure.windows import LOST
from logger.model import BatchOutlook, Belief, Carry, ForecastState, Foresight, Measurements
from logger.model.elementwise import held
from logger.structs import Struct
from logger.units import HOUR_US
from logger.watch.signals import Signals


class ForecastCourse(Struct, frozen=True, kw_only=True):
    """What was forecast over a stretch of records."""

    state: ForecastState
    """At its end."""
    outlooks: tuple[tuple[int, BatchOutlook | None], ...]
    """Each from its row on."""


def due_h(vat: VatConfig) -> float | None:
    """Return the hours after the start of a batch to which it is held; None: there is no deadline."""
    hours = [alarm.setpoint for alarm in vat.alarms if alarm.kind is AlarmKind.DEADLINE and alarm.setpoint is not None]
    return max(hours, default=None)


def follow(vat: VatConfig, carry: Carry, signals: Signals, rows: Measurements) -> ForecastCourse:
    """Return what is forecast at the windows that these rows close."""
    goal = _goal(vat, carry)
    if goal is None:
        state = ForecastState(ended=carry.forecast.ended, limit_ph=carry.forecast.limit_ph)
        return ForecastCourse(state=state, outlooks=((0, None),))
    state = forecast.drop_before(forecast.begin(carry.forecast, goal), _fresh_us(carry))
    outlooks = [(0, state.outlook)]
    for row, window in _windows(carry, signals, rows):
        state = forecast.follow(state, window, goal)
        outlooks.append((row, state.outlook))
    return ForecastCourse(state=state, outlooks=tuple(outlooks))


def _goal(vat: VatConfig, carry: Carry) -> Goal | None:
    started_us = carry.batch.started_us
    if vat.target is None or started_us is None:
        return None
    hours = due_h(vat)
    due_us = None if hours is None else started_us + round(hours * HOUR_US)
    return Goal(limit_ph=vat.target.ph, started_us=started_us, due_us=due_us)


def _fresh_us(carry: Carry) -> int:
    """Return from when on windows lie on one line: a mark, a calibration, stirring or topping up begins it anew."""
    return max(carry.windows.fresh_us, trend.settled_us(carry))


def _windows(carry: Carry, signals: Signals, rows: Measurements) -> list[tuple[int, ForecastWindow]]:
    """Return the windows that close, each with its row."""
    judged, warm = (signals.at(signal, forecast.WINDOW_S) for signal in (Signal.PH, Signal.TEMPERATURE))
    if not len(judged):
        return []
    counts = trend.usable(judged, forecast.WINDOW_US, carry) & ((judged.spoken & LOST) == 0)
    counts &= judged.begin_us >= _fresh_us(carry)
    ph = np.where(counts, judged.value, np.nan).tolist()
    warmth = np.where(warm.belief == Belief.BELIEVED, warm.value, np.nan).tolist()
    return [
        (
            row,
            ForecastWindow(
                begin_us=int(judged.begin_us[index]),
                at_us=int(rows.at_us[row]),
                elapsed_us=int(rows.elapsed_us[row]),
                ph=ph[index],
                u=float(judged.u[index]),
                temperature_c=warmth[index],
            ),
        )
        for index, row in enumerate(judged.row.tolist())
    ]


def series(alarm: AlarmConfig, course: ForecastCourse, rows: Measurements) -> Series:
    """Return what the alarm judges, record by record: per cent, as forecast last."""
    value = held(rows.elapsed_us, ((row, _per_cent(outlook)) for row, outlook in course.outlooks), np.nan)
    silent = held(rows.elapsed_us, ((row, _is_silent(outlook)) for row, outlook in course.outlooks), False)
    return of_each_record(rows, value, threshold_codes(alarm, value, doubtful=False, silent=silent))


def _per_cent(outlook: BatchOutlook | None) -> float:
    return 0.0 if outlook is None or outlook.missed is None else 100.0 * outlook.missed


def _is_silent(outlook: BatchOutlook | None) -> bool:
    return outlook is not None and outlook.foresight is Foresight.SILENT
