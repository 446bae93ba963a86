"""Forecast when the pH of a batch comes to its target, with a 90 % interval, and how likely it misses its deadline.

A straight line through the newest three hours, in biological hours (`batch.py`), reaches the target too late early on
and too soon later: a ferment first quickens, then slows. So what the line says is multiplied by ratios that were learnt
from simulated vats, by how much of the way is gone and by the target (`tests/bench/bench_forecast.py --table learn`
prints them). The low end takes the steepest fall of the last half day: a fall that breaks off may be the probe's. What
is not known of the reading and of the slope widens both ends. Biological hours become hours of the clock by the warmth
of the last day, repeated.

Before a tenth of the way is gone there is no slope to go by: then it only says before when nothing will be, and that a
deadline is missed at least so likely. While pH rises, while the newest window is not believed, and while the vat is
unsettled, it says nothing.

Law: pure; believed medians of whole windows alone, each at the record that closed it; what is looked back on is
carried, so nothing depends on where blocks were cut. No chance and no exponential: + - * /, roots, order statistics,
and for the probability alone the error function of the platform, which is the same to the bit on one machine; no record
depends on it. A particle filter on growth curves was tried beside it and was no better (see the bench).

Of each batch that ends it is kept how long it took over what was forecast: after some batches of the same target their
own ratios take the place of the learnt ones (`forecast_ratios.py`).
"""

from collections.abc import Callable, Sequence
from math import erf, floor, isnan, sqrt
from statistics import median

from logger.measure.batch import UNKNOWN_C, biological_hours
from logger.measure.forecast_ratios import FROM_A_TENTH, LEAST, MOST, Ratios, ratios_at
from logger.model import BatchEnded, BatchOutlook, ForecastMade, ForecastState, Foresight
from logger.structs import Struct, replace
from logger.units import HOUR_US, MINUTE_US

WINDOW_S = 600.0
WINDOW_US = 10 * MINUTE_US
SPAN_US = 3 * HOUR_US
"""The line goes through so much. Two to six hours are as good, from a trial on simulated vats."""
ENOUGH = 10
"""Windows in it without which there is no line. Common practice, no source."""
LEVEL = 3
"""Windows that a level is the median of."""
STEEP_H, DAY_H = 12, 24
FIRST_US = 6 * HOUR_US
"""A level that was first seen so long after the start is not that of the start: it may have been higher."""
START_PH = 5.8
"""So high it was then, at least. Common practice, no source."""
FLATTEST, STEEPEST = 0.001, 0.25
"""pH an hour: no fall is counted with that is less, and none is faster (simulated vats: 95 % below 0.15)."""
SCATTER_PH = 0.01
"""The least standard deviation about the line: medians of windows beside each other err alike."""
WIDE_H = 48.0
"""A longer interval is not told. Common practice, no source."""
HORIZON_H = 1000.0
"""Biological hours beyond which nothing is told apart."""
Z = 1.6448536269514722
"""Of 95 % on one side."""
BEGUN = 0.1
"""Part of the way before which there is no slope to go by."""
SURELY_BEGUN = 0.2
"""Part of the way from which on no noise brings it back."""
MARKS = (0.25, 0.5, 0.75)
"""Parts of the way at which forecasts are kept, to learn from."""
KEPT = 20
"""Ended batches that are remembered."""


class ForecastWindow(Struct, frozen=True, kw_only=True):
    """A closed window, as it is forecast from."""

    begin_us: int
    """Watch time."""
    at_us: int
    """UTC of the record that closed it."""
    elapsed_us: int
    """Watch time of that record."""
    ph: float
    """NaN: nothing is believed."""
    u: float
    temperature_c: float
    """NaN: nothing is believed."""


class Goal(Struct, frozen=True, kw_only=True):
    """What a batch is to reach, and by when."""

    limit_ph: float
    started_us: int
    """Watch time."""
    due_us: int | None = None
    """Watch time of the deadline."""


def begin(state: ForecastState, goal: Goal) -> ForecastState:
    """Return the state for a batch: as it is for the present one, a fresh one for another."""
    if state.started_us == goal.started_us and state.limit_ph == goal.limit_ph:
        return state
    ended = _with_unreached(state, goal.started_us) if state.limit_ph == goal.limit_ph else ()
    return ForecastState(started_us=goal.started_us, limit_ph=goal.limit_ph, ended=ended)


def drop_before(state: ForecastState, fresh_us: int) -> ForecastState:
    """Return the state without the line's windows from before a calibration, a mark or a mixing of the vat."""
    if not state.medians or state.medians[0][0] >= fresh_us:
        return state
    return replace(state, medians=tuple(each for each in state.medians if each[0] >= fresh_us), falls=())


