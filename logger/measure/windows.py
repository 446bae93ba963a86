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
from logger.measure.order_statistics import among, count, medians_with_u
from logger.model import Belief, Columns, Floats, Ints, Measurements, Quality, QualityTests, Value
from logger.model.elementwise import as_number, is_column, root, where
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


def speaks(tests: Value, wanted: int) -> bool:
    """Tell whether one of some tests spoke against any record: nearly always none did."""
    return bool((np.bitwise_or.reduce(tests) if is_column(tests) else tests) & wanted)


def limit_belief(rows: Measurements) -> Value:
    """Return the belief that alarms on a limit go by: what a probe without trust reads may raise one, clears none.

    Not where the probe is, or may be, elsewhere; and what a second probe reads in its place is believed.
    """
    if not speaks(rows.tests, LOST):  # nearly always; and only where trust is lost is a second probe judged
        return rows.belief
    has_ph = rows.ph == rows.ph  # not NaN
    lost = ((rows.tests & LOST) != 0) & ((rows.tests & AWAY) == 0) & has_ph
    belief = where(lost, int(Belief.SUSPECT), rows.belief)
    return where((rows.tests & int(QualityTests.BY_SECOND_PROBE)) != 0, int(Belief.BELIEVED), belief)


def belief_of(ph: Value, quality: Value, tests: Value) -> Value:
    """Return the `Belief` in a record as it came, from its pH, quality and tests: numbers, or columns of them."""
    claimed = (ph == ph) & ((tests & AWAY) == 0)  # noqa: PLR0124 - NaN is no pH
    passed = claimed & (quality == int(Quality.PASS))
    return _belief(passed, passed | (claimed & ((tests & WILD) == 0) & (quality == int(Quality.SUSPECT))))


def _belief(believed: Value, usable: Value) -> Value:
    """Return the `Belief` in what is believed, or can be used at least: numbers, or columns of them."""
    nothing, suspect = int(Belief.NOT_BELIEVED), int(Belief.SUSPECT)
    return nothing + (suspect - nothing) * as_number(usable) + (int(Belief.BELIEVED) - suspect) * as_number(believed)


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
    belief = temperature_belief_of(rows.temperature_c, rows.tests)
    return belief.astype(np.int64) if is_column(belief) else belief


_NO_TEMPERATURE = int(QualityTests.TEMPERATURE | QualityTests.THERMOMETER) | AWAY


def temperature_belief_of(temperature_c: Value, tests: Value) -> Value:
    """Return the same of bare numbers, or columns of them."""
    usable = (temperature_c == temperature_c) & ((tests & _NO_TEMPERATURE) == 0)  # noqa: PLR0124 - NaN is no temperature
    return _belief(usable & ((tests & LOST) == 0), usable)


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
    compared = has_second & (rows.belief == int(Belief.BELIEVED))
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


def edges_of(elapsed_us: Ints, *, first: int, length_us: int) -> Ints:
    """Return where each window begins that a row from `first` on closes, and where the last of them ends."""
    window = elapsed_us // length_us
    starts = np.flatnonzero(np.concatenate([[True], window[1:] != window[:-1]]))
    return starts[int(np.searchsorted(starts[1:], first)) :]


def medians(
    rows: Measurements,
    value: Floats,
    belief: Ints,
    *,
    first: int,
    window_s: float,
    fresh_us: int,
    with_u: bool = True,
    edges: Ints | None = None,
) -> WindowMedians:
    """Judge the windows that a row from `first` on closes; records before `fresh_us` stay out of them.

    `rows` must hold the window that is open at row `first` from its beginning. `with_u` false: u and spread are not
    looked for, which takes half the time. `edges`: where the windows lie (`edges_of`), if that is known.
    """
    length_us = round(window_s * SECOND_US)
    edges = edges_of(rows.elapsed_us, first=first, length_us=length_us) if edges is None else edges
    if len(edges) <= 1:
        return NOTHING
    at, part, runs = edges[1:], slice(edges[0], edges[-1]), edges - edges[0]
    belief, tests = belief[part], rows.tests[part]
    stale = int(np.searchsorted(rows.elapsed_us[part], fresh_us))
    if stale:  # nearly never
        belief, tests = belief.copy(), tests.copy()
        belief[:stale], tests[:stale] = int(Belief.NOT_BELIEVED), 0
    verdict = _verdict(belief, runs, np.diff(np.maximum(runs, stale)))
    counted = belief <= np.repeat(np.where(verdict == _NOTHING, -1, verdict), np.diff(runs))
    chosen, bounds = among(value[part], runs, counted)
    if with_u:
        middle, u, distance = medians_with_u(chosen, among(rows.u[part], runs, counted)[0], bounds)
    else:
        middle, _ = order_statistics.medians(chosen, bounds)
        u, distance = np.full((2, len(at)), np.nan)
    return WindowMedians(
        row=at - first,
        elapsed_us=rows.elapsed_us[at],
        begin_us=rows.elapsed_us[at - 1] // length_us * length_us,
        value=middle,
        u=u,
        belief=verdict,
        count=np.diff(bounds),
        spread=MAD_TO_SD * distance,
        spoken=np.bitwise_or.reduceat(tests, runs[:-1]),
    )


_BELIEVED, _SUSPECT, _NOTHING = int(Belief.BELIEVED), int(Belief.SUSPECT), int(Belief.NOT_BELIEVED)


def _verdict(belief: Ints, runs: Ints, size: Ints) -> Ints:
    """Return the `Belief` in each of some runs, of which so many records are looked at."""
    believed, usable = (np.diff(runs) - count(mask, runs) for mask in (belief != _BELIEVED, belief == _NOTHING))
    return np.where(2 * believed > size, _BELIEVED, np.where(2 * usable > size, _SUSPECT, _NOTHING))
