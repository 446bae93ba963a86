"""Test the quality of the raw signal (tests and flags: IOOS QARTOD), before anybody looks at pH.

Law: each verdict uses this record and earlier ones only, all of them among the rows given, so a series judged in pieces
is judged the same. The spike test needs the neighbour after it: its verdict is written into the next record's row.
Nothing is compared across a gap longer than `max_gap_s`: after one, difference tests are not evaluated.

A frozen line is counted in time, not in records, which come every second while somebody works on the probe; where it
was not looked at (absent values, gaps) for half of the time, nobody knows. On regular grids it is ioos_qc's test.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isnan, nan

import numpy as np
from numpy.typing import NDArray

from logger.config import ProbeConfig, QualityLimits
from logger.model import Columns, Floats, Ints, Quality, QualityTests, Value
from logger.structs import Struct
from logger.units import SECOND_US

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flags(Columns):
    """Verdicts, a row a record; numbers of a single one."""

    quality: Value
    tests: Value
    previous_spike: Value


def judge(
    *,
    elapsed_us: Ints,
    potential_mv: Floats,
    temperature_c: Floats,
    limits: QualityLimits,
    reported_mv: Floats | None = None,
    is_alive: Mask | None = None,
    first: int = 0,
) -> Flags:
    """Return the flags of the rows from `first` on; only those with their whole past among the rows are final.

    `reported_mv`: what the instrument itself reports, where that is not its potential: a frozen line is looked for
    there. `is_alive`, of the rows from `first` on: where it need not be looked for, as something that judges better
    (`liveness.py`) stands there, or the newest values differ.
    """
    shown_mv = potential_mv if reported_mv is None else reported_mv
    flat = flat_lines(elapsed_us, shown_mv, limits, is_alive=is_alive, first=first)
    since = looked_back_to(potential_mv[:first])
    return _verdicts(
        limits,
        _columns(elapsed_us[since:], potential_mv[since:], temperature_c[since:], first=first - since),
        *flat,
    )


def judge_one(
    limits: QualityLimits,
    *,
    elapsed_us: Sequence[int],
    potential_mv: Sequence[float],
    temperature_c: Value,
    flat: tuple[bool, bool],
) -> Flags:
    """Return the flags of the last of these rows, the same by numbers: live that takes a fifth of the time.

    `flat`: whether the line is flat for long enough to be suspect, and to fail.
    """
    return _verdicts(limits, _number(elapsed_us, potential_mv, temperature_c), *flat)


def flat_lines(
    elapsed_us: Ints, shown_mv: Floats, limits: QualityLimits, *, is_alive: Mask | None, first: int
) -> tuple[Mask, Mask]:
    """Tell from row `first` on where the line is flat for long enough to be suspect, and to fail."""
    if is_alive is not None and np.count_nonzero(is_alive) == len(is_alive):
        return ~is_alive, ~is_alive
    suspect, fail = (
        flat_line(
            elapsed_us,
            shown_mv,
            length_us=round(seconds * SECOND_US),
            tolerance=limits.flat_tolerance_mv,
            max_gap_us=round(limits.max_gap_s * SECOND_US),
            is_alive=is_alive,
            first=first,
        )
        for seconds in (limits.flat_suspect_s, limits.flat_fail_s)
    )
    return suspect, fail


class _Compared(Struct, frozen=True):
    """A record, or a column of them, and what is compared with it."""

    mv: Value
    warm_c: Value
    step_mv: Value
    """Distance from the newest reading before, and the time since that (infinite: there is none)."""
    step_s: Value
    waited_us: Value
    """Since the record before."""
    height_mv: Value
    """Distance of the record before from the mean of its two neighbours (NaN: one is missing), and their distance."""
    span_us: Value


def _number(us: Sequence[int], mv: Sequence[float], warm_c: Value) -> _Compared:
    """Return the last row."""
    step_mv, step_s = nan, inf
    for row in range(len(mv) - 2, -1, -1):
        if not isnan(mv[row]):
            step_mv, step_s = abs(mv[-1] - mv[row]), (us[-1] - us[row]) / SECOND_US
            break
    waited_us = us[-1] - us[-2] if len(us) > 1 else 0
    height_mv, span_us = (abs(mv[-2] - (mv[-3] + mv[-1]) / 2.0), us[-1] - us[-3]) if len(us) > NEIGHBOURS else (nan, 0)
    return _Compared(mv[-1], warm_c, step_mv, step_s, waited_us, height_mv, span_us)


def _columns(elapsed_us: Ints, potential_mv: Floats, temperature_c: Floats, *, first: int) -> _Compared:
    """Return the rows from `first` on."""
    step_mv, step_s = _step_from_last_present(elapsed_us, potential_mv)
    waited_us, span_us = np.zeros((2, len(elapsed_us)), dtype=np.int64)
    waited_us[1:] = elapsed_us[1:] - elapsed_us[:-1]
    span_us[2:] = elapsed_us[2:] - elapsed_us[:-2]
    height_mv = np.full(len(elapsed_us), np.nan)
    height_mv[2:] = np.abs(potential_mv[1:-1] - (potential_mv[:-2] + potential_mv[2:]) / 2.0)
    columns = (potential_mv, temperature_c, step_mv, step_s, waited_us, height_mv, span_us)
    return _Compared(*(column[first:] for column in columns))


def _verdicts(limits: QualityLimits, at: _Compared, flat_suspect: Value, flat_fail: Value) -> Flags:
    """Return quality, tests and the spike test's verdict on the record before; elementwise."""
    is_there, has_height = at.mv == at.mv, at.height_mv == at.height_mv  # not NaN
    near = at.step_s <= limits.max_gap_s
    outside = (at.mv < limits.fail_low_mv) | (at.mv > limits.fail_high_mv)
    doubtful = (at.mv < limits.suspect_low_mv) | (at.mv > limits.suspect_high_mv)
    warmth = True ^ ((at.warm_c >= limits.fail_low_c) & (at.warm_c <= limits.fail_high_c))
    jump = near & (at.step_mv > limits.jump_mv)
    rate = near & (at.step_mv > limits.rate_mv_per_s * at.step_s)
    tests = (
        (outside | doubtful) * int(QualityTests.GROSS_RANGE)
        + jump * int(QualityTests.JUMP)
        + rate * int(QualityTests.RATE_OF_CHANGE)
        + (warmth & is_there) * int(QualityTests.TEMPERATURE)
        + (at.waited_us > limits.max_gap_s * SECOND_US) * int(QualityTests.GAP)
        + (flat_suspect | flat_fail) * int(QualityTests.FLAT_LINE)
    )
    graded = _graded(doubtful | jump | rate | flat_suspect, outside | warmth | flat_fail)
    is_evaluated = (at.span_us <= 2 * limits.max_gap_s * SECOND_US) & has_height
    spike = _graded(at.height_mv > limits.spike_suspect_mv, at.height_mv > limits.spike_fail_mv)
    return Flags(
        quality=_either(is_there, graded, Quality.MISSING),
        tests=tests,
        previous_spike=_either(is_evaluated, spike, Quality.NOT_EVALUATED),
    )