def follow(state: ForecastState, window: ForecastWindow, goal: Goal) -> ForecastState:
    """Return the state after a window, with what is forecast at it."""
    state = _with_warmth(state, window)
    if isnan(window.ph):
        return replace(state, outlook=_silent(window))
    state = _with_median(state, window, goal)
    if state.has_reached:
        return replace(state, outlook=None)
    span = line_through(state)
    if span is None or state.top is None:
        return replace(state, outlook=_silent(window))
    state = _with_fall(state, window, span.fall)
    return _with_outlook(state, window, goal, span)


def _silent(window: ForecastWindow) -> BatchOutlook:
    return BatchOutlook(foresight=Foresight.SILENT, at_us=window.at_us)


def _with_warmth(state: ForecastState, window: ForecastWindow) -> ForecastState:
    """Count the time up to the end of a window, at its own temperature or else the newest there was."""
    warm_c = state.temperature_c if isnan(window.temperature_c) else window.temperature_c
    pace = biological_hours(1.0, UNKNOWN_C if warm_c is None else warm_c)
    end_us = window.begin_us + WINDOW_US
    since_us = window.begin_us if state.counted_us is None else state.counted_us
    hour = window.begin_us // HOUR_US
    paces = tuple(each for each in state.paces if hour - DAY_H < each[0] < hour)
    hours = state.hours + pace * max(end_us - since_us, 0) / HOUR_US
    return replace(state, temperature_c=warm_c, hours=hours, counted_us=end_us, paces=(*paces, (hour, pace)))


def _with_median(state: ForecastState, window: ForecastWindow, goal: Goal) -> ForecastState:
    kept = tuple(each for each in state.medians if each[0] > window.begin_us - SPAN_US)
    state = replace(state, medians=(*kept, (window.begin_us, state.hours, window.ph)))
    if len(state.medians) < LEVEL:
        return state
    level = _level(state)
    is_late = state.top is None and window.begin_us > goal.started_us + FIRST_US
    top = max(level, START_PH) if is_late else level if state.top is None else max(state.top, level)
    state = state if state.has_begun else replace(state, top=top)
    if level > goal.limit_ph or state.has_reached:
        return state
    return replace(state, has_reached=True, made=(), ended=_with_ended(state, window.elapsed_us), medians=(), falls=())


def _level(state: ForecastState) -> float:
    return median(ph for _, _, ph in state.medians[-LEVEL:])


class FallLine(Struct, frozen=True):
    """The line through the newest windows: where it ends, how fast it falls (pH a biological hour), and u of that."""

    ph: float
    fall: float
    u: float


def line_through(state: ForecastState) -> FallLine | None:
    """Return the least-squares line; its uncertainty by the scatter about it (JCGM 100:2008, H.3)."""
    n = len(state.medians)
    if n < ENOUGH:
        return None
    x, y = [each[1] for each in state.medians], [each[2] for each in state.medians]
    middle_x, middle_y = sum(x) / n, sum(y) / n
    sxx = sum((each - middle_x) * (each - middle_x) for each in x)
    if sxx <= 0.0:  # nothing goes on in the cold
        return None
    slope = sum((a - middle_x) * (b - middle_y) for a, b in zip(x, y, strict=True)) / sxx
    offs = [b - middle_y - slope * (a - middle_x) for a, b in zip(x, y, strict=True)]
    scatter = max(sqrt(sum(off * off for off in offs) / (n - 2)), SCATTER_PH)
    return FallLine(ph=middle_y + slope * (x[-1] - middle_x), fall=-slope, u=scatter / sqrt(sxx))


def _with_fall(state: ForecastState, window: ForecastWindow, fall: float) -> ForecastState:
    hour = window.begin_us // HOUR_US
    falls = dict(each for each in state.falls if each[0] > hour - STEEP_H)
    falls[hour] = max(fall, falls.get(hour, fall))
    return replace(state, falls=tuple(falls.items()))


def _with_outlook(state: ForecastState, window: ForecastWindow, goal: Goal, line: FallLine) -> ForecastState:
    """Return the state with what is forecast, kept if a mark was passed."""
    top = state.top or 0.0
    way = (top - line.ph) / max(top - goal.limit_ph, 1e-6)
    state = replace(state, has_begun=state.has_begun or way >= SURELY_BEGUN)
    if way < BEGUN and not state.has_begun:
        return replace(state, outlook=_too_early(state, window, goal))
    if way < BEGUN or line.fall < -Z * line.u:
        return replace(state, outlook=_silent(window))
    hours = _clocked(state, _needs(state, goal, line, window.u, way))
    outlook = _told(window, goal, hours)
    passed = sum(way >= mark for mark in MARKS)
    new = ForecastMade(elapsed_us=window.elapsed_us, hours=hours)
    made = (*state.made, *[None] * (passed - len(state.made) - 1), new) if passed > len(state.made) else state.made
    return replace(state, outlook=outlook, made=made)


