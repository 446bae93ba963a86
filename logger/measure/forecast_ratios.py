"""Hold what a straight line is multiplied by to forecast a ferment: learnt from simulated vats, then from own batches.

Learnt: quantiles (5, 50, 95 %) of how long it took over what the line said, over the tuning set of the bench, by the
part of the way gone and the target, each law of the set weighing the same. The high ends were then smoothed: lower in
the middle, where two odd laws alone set them, and higher at the end. Own: after `PROVEN` batches as many of their
ratios lie beyond the ends as one in twenty allows, at least one (Vovk, Gammerman and Shafer, Algorithmic Learning in a
Random World, 2005: conformal prediction), and never closer to the middle than `LEAST_OWN`.

Law: pure; numbers and order statistics alone.
"""

from bisect import bisect_right
from collections.abc import Sequence
from math import floor
from statistics import median

from logger.model import BatchEnded
from logger.structs import Struct

LEAST, MOST = 0.05, 0.95
"""Of a probability: an interval that holds 90 % knows no more."""
PROVEN = 8
"""Batches that must have ended before the interval is theirs. Common practice, no source."""
LEAST_OWN = 1.28
"""However alike the ended batches were, the ends lie so far from the middle. Common practice, no source."""
Ratios = tuple[float, float, float]
"""Low end, middle and high end, over what the line says."""


class Learnt(Struct, frozen=True):
    """Ratios by the part of the way that is gone, for one target."""

    limit_ph: float
    rows: tuple[tuple[float, Ratios], ...]


LEARNT = (
    Learnt(
        4.2,
        (
            (0.1, (0.24, 0.55, 1.56)),
            (0.15, (0.30, 0.72, 1.93)),
            (0.25, (0.42, 0.96, 2.49)),
            (0.4, (0.62, 1.13, 2.56)),
            (0.6, (0.79, 1.23, 3.10)),
            (0.75, (0.92, 1.30, 3.20)),
            (0.9, (1.00, 1.30, 3.20)),
        ),
    ),
    Learnt(
        4.6,
        (
            (0.1, (0.24, 0.40, 1.23)),
            (0.15, (0.26, 0.52, 1.45)),
            (0.25, (0.37, 0.70, 1.90)),
            (0.4, (0.51, 0.90, 2.10)),
            (0.5, (0.59, 0.98, 2.00)),
            (0.6, (0.65, 1.03, 1.85)),
            (0.75, (0.75, 1.10, 1.80)),
            (0.9, (0.80, 1.13, 1.90)),
        ),
    ),
)
"""By target, lowest first; between them, and between parts of the way, in a straight line. From simulated vats."""
FROM_A_TENTH = (12.0, 23.0, 54.0)
"""Biological hours from a tenth of the way to the target: low end, middle, high end. From simulated vats."""


def ratios_at(ended: Sequence[BatchEnded], limit_ph: float, way: float) -> Ratios:
    """Return the ratios at a part of the way to a target."""
    own = own_ratios(ended)
    low, high = (_at_way(each.rows, way) for each in LEARNT)
    part = (limit_ph - LEARNT[0].limit_ph) / (LEARNT[1].limit_ph - LEARNT[0].limit_ph)
    part = min(max(part, -0.5), 1.0)
    first, middle, last = (a + part * (b - a) for a, b in zip(low, high, strict=True))
    return (first, middle, last) if own is None else (middle * own[0], middle * own[1], middle * own[2])


def _at_way(rows: Sequence[tuple[float, Ratios]], way: float) -> Ratios:
    way = min(max(way, rows[0][0]), rows[-1][0])
    after = min(bisect_right(rows, way, key=_way), len(rows) - 1)
    (left, before), (right, then) = rows[after - 1], rows[after]
    part = (way - left) / (right - left)
    first, middle, last = (a + part * (b - a) for a, b in zip(before, then, strict=True))
    return first, middle, last


def _way(row: tuple[float, Ratios]) -> float:
    return row[0]


def own_ratios(ended: Sequence[BatchEnded]) -> Ratios | None:
    """Return what ended batches say in place of what was learnt; None: they are too few."""
    if len(ended) < PROVEN:
        return None
    ratios = sorted(ratio for batch in ended for ratio in batch.ratios)
    beyond = max(floor((len(ratios) + 1) * (1.0 - MOST)), 1)
    middle = median(ratios)
    return min(ratios[beyond - 1], middle / LEAST_OWN), middle, max(ratios[-beyond], middle * LEAST_OWN)
