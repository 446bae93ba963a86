"""Take order statistics of runs of values that stand one after another: medians, and how many values differ.

Law: what is found of a run depends on its values alone. `edges`: where each run begins, and where the last one ends.

Runs of one length are sorted together, as rows of a matrix, for processors sort rows by vector instructions: 0.2 ms for
65,536 values in runs of 100, where sorting by run and value (`lexsort`) took 6.8 ms.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from logger.model import Floats, Ints


def medians(values: Floats, edges: Ints) -> tuple[Floats, Ints]:
    """Return the median of what is present in each run (NaN for nothing), and how much that is."""
    there, edges = present(values, edges)
    middle = np.full(len(edges) - 1, np.nan)
    for length, runs in _by_length(edges):
        ordered = np.sort(_rows(there, edges, runs, length), axis=1)
        middle[runs] = _halfway(ordered[:, (length - 1) // 2], ordered[:, length // 2])
    return middle, np.diff(edges)


def medians_with_u(values: Floats, u: Floats, edges: Ints) -> tuple[Floats, Floats]:
    """Return the median of each run, none of whose values is NaN, and the larger u of its middle values.

    Of equal values the earlier counts as the smaller.
    """
    middle, larger = np.full((2, len(edges) - 1), np.nan)
    for length, runs in _by_length(edges):
        rows, beside = (_rows(column, edges, runs, length) for column in (values, u))
        ordered = np.sort(rows, axis=1)
        low, high = (length - 1) // 2, length // 2
        middle[runs] = _halfway(ordered[:, low], ordered[:, high])
        larger[runs] = np.maximum(*(_beside(rows, beside, ordered[:, rank], rank) for rank in (low, high)))
    return middle, larger


def different(values: Floats, edges: Ints) -> tuple[Ints, Floats]:
    """Return how many different values each run holds, and the least distance between two of them (0: none)."""
    count, least = np.zeros(len(edges) - 1, dtype=np.int64), np.zeros(len(edges) - 1)
    for length, runs in _by_length(edges):
        steps = np.diff(np.sort(_rows(values, edges, runs, length), axis=1), axis=1)
        count[runs] = 1 + np.count_nonzero(steps > 0.0, axis=1)
        nearest = np.where(steps > 0.0, steps, np.inf).min(axis=1, initial=np.inf)
        least[runs] = np.where(np.isinf(nearest), 0.0, nearest)
    return count, least


def present(values: Floats, edges: Ints) -> tuple[Floats, Ints]:
    """Return the values that are not NaN, and the edges of their runs among them."""
    missing = np.isnan(values)
    return among(values, edges, ~missing) if missing.any() else (values, edges)


def among(values: Floats, edges: Ints, chosen: NDArray[np.bool_]) -> tuple[Floats, Ints]:
    """Return the chosen ones of the values, and the edges of their runs among them."""
    return values[chosen], np.searchsorted(np.flatnonzero(chosen), edges)


def _by_length(edges: Ints) -> Iterator[tuple[int, Ints]]:
    """Yield each length that a run has, none excepted, and which runs have it."""
    lengths = np.diff(edges)
    for length in np.unique(lengths[lengths > 0]).tolist():
        yield length, np.flatnonzero(lengths == length)


def _rows(values: Floats, edges: Ints, runs: Ints, length: int) -> NDArray[np.float64]:
    """Return the values of some runs of one length as rows; where they stand side by side they need not be copied."""
    if runs[-1] - runs[0] + 1 == len(runs):
        return values[edges[runs[0]] : edges[runs[-1] + 1]].reshape(len(runs), length)
    return np.asarray(values[edges[runs, np.newaxis] + np.arange(length)])


def _halfway(low: Floats, high: Floats) -> Floats:
    """Return the middle of two values; never -0.0, for which of two zeros comes first is chance."""
    return (low + high) / 2.0 + 0.0


def _beside(rows: NDArray[np.float64], beside: NDArray[np.float64], value: Floats, rank: int) -> Floats:
    """Return what stands beside the value of this rank in each row; of equal values the earlier counts as smaller."""
    smaller = np.count_nonzero(rows < value[:, np.newaxis], axis=1)
    equal = rows == value[:, np.newaxis]
    count = np.count_nonzero(equal, axis=1)
    return np.asarray(beside[equal][np.cumsum(count) - count + rank - smaller])
