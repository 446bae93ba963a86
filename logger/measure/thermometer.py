"""Tell a thermometer's own fault from a temperature that a vat can have.

Law: pure; what a reading is depends on it and on what is carried, so it does not depend on where blocks were cut. A
reading is *strange* when it is no vat's (outside -5 to 60 C), or lies more than 5 C from the last good one and is a
value that thermometers show when they are not connected (85, 0.0, -127), the last good one in another unit
(Fahrenheit, a factor of 10 or 100), a step from one poll to the next, or goes on from a strange one. A cold top-up is
one step of up to 4 C: never strange. Over a gap, and after work on the probe, a step alone tells nothing.

A strange reading is never computed by. Its record has the test `THERMOMETER`, and pH is computed by the last good
temperature for `thermometer_hold_s`, with a doubt that grows as fast as a vat can change (`FASTEST_C_PER_H`); then
no temperature is left, and pH is not believed. So a temperature beyond the limits of the probe (`TEMPERATURE`) is a
real one, or one whose time is over. A probe that reports its own pH computed it by what it shows: there the doubt is
how far that lies from the last good one.

One reading decides nothing of the thermometer: it is named as the cause after three strange readings in a row, or some
more that come and go (the score), until as many good ones came. A step that stays is a true one (a lifted probe) once
three readings agree, while a fault is named once thirty do. A vat below 5 C hides a 0.0, one below 5.6 C its tenths.
Limits: steps by a trial on simulated vats, else common practice, no source.
"""

import numpy as np

from logger.config import QualityLimits
from logger.measure.nernst import ABSOLUTE_ZERO_C
from logger.model import Floats, Ints, QualityTests, ThermometerState, Value
from logger.model.thermometer import HIGHEST_C, LOWEST_C, UNCONNECTED_C
from logger.structs import Struct, replace
from logger.units import HOUR_US, SECOND_US

STEP_C = 5.0
"""From one poll to the next no vat changes by more."""
FASTEST_C_PER_H = 1.5
"""So fast a vat's temperature changes. Common practice, no source."""
UNIT_WITHIN_C = 1.0
"""So near, in degrees, to the last good temperature in another unit a reading is that."""
STRANGE, NAMED, MOST = 2, 5, 6
"""What a strange reading adds to the score, at which score the fault is named, and where the score ends."""
TRUE_STEP, TRUE_IN_FAULT = 3, 30
"""So many readings near each other are a true step."""


class Thermometry(Struct, frozen=True, kw_only=True):
    """What the temperatures of a block are worth, a row a record (or numbers of one), and what is carried on."""

    state: ThermometerState
    warm_c: Value
    """The temperature to compute by; NaN where there is none."""
    doubt_c: Value
    """Standard uncertainty of it beside the thermometer's own."""
    tests: Value


def unjudged(state: ThermometerState, temperature_c: Floats) -> Thermometry:
    """Return temperatures as they are read, but for the absolute zero."""
    count, warm_c = len(temperature_c), temperature_c.copy()
    warm_c[temperature_c <= ABSOLUTE_ZERO_C] = np.nan
    return Thermometry(state=state, warm_c=warm_c, doubt_c=np.zeros(count), tests=np.zeros(count, dtype=np.int64))


def judge(
    state: ThermometerState,
    limits: QualityLimits,
    *,
    elapsed_us: Ints,
    temperature_c: Floats,
    fresh_us: int,
    is_compensated: bool,
) -> Thermometry:
    """Judge the temperatures of a block; NaN is none, and says nothing.

    `fresh_us`: a step from before this watch time tells nothing; `is_compensated`: the probe computed its own pH by
    what it shows.
    """
    if len(temperature_c) == 1 and state.good_c is not None and _is_calm(state):  # live: by numbers
        celsius = temperature_c.item()
        if _goes_on(celsius - state.good_c, celsius):
            return Thermometry(state=_calm(celsius, elapsed_us.item()), warm_c=celsius, doubt_c=0.0, tests=0)
    present = (~np.isnan(temperature_c)).nonzero()[0]
    if not len(present):
        return unjudged(state, temperature_c)
    odd, at = _odd(state, temperature_c[present]), 0
    if _is_calm(state) and len(odd) == 1:  # nearly always
        return unjudged(_calm(float(temperature_c[present[-1]]), int(elapsed_us[present[-1]])), temperature_c)
    made = unjudged(state, temperature_c)
    while at < len(present):
        calm = int(odd[np.searchsorted(odd, at)])
        if _is_calm(state) and calm > at:
            row, at = int(present[calm - 1]), calm
            state = _calm(float(temperature_c[row]), int(elapsed_us[row]))
            continue
        row, at = int(present[at]), at + 1
        us = int(elapsed_us[row])
        is_near = fresh_us <= state.good_us and us - state.good_us <= limits.max_gap_s * SECOND_US
        state = _take(state, float(temperature_c[row]), us, is_near=is_near)
        if state.odd_c is not None:
            made.tests[row] = QualityTests.THERMOMETER
            made.warm_c[row], made.doubt_c[row] = _held(state, limits, us, is_compensated=is_compensated)
    return replace(made, state=state)