def _too_early(state: ForecastState, window: ForecastWindow, goal: Goal) -> BatchOutlook:
    """Say how long it takes at least, and how likely the deadline is missed even if pH begins to fall now."""
    low, middle, high = _clocked(state, FROM_A_TENTH)
    missed = _missed(window, goal, (low, middle, high))
    return BatchOutlook(
        foresight=Foresight.TOO_EARLY,
        at_us=window.at_us,
        low_us=window.at_us + round(low * HOUR_US),
        missed=missed,
        is_at_least=missed is not None,
    )


def _told(window: ForecastWindow, goal: Goal, hours: Ratios) -> BatchOutlook:
    low_us, middle_us, high_us = (window.at_us + round(each * HOUR_US) for each in hours)
    is_wide = hours[2] - hours[0] > WIDE_H
    return BatchOutlook(
        foresight=Foresight.TOO_WIDE if is_wide else Foresight.TOLD,
        at_us=window.at_us,
        low_us=low_us,
        middle_us=None if is_wide else middle_us,
        high_us=None if is_wide else high_us,
        missed=_missed(window, goal, hours),
    )


def _needs(state: ForecastState, goal: Goal, line: FallLine, u: float, way: float) -> Ratios:
    """Return the biological hours to the target: low end, middle, high end."""
    to_go = max(line.ph - goal.limit_ph, 0.0)
    fall = min(max(line.fall, FLATTEST), STEEPEST)
    steepest = min(max(fall, *(each for _, each in state.falls)), STEEPEST)
    ratios = ratios_at(state.ended, goal.limit_ph, way)
    middle = to_go / fall * ratios[1]
    unknown = Z * (0.0 if isnan(u) else u) / fall
    slope = middle * Z * line.u / fall
    early = middle - to_go / steepest * ratios[0]
    late = middle * (ratios[2] / ratios[1] - 1.0)
    low = middle - sqrt(early * early + slope * slope + unknown * unknown)
    high = middle + sqrt(late * late + slope * slope + unknown * unknown)
    return max(low, 0.0), min(middle, HORIZON_H), min(high, HORIZON_H)


def _clocked(state: ForecastState, needs: Ratios) -> Ratios:
    """Return when so many biological hours will have passed, in hours of the clock: the last day repeats itself."""
    known = dict(state.paces)
    usual = sum(known.values()) / len(known)
    newest = state.paces[-1][0]
    day = [known.get(newest + 1 + ahead - DAY_H, usual) for ahead in range(DAY_H)]
    whole = sum(day)
    low, middle, high = (_clock_hours(day, whole, need) for need in needs)
    return low, middle, high


def _clock_hours(day: Sequence[float], whole: float, need: float) -> float:
    if whole <= 0.0:
        return HORIZON_H
    days = floor(need / whole)
    hours, rest = float(DAY_H * days), need - whole * days
    for pace in day:
        if rest <= pace:
            return min(hours + (rest / pace if pace > 0.0 else 0.0), HORIZON_H)
        hours, rest = hours + 1.0, rest - pace
    return min(hours, HORIZON_H)


def _missed(window: ForecastWindow, goal: Goal, hours: Ratios) -> float | None:
    """Return the probability that the target is reached later than the deadline: normal, each side with its own sd."""
    if goal.due_us is None:
        return None
    left = (goal.due_us - window.elapsed_us) / HOUR_US
    if left <= 0.0:
        return None
    low, middle, high = hours
    sd = max((high - middle if left > middle else middle - low) / Z, 0.1)
    return min(max(0.5 - 0.5 * erf((left - middle) / (sd * sqrt(2.0))), LEAST), MOST)


def _with_ended(state: ForecastState, now_us: int) -> tuple[BatchEnded, ...]:
    """Return the batches that ended, with this one, which comes to its target now."""
    return _ended(state, lambda hours, took: (took / hours[1], hours[0] <= took <= hours[2]), now_us)


def _with_unreached(state: ForecastState, now_us: int) -> tuple[BatchEnded, ...]:
    """Return the same where another batch was started before: what took longer than was forecast counts, as that."""
    if state.has_reached or not any(each and _took(each, now_us) > each.hours[2] for each in state.made):
        return state.ended
    return _ended(state, lambda hours, took: (max(took / hours[1], 1.0), took <= hours[2]), now_us)


def _took(made: ForecastMade, now_us: int) -> float:
    return (now_us - made.elapsed_us) / HOUR_US


def _ended(
    state: ForecastState, compare: Callable[[Ratios, float], tuple[float, bool]], now_us: int
) -> tuple[BatchEnded, ...]:
    compared = [compare(each.hours, _took(each, now_us)) for each in state.made if each and each.hours[1] > 0.0]
    if not compared:
        return state.ended
    ratios = tuple(ratio for ratio, _ in compared)
    return (*state.ended, BatchEnded(ratios=ratios, held=sum(held for _, held in compared)))[-KEPT:]
