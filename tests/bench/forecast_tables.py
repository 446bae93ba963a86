"""Score forecasts against what the vats really did, and lay the scores out."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import isfinite

import numpy as np

from tests.bench.forecast_rivals import Forecaster, Interval
from tests.bench.forecast_sets import MARKS, Watched


@dataclass(frozen=True, slots=True)
class Scored:
    """One forecast at one mark, beside what came; hours from then."""

    family: str
    mark: float
    said: Interval | None
    remained_h: float


def score(vats: Iterable[Watched], forecaster: Forecaster) -> Iterator[Scored]:
    """Yield the forecasts at the marks of all vats that come to their target."""
    for vat in vats:
        rows = [vat.window_at(mark) for mark in MARKS]
        if not isfinite(vat.crosses_h):
            continue
        for mark, row, said in zip(MARKS, rows, forecaster(vat, rows), strict=True):
            yield Scored(vat.family, mark, said, vat.crosses_h - float(vat.truth.hours[row]))


HEADER = f"{'':<34}{'said':>6}{'cover':>7}{'later':>7}{'early':>7}{'error h':>9}{'width h':>9}{'score':>7}"


def line(name: str, scored: list[Scored]) -> str:
    """Return how many spoke, how many intervals held, came later or earlier, median error and width, interval score."""
    said = [(each.said, each.remained_h) for each in scored if each.said is not None]
    if not said:
        return f"{name:<34}{0.0:>6.2f}"
    low, middle, high = np.array([interval for interval, _ in said]).T
    came = np.array([hours for _, hours in said])
    later, early = came > high, came < low
    penalty = (high - low) + 20.0 * (np.maximum(low - came, 0.0) + np.maximum(came - high, 0.0))
    relative = (
        np.median(np.minimum(penalty, 1e3) / np.maximum(came, 1.0)),
        np.mean(np.minimum(penalty, 480.0) / np.maximum(came, 1.0)),
    )
    error = np.median(np.minimum(np.abs(middle - came), 1e3))
    return (
        f"{name:<34}{len(said) / len(scored):>6.2f}{np.mean(~later & ~early):>7.2f}{np.mean(later):>7.2f}"
        f"{np.mean(early):>7.2f}{error:>9.1f}{np.median(high - low):>9.1f}{relative[1]:>7.2f}"
    )


def table(name: str, scored: list[Scored], *, by_family: bool) -> Iterator[str]:
    """Yield the lines of one forecaster: pooled at each mark, and by family."""
    for mark in MARKS:
        here = [each for each in scored if each.mark == mark]
        yield line(f"{name}, {100 * mark:.0f} %", here)
        for family in dict.fromkeys(each.family for each in here) if by_family else ():
            yield line(f"    {family}", [each for each in here if each.family == family])
