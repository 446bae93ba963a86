"""Judge by how many different values an instrument shows whether it is alive.

Law: pure; periods are whole multiples of their length on the watch time, so nothing depends on where blocks were cut.

What the instrument reports is looked at, in its own unit and last digit, and compared with what it usually shows: few
values where there were many. What is usual is counted net of the course, for a falling vat shows many values only
because it falls; what is there now is counted as it is. 'It should have moved by several digits and did not' is no
evidence: a fall that ends sharply looks the same on a coarse display. Limits: a trial on simulated vats.

A period of one value is not learnt, but on a display so coarse that a still vat shows one value for hours: what is
frozen from the first hour on would pass for usual. Until enough is learnt, the fixed test of a flat line
(`quality.py`) stands beside.
"""

from dataclasses import dataclass, replace
from math import ceil

import numpy as np

from logger.measure.order_statistics import among, different, medians
from logger.measure.trust_windows import RawRows
from logger.model import Columns, Floats, Ints, Variety
from logger.units import HOUR_US

PERIOD_US = HOUR_US // 2
LEARNT, DAY = 24, 48
"""Periods after which something is usual, and of how many."""
NEWEST = 3
"""Periods in a row that must be poor: an hour and a half."""
POOR = ((2, 5), (1, 3))
"""So few values are too few where at least so many are usual."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Periods(Columns):
    """Closed periods of one signal, each at the row that closes it."""

    row: Ints
    elapsed_us: Ints
    """Watch time at which it ended."""
    at_us: Ints
    """UTC of it."""
    values: Ints
    """How many different ones."""
    net: Ints
    """The same, net of the course."""
    digit: Floats
    """Least distance between two of them; 0: there is but one."""


def period_us(length_us: int) -> int:
    """Return the length of a period: whole windows."""
    return length_us * ceil(PERIOD_US / length_us)


def count_values(rows: RawRows, signal: Floats, *, length_us: int, least: float) -> Periods:
    """Count the different values of each period that a new row closes; one with fewer than `least` says nothing."""
    elapsed_us, number = rows.elapsed_us, rows.elapsed_us // length_us
    edges = 1 + np.flatnonzero(number[1:] != number[:-1])
    edges = edges[edges >= rows.first]
    if not len(edges):
        return Periods.none()
    begin = int(np.searchsorted(number, number[edges[0] - 1]))
    value, runs = signal[begin : edges[-1]], np.concatenate([[begin], edges]) - begin
    time = elapsed_us[begin : edges[-1]]
    present = ~np.isnan(value)
    if not present.all():
        (value, runs), time = among(value, runs, present), time[present]
    values, digit = different(value, runs)
    level = _without_course(value, time, runs, number[edges - 1] * length_us, length_us)
    net, _ = different(np.rint(level / np.repeat(np.where(digit > 0.0, digit, 1.0), np.diff(runs))), runs)
    enough = np.diff(runs) >= least
    end_us = (number[edges - 1] + 1) * length_us
    periods = Periods(
        row=edges - rows.first,
        elapsed_us=end_us,
        at_us=rows.at_us[edges] - (elapsed_us[edges] - end_us),
        values=values,
        net=net,
        digit=digit,
    )
    return Periods(**{name: getattr(periods, name)[enough] for name in Periods.__slots__})


def _without_course(value: Floats, time: Ints, runs: Ints, begin_us: Ints, length_us: int) -> Floats:
    """Return the values less a straight line through the medians of the two halves of each run."""
    halves_us = np.column_stack([begin_us, begin_us + (length_us + 1) // 2]).ravel()
    halves = medians(value, np.append(np.searchsorted(time, halves_us), len(time)))[0].reshape(-1, 2)
    slope = np.where(np.isnan(halves).any(axis=1), 0.0, (halves[:, 1] - halves[:, 0]) / (0.5 * length_us))
    count = np.diff(runs)
    return value - np.repeat(slope, count) * (time - np.repeat(begin_us, count))


def follow(variety: Variety, values: int, net: int, *, is_coarse: bool) -> Variety:
    """Return what is carried after one more period; what is too poor to be alive is not learnt as usual."""
    newest = (*variety.newest, values)[-NEWEST:]
    if is_poor(variety, values) or (values == 1 and not is_coarse):
        return replace(variety, newest=newest)
    return Variety(usual=(*variety.usual, net)[-DAY:], newest=newest)


def is_frozen(variety: Variety) -> bool:
    """Tell whether the newest periods were all too poor."""
    return len(variety.newest) == NEWEST and all(is_poor(variety, each) for each in variety.newest)


def is_alive(variety: Variety) -> bool:
    """Tell whether the two newest periods, an hour, were not poor."""
    return not any(is_poor(variety, each) for each in variety.newest[-2:])


def is_poor(variety: Variety, values: int) -> bool:
    """Tell whether a period holds far fewer values than is usual; while nothing is learnt, none does."""
    if len(variety.usual) < LEARNT:
        return False
    usual = sorted(variety.usual)[len(variety.usual) // 4]
    return any(values <= few and usual >= many for few, many in POOR)