def _graded(suspect: Value, fail: Value) -> Value:
    """Return the quality of what is suspect, or fails whatever else it is."""
    passed, doubted, failed = int(Quality.PASS), int(Quality.SUSPECT), int(Quality.FAIL)
    return passed + (suspect | fail) * (doubted - passed) + fail * (failed - doubted)


def _either(is_first: Value, first: Value, second: Quality) -> Value:
    """Return the first where it is wanted, else the second."""
    return int(second) + is_first * (first - int(second))


def looked_back_to(potential_mv: Floats) -> int:
    """Return the oldest of these rows that a test on a later one compares with, but for the flat line."""
    first = len(potential_mv)
    if first and not isnan(potential_mv.item(-1)):  # live, nearly always
        return max(0, first - NEIGHBOURS)
    present = np.flatnonzero(~np.isnan(potential_mv))
    newest = int(present[-1]) if len(present) else first
    return max(0, min(newest, first - NEIGHBOURS))


NEIGHBOURS = 2
"""Rows before one that the tests of a spike and of a gap look at."""


def marks(probe: ProbeConfig, potential_mv: Value, temperature_c: Value) -> Value:
    """Return what is to be known of a reading beside its quality: whose pH it is, by which temperature; elementwise."""
    is_present = potential_mv == potential_mv  # noqa: PLR0124 - not NaN
    tests: Value = is_present * int(QualityTests.OWN_PH) if probe.own_ph else 0
    if probe.assumed_temperature_c is None:
        return tests
    return tests + (is_present & (temperature_c != temperature_c)) * int(QualityTests.ASSUMED_TEMPERATURE)  # noqa: PLR0124


NEAR = 64
"""Rows whose differing values tell that no line is flat: a vat that lives and a display that shows it."""


def moves(elapsed_us: Ints, values: Floats, limits: QualityLimits, *, first: int) -> Mask:
    """Tell of the rows from `first` on where the values just before differ too much for a flat line, or none is."""
    length_us = round(min(limits.flat_suspect_s, limits.flat_fail_s) * SECOND_US)
    end = np.arange(first, len(values))
    begin = np.maximum(np.searchsorted(elapsed_us, elapsed_us[first:] - length_us), end - NEAR)
    return np.asarray((_spread(values, begin, end) >= limits.flat_tolerance_mv) | np.isnan(values[first:]))


