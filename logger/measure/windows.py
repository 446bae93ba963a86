"""Compute medians over windows of time, for judging a process that moves slowly.

Law: windows are whole multiples of their length on the watch time, so they do not depend on where blocks were cut; a
window is judged at the first record after it. Only order statistics: no sum runs across a cut.

A window is believed when more than half of its records are, and its value is the median of those; else it is doubtful
when more than half are believed or doubtful; else it is silent. A record that the jump, rate or spike test spoke
against is never used, nor one that came out of the liquid, from somebody's hands or of an erratic probe: a knocked or
lifted probe must not raise a process alarm.

The spike verdict of a record comes with the next one, in time for every window. `blind` looks at windows as process
alarms do, so a probe that is right now and then is still blind.
"""

from dataclasses import dataclass
from math import nan

import numpy as np

from logger.measure import order_statistics
from logger.measure.order_statistics import among, medians_with_u
from logger.model import Belief, Columns, Floats, Ints, Measurements, Quality, QualityTests, Value
from logger.model.elementwise import is_column, root, where
from logger.units import SECOND_US

AWAY = int(QualityTests.ATTENDED | QualityTests.NOT_BACK)
"""The probe may not be in the vat. An integer, as all here: numpy takes 20 us to read a member of an enum, 1 for it."""
LOST = int(
    QualityTests.JUMPED
    | QualityTests.OUT_OF_LIQUID
    | QualityTests.NOT_BORNE_OUT
    | QualityTests.LOOSE
    | QualityTests.FROZEN
)
"""Trust in the probe is lost: nothing that it reads is believed."""
WILD = LOST | int(QualityTests.JUMP | QualityTests.RATE_OF_CHANGE | QualityTests.ERRATIC | QualityTests.SCATTERED)
"""What is said of a record that no process alarm may look at: its pH is not merely doubtful, it is another thing's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowMedians(Columns):
    """Values to be judged by conditions, each at the record that made it final."""

    row: Ints
    """Row of the block at which the value is judged."""
    elapsed_us: Ints
    begin_us: Ints
    """Watch time at which its window begins."""
    value: Floats
    u: Floats
    """u of one reading at the median; NaN where there is none."""
    belief: Ints
    count: Ints
    """How many records the value is the median of."""
    spread: Floats
    """Standard deviation of these records about it, robust; NaN for a single one."""
    spoken: Ints
    """`QualityTests` that spoke against any of the records looked at."""


def ph_belief(rows: Measurements) -> Value:
    """Return the `Belief` in the pH of each record as it was when it came."""
    return belief_of(rows.ph, rows.quality, rows.tests)


def limit_belief(rows: Measurements) -> Value:
    """Return the same as alarms on a limit go by: what a probe without trust reads may raise one, clears none.

    Not where the probe is, or may be, elsewhere; and what a second probe reads in its place is believed.
    """
    has_ph = rows.ph == rows.ph  # not NaN
    lost = ((rows.tests & LOST) != 0) & ((rows.tests & AWAY) == 0) & has_ph
    belief = where(lost, int(Belief.SUSPECT), ph_belief(rows))
    return where((rows.tests & int(QualityTests.BY_SECOND_PROBE)) != 0, int(Belief.BELIEVED), belief)


def belief_of(ph: Value, quality: Value, tests: Value) -> Value:
    """Return the same of bare numbers, or columns of them."""
    claimed = (ph == ph) & ((tests & AWAY) == 0)  # noqa: PLR0124 - NaN is no pH
    passed = claimed & (quality == int(Quality.PASS))
    doubted = claimed & ((tests & WILD) == 0) & (quality == int(Quality.SUSPECT))
    nothing, suspect, believed = int(Belief.NOT_BELIEVED), int(Belief.SUSPECT), int(Belief.BELIEVED)
    return nothing + doubted * (suspect - nothing) + passed * (believed - nothing)


def without_spikes(rows: Measurements, belief: Ints) -> Ints:
    """Return the belief in each record after the next one has shown whether it was a spike."""
    calm = belief.copy()
    verdict = rows.previous_spike[1:]
    spiked = (verdict == int(Quality.SUSPECT)) | (verdict == int(Quality.FAIL))
    calm[:-1][spiked] = Belief.NOT_BELIEVED
    return calm


def temperature_belief(rows: Measurements) -> Value:
    """Return the `Belief` in each temperature: the thermometer may be right while the electrode is not.

    Not where it was last put by somebody; suspect where the probe has lost trust.
    """
    has_value = rows.temperature_c == rows.temperature_c  # not NaN
    usable = has_value & ((rows.tests & _NO_TEMPERATURE) == 0)
    belief = where(usable, int(Belief.BELIEVED), int(Belief.NOT_BELIEVED))
    return where(usable & ((rows.tests & LOST) != 0), int(Belief.SUSPECT), belief)


_NO_TEMPERATURE = int(QualityTests.TEMPERATURE | QualityTests.THERMOMETER) | AWAY


MAD_TO_SD = 1.4826
"""Standard deviation of normal values over the median of their distances from the middle: 1 / 0.6745."""
COVERAGE = 2.0
"""Coverage factor k: two readings differ when their difference exceeds its own expanded uncertainty (GUM 6)."""


def apart(rows: Measurements) -> tuple[Value, Value]:
    """Return 1.0 for each record whose pH differs from the second probe's by more than both doubts, and the `Belief`.

    The doubts count as independent (GUM 5.1.2); what both probes share (buffers, the brine's junction) makes the true
    doubt of the difference smaller, so this speaks late rather than falsely.
    """
    allowed = COVERAGE * root(rows.u * rows.u + rows.reference_u * rows.reference_u)
    has_second = rows.reference_ph == rows.reference_ph  # not NaN
    compared = has_second & (ph_belief(rows) == int(Belief.BELIEVED))
    belief = where(compared, int(Belief.BELIEVED), int(Belief.NOT_BELIEVED))
    return (abs(rows.ph - rows.reference_ph) > allowed) * 1.0, belief


def single(rows: Measurements, value: Value, belief: Value, *, first: int) -> WindowMedians:
    """Judge every record by itself, from row `first` on; a record of numbers gives numbers."""
    if not is_column(value):
        return _single(rows, value, belief, row=0, count=1, spread=nan)
    count = len(rows) - first
    return _single(
        rows[first:],
        value[first:],
        belief[first:],
        row=np.arange(count),
        count=np.ones(count, dtype=np.int64),
        spread=np.full(count, nan),
    )


def _single(
    rows: Measurements, value: Value, belief: Value, *, row: Value, count: Value, spread: Value
) -> WindowMedians:
    return WindowMedians(
        row=row,
        elapsed_us=rows.elapsed_us,
        begin_us=rows.elapsed_us,
        value=value,
        u=rows.u,
        belief=belief,
        count=count,
        spread=spread,
        spoken=rows.tests,
    )


NOTHING = WindowMedians.none()
"""No window closes: nothing is judged."""


def closes(elapsed_us: Ints, *, first: int, window_s: float) -> bool:
    """Tell whether a window ends at a row from `first` on."""
    length_us = round(window_s * SECOND_US)
    return bool(elapsed_us[max(first - 1, 0)] // length_us != elapsed_us[-1] // length_us)


def medians(
    rows: Measurements,
    value: Floats,
    belief: Ints,
    *,
    first: int,
    window_s: float,
    fresh_us: int,
    with_u: bool = True,
) -> WindowMedians:
    """Judge the windows that a row from `first` on closes; records before `fresh_us` stay out of them.

    `rows` must hold the window that is open at row `first` from its beginning. `with_u` false: u and spread are not
    looked for, which takes half the time.
    """
    window = rows.elapsed_us // round(window_s * SECOND_US)
    starts = np.flatnonzero(np.concatenate([[True], window[1:] != window[:-1]]))
    if starts[-1] < first:
        return NOTHING
    edges = np.append(starts, len(window))
    stale = slice(int(np.searchsorted(rows.elapsed_us, fresh_us)))  # nearly always nothing
    is_believed, is_usable = belief == int(Belief.BELIEVED), belief != int(Belief.NOT_BELIEVED)
    is_believed[stale] = is_usable[stale] = False
    size = np.diff(np.maximum(edges, stale.stop))
    believed, usable = (np.add.reduceat(each, starts, dtype=np.int64) for each in (is_believed, is_usable))
    verdict = np.where(
        2 * believed > size, Belief.BELIEVED, np.where(2 * usable > size, Belief.SUSPECT, Belief.NOT_BELIEVED)
    )
    verdict[size == 0] = Belief.NOT_BELIEVED
    counted = is_believed & np.repeat(verdict == Belief.BELIEVED, np.diff(edges))
    counted |= is_usable & np.repeat(verdict == Belief.SUSPECT, np.diff(edges))
    chosen, bounds = among(value, edges, counted)
    count, u, spread = np.diff(bounds), *np.full((2, len(starts)), np.nan)
    if with_u:
        middle, u = medians_with_u(chosen, among(rows.u, edges, counted)[0], bounds)
        spread = MAD_TO_SD * order_statistics.medians(np.abs(chosen - np.repeat(middle, count)), bounds)[0]
    else:
        middle, _ = order_statistics.medians(chosen, bounds)
    tests = np.where(np.arange(len(rows)) < stale.stop, 0, rows.tests) if stale.stop else rows.tests
    closes = starts[1:]
    mine = slice(int(np.searchsorted(closes, first)), None)
    at = closes[mine]
    return WindowMedians(
        row=at - first,
        elapsed_us=rows.elapsed_us[at],
        begin_us=window[at - 1] * round(window_s * SECOND_US),
        value=middle[:-1][mine],
        u=u[:-1][mine],
        belief=verdict[:-1][mine],
        count=count[:-1][mine],
        spread=spread[:-1][mine],
        spoken=np.bitwise_or.reduceat(tests, starts)[:-1][mine],
    )
