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

from bisect import bisect_left, insort
from dataclasses import dataclass
from math import ceil

import numpy as np

from logger.measure.order_statistics import among, different, medians
from logger.measure.trust_windows import RawRows
from logger.model import Columns, Floats, Ints, Variety
from logger.structs import Struct
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
    time, (value, runs) = time[present], among(value, runs, present)
    values, digit = different(value, runs)
    level = _without_course(value, time, runs, number[edges - 1] * length_us, length_us)
    step = np.repeat(np.where(digit > 0.0, digit, 1.0), np.diff(runs))
    net, _ = different(np.rint(level / step), runs, with_distance=False)
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


class VarietyCourse(Struct, frozen=True, kw_only=True):
    """What is usual of a signal before some periods (0) and after each of them (1, 2, ...).

    In plain numbers: a replay closes thousands of periods, and asks for the variety after few of them.
    """

    rows: list[int]
    """At which each period closed."""
    learnt: list[int]
    """Net counts, those carried first."""
    until: list[int]
    """How many of them were learnt by then."""
    seen: list[int]
    """Counts as they were, those carried first."""
    few: list[int]
    """So few values are poor."""
    digit: list[float]
    """The least difference of two values; 0: there was none."""
    coarse: list[bool]

    def after(self, periods: int) -> Variety:
        """Return what is carried after so many periods."""
        until, seen = self.until[periods], self._seen(periods)
        return Variety(usual=tuple(self.learnt[max(0, until - DAY) : until]), newest=tuple(seen))

    def is_known(self, periods: int) -> bool:
        """Tell whether it is known how many values are usual, or that the display shows too few to tell by."""
        return self.until[periods] >= LEARNT or self.coarse[periods]

    def is_frozen(self, periods: int) -> bool:
        """Tell whether the newest periods were all too poor."""
        seen = self._seen(periods)
        return len(seen) == NEWEST and max(seen) <= self.few[periods]

    def turns(self, periods: int) -> bool:
        """Tell whether the last of so many periods says anything new: nearly none does."""
        return self.is_frozen(periods) or self.is_known(periods) is not self.is_known(periods - 1)

    def _seen(self, periods: int) -> list[int]:
        end = len(self.seen) - len(self.rows) + periods
        return self.seen[max(0, end - NEWEST) : end]


def follow(
    variety: Variety, periods: Periods, *, digit: float, is_coarse: bool, coarse_from: float, resolution: float = 0.0
) -> VarietyCourse:
    """Follow a signal over periods; what is too poor to be alive is not learnt as usual.

    `digit`, `is_coarse`: as carried. A display is coarse whose steps (the least difference seen, or its resolution) are
    as large as `coarse_from`.
    """
    learnt, ordered = list(variety.usual), sorted(variety.usual)
    until, few, digits, coarse = [len(learnt)], [_few(ordered)], [digit], [is_coarse]
    values = periods.values.tolist()
    for value, net, step in zip(values, periods.net.tolist(), periods.digit.tolist(), strict=True):
        digits.append(step if 0.0 < step < (digits[-1] or np.inf) else digits[-1])
        coarse.append(max(digits[-1], resolution) >= coarse_from)
        if value > few[-1] and (value != 1 or coarse[-1]):
            learnt.append(net)
            insort(ordered, net)
            if len(ordered) > DAY:
                del ordered[bisect_left(ordered, learnt[-DAY - 1])]
        until.append(len(learnt))
        few.append(few[-1] if until[-1] == until[-2] else _few(ordered))
    return VarietyCourse(
        rows=periods.row.tolist(),
        learnt=learnt,
        until=until,
        seen=[*variety.newest, *values],
        few=few,
        digit=digits,
        coarse=coarse,
    )


def is_alive(variety: Variety) -> bool:
    """Tell whether the two newest periods, an hour, were not poor."""
    return not any(is_poor(variety, each) for each in variety.newest[-2:])


def is_poor(variety: Variety, values: int) -> bool:
    """Tell whether a period holds far fewer values than is usual; while nothing is learnt, none does."""
    return values <= _few(sorted(variety.usual))


def _few(usual: list[int]) -> int:
    """Return how few values are poor where these, in order, are usual; -1: no number is, too little is learnt."""
    if len(usual) < LEARNT:
        return -1
    return max((few for few, many in POOR if usual[len(usual) // 4] >= many), default=-1)
