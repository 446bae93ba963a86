"""Forecast as the watch does, window by window, and learn the ratios that it multiplies by."""

from collections.abc import Iterator

import numpy as np

from logger.measure import forecast
from logger.measure.batch import biological_hours
from logger.measure.forecast import ForecastWindow, Goal, line_through
from logger.measure.forecast_ratios import Ratios
from logger.model import BatchOutlook, ForecastState, Foresight
from logger.structs import replace
from logger.units import HOUR_US
from simulator.vat import Floats
from tests.bench.forecast_rivals import Interval
from tests.bench.forecast_sets import TARGET_PH, ForecastSet, Watched, watched

WAYS = (0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.75, 0.9)


def states(
    vat: Watched, last: int, *, limit_ph: float = TARGET_PH, due_h: float | None = None
) -> Iterator[ForecastState]:
    """Yield the state after each window up to one."""
    goal = Goal(limit_ph=limit_ph, started_us=0, due_us=None if due_h is None else round(due_h * HOUR_US))
    state = forecast.begin(ForecastState(), goal)
    for row in range(last + 1):
        state = forecast.follow(state, window_of(vat, row), goal)
        yield state


def window_of(vat: Watched, row: int) -> ForecastWindow:
    """Return a window as the watch closes it; its values are those at its end."""
    end_us = (row + 1) * forecast.WINDOW_US
    return ForecastWindow(
        begin_us=end_us - forecast.WINDOW_US,
        at_us=end_us,
        elapsed_us=end_us,
        ph=float(vat.ph[row]),
        u=float(vat.u[row]),
        temperature_c=float(vat.temperature_c[row]),
    )


def hours_of(outlook: BatchOutlook | None) -> Interval | None:
    """Return what was told, in hours from then."""
    if outlook is None or outlook.foresight is not Foresight.TOLD:
        return None
    ends = (outlook.low_us, outlook.middle_us, outlook.high_us)
    low, middle, high = ((each or 0) - outlook.at_us for each in ends)
    return low / HOUR_US, middle / HOUR_US, high / HOUR_US


def ours(vat: Watched, at: list[int]) -> list[Interval | None]:
    """Forecast as the watch does."""
    every = [state.outlook for state in states(vat, max(at))]
    return [hours_of(every[row]) for row in at]


def _ratios_of(vat: Watched, limit_ph: float) -> Iterator[tuple[float, float, float]]:
    """Yield part of the way, and how long it took over the steepest and the newest line, where a part is passed."""
    down = np.flatnonzero(vat.truth.ph <= limit_ph)
    if not len(down):
        return
    paces = [biological_hours(1.0, warm) for warm in vat.temperature_c.tolist()]
    hours = np.cumsum(paces) * forecast.WINDOW_US / HOUR_US
    before = 0.0
    for row, state in enumerate(states(vat, int(down[0]), limit_ph=limit_ph)):
        line = line_through(state)
        if line is None or state.top is None or line.ph <= limit_ph:
            continue
        way = (state.top - line.ph) / (state.top - limit_ph)
        for part in (part for part in WAYS if before < part <= way and line.fall > 0.0):
            steepest = max(line.fall, *(each for _, each in state.falls), 0.0) if state.falls else line.fall
            took, to_go = float(hours[down[0]] - hours[row]), line.ph - limit_ph
            yield part, took / (to_go / steepest), took / (to_go / line.fall)
            if part == WAYS[0]:
                yield 0.0, took, took
        before = max(before, way)


def learn(chosen: ForecastSet, limit_ph: float) -> Iterator[tuple[float, Ratios]]:
    """Yield by part of the way the quantiles of the ratios over a set, with a probe that is right; 0: the hours.

    Each law weighs the same: `acid` is one, in four kinds of room.
    """
    acid = sum(family.__name__.startswith("acid") for family in chosen.families)
    found: dict[float, list[tuple[float, float, float]]] = {}
    for row, family in enumerate(chosen.families):
        weight = 1.0 / acid if family.__name__.startswith("acid") else 1.0
        for number in range(chosen.vats):
            vat = watched(family, chosen.first_seed + 500 + 1000 * row + number)
            for part, steepest, newest in _ratios_of(replace(vat, ph=vat.ph - vat.bias), limit_ph):
                found.setdefault(part, []).append((steepest, newest, weight))
    for part in sorted(found):
        steepest, newest, weights = np.array(found[part]).T
        low = _quantile(steepest, weights, 0.05)
        yield part, (low, _quantile(newest, weights, 0.5), _quantile(newest, weights, 0.95))


def _quantile(values: Floats, weights: Floats, part: float) -> float:
    order = np.argsort(values)
    below = np.cumsum(weights[order]) / weights.sum()
    return round(float(values[order][int(np.searchsorted(below, part))]), 2)