def newest_moves(before_us: Ints, values: Floats, limits: QualityLimits, *, elapsed_us: int) -> bool:
    """Tell the same of a live record, the last value; `before_us`: when the ones before it were.

    By numbers: with `fmax.reduce` over the few values the whole step took 0.04 ms more, as the processor went on slower
    after it.
    """
    length_us = round(min(limits.flat_suspect_s, limits.flat_fail_s) * SECOND_US)
    since = before_us.searchsorted(elapsed_us - length_us)
    there = [value for value in values[since:].tolist() if not isnan(value)]
    return isnan(values.item(-1)) or max(there) - min(there) >= limits.flat_tolerance_mv


def flat_line(
    elapsed_us: Ints,
    values: Floats,
    *,
    length_us: int,
    tolerance: float,
    max_gap_us: int,
    is_alive: Mask | None = None,
    first: int = 0,
) -> Mask:
    """Tell from row `first` on where all values of so long a time, up to this one, stay within less than `tolerance`.

    `is_alive`: of the rows from `first` on, those that are not looked at; None: every one is. After half a day of a
    trusted probe all are, and this was the dearest of the tests.

    It is time that counts, not records, for they come faster while somebody works on the probe. Where the line was
    seen for half of the time or less (absent values, gaps), too little is known to call it flat; nor before so much
    time has passed.
    """
    flat = np.zeros(len(values) - first, dtype=np.bool_)
    if length_us <= 0:
        return flat
    sought = ~np.isnan(values[first:]) & (elapsed_us[first:] - length_us >= elapsed_us[0])
    judged = first + np.flatnonzero(sought if is_alive is None else sought & ~is_alive)
    if not len(judged):
        return flat
    since = int(np.searchsorted(elapsed_us, elapsed_us[judged[0]] - length_us))  # what is older is not looked at
    used = slice(since, int(judged[-1]) + 1)
    elapsed_us, values, judged = elapsed_us[used], values[used], judged - since
    begin = np.searchsorted(elapsed_us, elapsed_us[judged] - length_us)
    still = _spread(values, begin, judged) < tolerance
    if not still.any():
        return flat
    begin, judged = begin[still], judged[still]
    present = np.flatnonzero(~np.isnan(values))
    seen_us = _observed_us(elapsed_us, present, begin, judged, max_gap_us=max_gap_us)
    flat[judged + since - first] = 2 * seen_us > length_us
    return flat


def _observed_us(elapsed_us: Ints, present: Ints, begin: Ints, end: Ints, *, max_gap_us: int) -> Ints:
    """Return for how long of the time between two rows there were values, none further apart than a gap."""
    at_us = elapsed_us[present]
    steps = np.diff(at_us, prepend=at_us[0])
    observed = np.cumsum(np.where(steps <= max_gap_us, steps, 0))
    return np.asarray(observed[np.searchsorted(present, end)] - observed[np.searchsorted(present, begin)])


def _spread(values: Floats, begin: Ints, end: Ints) -> Floats:
    """Return largest minus smallest value of each run of rows (ends included), by doubling: exact for any width."""
    if len(end) == 1:  # live
        run = values[begin[0] : end[0] + 1]
        return np.array([np.fmax.reduce(run) - np.fmin.reduce(run)])
    level = np.frexp((end - begin + 1).astype(np.float64))[1] - 1
    spread = np.empty(len(end))
    high = low = values
    for step in range(int(level.max()) + 1):
        mine, half = np.flatnonzero(level == step), 1 << step
        first, last = begin[mine], end[mine] - half + 1
        spread[mine] = np.fmax(high[first], high[last]) - np.fmin(low[first], low[last])
        high, low = np.fmax(high[half:], high[:-half]), np.fmin(low[half:], low[:-half])
    return spread


def _step_from_last_present(elapsed_us: Ints, potential_mv: Floats) -> tuple[Floats, Floats]:
    """Return distance (mV) and time (s) from the newest earlier present row; infinite time where there is none."""
    rows, present = np.arange(len(potential_mv)), ~np.isnan(potential_mv)
    newest = np.maximum.accumulate(np.where(present, rows, -1))
    before = np.concatenate([[-1], newest[:-1]])
    step_s = np.where(before >= 0, (elapsed_us - elapsed_us[before]) / SECOND_US, np.inf)
    return np.abs(potential_mv - potential_mv[before]), step_s