def _odd(state: ThermometerState, celsius: Floats) -> Ints:
    """Return the places of readings that are impossible or far from the one before, and the end: others are calm."""
    steps = celsius - np.concatenate([[np.nan if state.good_c is None else state.good_c], celsius[:-1]])
    return np.concatenate([np.flatnonzero(~_goes_on(steps, celsius)), [len(celsius)]])


def _goes_on(step: Value, celsius: Value) -> Value:
    """Tell whether a reading that is so far from the one before is calm; NaN is not."""
    return (abs(step) <= STEP_C) & (celsius >= LOWEST_C) & (celsius <= HIGHEST_C)


def _is_calm(state: ThermometerState) -> bool:
    """Tell whether the reading before was good and none of late was strange: then calm readings are good, at once."""
    return state.good_c is not None and not state.score and state.odd_c is None


def _calm(celsius: float, us: int) -> ThermometerState:
    """Return the state after calm readings, of which this is the last."""
    return ThermometerState(good_c=celsius, good_us=us)


def _take(state: ThermometerState, celsius: float, us: int, *, is_near: bool) -> ThermometerState:
    """Take one reading; `is_near`: a step since the last good one tells something."""
    goes_on = state.odd_c is not None and abs(celsius - state.odd_c) <= STEP_C
    is_known = _is_known_fault(state.good_c, celsius)
    is_far = state.good_c is not None and abs(celsius - state.good_c) > STEP_C
    if not (is_known or (is_far and (is_near or goes_on))):
        return _take_good(state, celsius, us, score=max(0, state.score - 1))
    is_step, same = not is_known and (state.is_step or not goes_on), state.same + 1 if goes_on else 1
    if is_step and same >= (TRUE_IN_FAULT if state.is_faulty else TRUE_STEP):
        return _take_good(state, celsius, us, score=0)
    score = min(MOST, state.score + STRANGE)
    return replace(
        state, odd_c=celsius, is_step=is_step, same=same, score=score, is_faulty=state.is_faulty or score >= NAMED
    )


def _take_good(state: ThermometerState, celsius: float, us: int, *, score: int) -> ThermometerState:
    is_faulty = state.is_faulty and score > 0
    return ThermometerState(good_c=celsius, good_us=us, score=score, is_faulty=is_faulty)


def _is_known_fault(good_c: float | None, celsius: float) -> bool:
    """Tell whether a reading is no vat's, or far from the last good one and what a fault makes of a temperature."""
    if not LOWEST_C <= celsius <= HIGHEST_C:
        return True
    if good_c is None or abs(celsius - good_c) <= STEP_C:
        return False
    return celsius in UNCONNECTED_C or bool(other_unit(good_c, celsius))


def other_unit(good_c: float, celsius: float) -> str:
    """Say in which other unit a reading is that of the last good temperature; empty: in none."""
    if abs(celsius - (1.8 * good_c + 32.0)) <= 1.8 * UNIT_WITHIN_C:
        return "degrees Fahrenheit"
    for factor in (10.0, 100.0, 0.1, 0.01):
        if abs(celsius - factor * good_c) <= factor * UNIT_WITHIN_C:
            return f"{factor:g} times its degrees"
    return ""


def _held(state: ThermometerState, limits: QualityLimits, us: int, *, is_compensated: bool) -> tuple[float, float]:
    """Return the temperature to compute by in place of a strange one, and its doubt."""
    since_us = us - state.good_us
    if state.good_c is None or state.odd_c is None or since_us > limits.thermometer_hold_s * SECOND_US:
        return np.nan, 0.0
    if is_compensated:
        return (state.odd_c if state.odd_c > ABSOLUTE_ZERO_C else np.nan), abs(state.odd_c - state.good_c)
    return state.good_c, FASTEST_C_PER_H * (since_us / HOUR_US)
