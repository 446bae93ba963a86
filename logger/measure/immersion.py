"""Detect from whole windows of the raw signal a probe that hangs in air, and one that is erratic.

Law: a verdict rests on windows that are whole multiples of their length on the watch time and on what was carried from
earlier ones, so it does not depend on where blocks were cut; it speaks against the records after its window, never
back. Only order statistics within a window.

Out of the liquid: a wet film holds a plausible pH for many minutes, so temperature is the first witness. Of three (the
temperature moves faster than a vat can, it is restless, the potential is noisy) two must speak to begin, and all be
silent to end. Erratic: half of the potentials of a window lie further from their middle than in any vat. Limits:
common practice, no source.

The verdict is a test of the record (`OUT_OF_LIQUID`, `ERRATIC`), stored and read back like any other: windows need no
memory of their own, and a suspected lift holds the process alarms before its alarm is due. Up to a window's length of
air is not known as such, which a process alarm's own window and on-delay outlast by default. Potential alone would call
a knocked probe lifted, temperature alone a cold top-up; a room as warm as the vat leaves two signs.
"""

from dataclasses import dataclass, replace

import numpy as np

from logger.config import QualityLimits
from logger.measure.windows import group_medians
from logger.model import Floats, ImmersionState, Ints, QualityTests
from logger.units import HOUR_US, SECOND_US

LEAST = 3
"""Values without which a window has no verdict: what was known goes on."""
POLLS = 5
"""A window is never shorter than this many polls."""
MAD_TO_SD = 1.4826
"""Standard deviation of normal values over the median of their distances from the middle: 1 / 0.6745."""
STEP_TO_SD = MAD_TO_SD / 1.4142135623730951
"""The same over the median of their steps, which are wider by the root of 2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowStatistics:
    """What the closed windows look like, each with the row that closes it."""

    row: Ints
    number: Ints
    """Which window it is on the watch time."""
    count: Ints
    middle_c: Floats
    middle_mv: Floats
    spread_c: Floats
    noise_mv: Floats
    spread_mv: Floats


def window_us(limits: QualityLimits, *, poll_s: float) -> int:
    """Return the length of a window in microseconds of watch time."""
    return round(max(limits.witness_window_s, POLLS * poll_s) * SECOND_US)


def detect(
    state: ImmersionState,
    limits: QualityLimits,
    *,
    elapsed_us: Ints,
    potential_mv: Floats,
    temperature_c: Floats,
    first: int,
    length_us: int,
) -> tuple[ImmersionState, Ints]:
    """Return what is carried on, and the `QualityTests` that speak against each row from `first` on.

    The rows must hold the window that is open at row `first` from its beginning. Those before `state.fresh_us` say
    nothing.
    """
    number = elapsed_us // length_us
    closing = 1 + np.flatnonzero(number[1:] != number[:-1])
    mine = closing >= first
    if not mine.any():  # live, nearly always
        return state, np.full(len(number) - first, int(_tests(state)), dtype=np.int64)
    fresh = elapsed_us >= state.fresh_us
    potential_mv, temperature_c = np.where(fresh, potential_mv, np.nan), np.where(fresh, temperature_c, np.nan)
    statistics = _describe(potential_mv, temperature_c, number, closing)
    tests = [_tests(state)]
    for index in np.flatnonzero(mine).tolist():
        state = _judge(state, statistics, index, limits, hours=length_us / HOUR_US)
        tests.append(_tests(state))
    edges = [first, *closing[mine].tolist(), len(number)]
    return state, np.repeat(np.array(tests, dtype=np.int64), np.diff(edges))


def _describe(potential_mv: Floats, temperature_c: Floats, number: Ints, closing: Ints) -> WindowStatistics:
    """Describe each window but the last, which is open."""
    groups = len(closing) + 1
    group = np.zeros(len(number), dtype=np.int64)
    group[closing] = 1
    group = np.cumsum(group)
    steps = np.abs(np.diff(potential_mv, prepend=np.nan))
    steps[closing] = np.nan
    middle_c, count_c = _medians(temperature_c, group, groups)
    middle_mv, count_mv = _medians(potential_mv, group, groups)
    return WindowStatistics(
        row=closing,
        number=number[closing - 1],
        count=np.minimum(count_c, count_mv),
        middle_c=middle_c,
        middle_mv=middle_mv,
        spread_c=MAD_TO_SD * _medians(np.abs(temperature_c - middle_c[group]), group, groups)[0],
        noise_mv=STEP_TO_SD * _medians(steps, group, groups)[0],
        spread_mv=MAD_TO_SD * _medians(np.abs(potential_mv - middle_mv[group]), group, groups)[0],
    )


def _medians(values: Floats, group: Ints, groups: int) -> tuple[Floats, Ints]:
    """Return the median of what is present in each group (NaN for nothing), and how much that is."""
    present = ~np.isnan(values)
    middle, _, count = group_medians(values[present], values[present], group[present], groups=groups)
    return middle, count


def _judge(
    state: ImmersionState, statistics: WindowStatistics, index: int, limits: QualityLimits, *, hours: float
) -> ImmersionState:
    """Take one window's evidence; too little of it changes nothing."""
    if statistics.count[index] < LEAST:
        return state
    number, middle_c = int(statistics.number[index]), float(statistics.middle_c[index])
    passed_h = (number - state.window) * hours
    moves = state.middle_c is not None and abs(middle_c - state.middle_c) > limits.witness_rate_c_per_h * passed_h
    is_restless = bool(statistics.spread_c[index] > limits.witness_spread_c)
    is_noisy = bool(statistics.noise_mv[index] > limits.witness_noise_mv)
    out = moves + is_restless + is_noisy >= (1 if state.out else 2)
    return replace(
        state,
        window=number,
        middle_c=middle_c,
        middle_mv=float(statistics.middle_mv[index]),
        noise_mv=float(statistics.noise_mv[index]),
        still=state.still + 1 if middle_c == state.middle_c and statistics.spread_c[index] == 0.0 else 0,
        out=out,
        erratic=not out and bool(statistics.spread_mv[index] > limits.erratic_spread_mv),
    )


def _tests(state: ImmersionState) -> QualityTests:
    tests = QualityTests.UNWITNESSED if state.middle_c is None else QualityTests.NONE
    tests |= QualityTests.OUT_OF_LIQUID if state.out else QualityTests.NONE
    return tests | QualityTests.ERRATIC if state.erratic else tests
