"""How often the 95 % interval of a reading holds the true pH, by strata; each with its standard error over vats."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from logger.model import Measurements
from tests.bench.claim_errors import RIGHT, SHARED
from tests.bench.claim_runs import Batch, Case, events
from tests.bench.claim_sets import HOURS, Floats

COVERAGE_FACTOR = 1.96
"""Of a normal distribution at 95 %, two-sided (GUM G.1.3)."""
EVERY = 180
"""Every so many readings one is looked at: every three hours."""
PERSONS = ("nobody", "buffers only", "08 and 20 h")
ERRORS = {"right": RIGHT, **SHARED}
STRATA = {
    "slope": (0.95, 0.99),
    "offset, mV": (-10.0, 10.0),
    "temperature, C": (12.0, 16.0, 20.0, 24.0),
    "pH": (4.2, 4.6, 5.0, 5.5),
    "age, days": (1.0, 3.0, 6.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Covered:
    """Readings of one vat: whether each interval holds the truth, and by stratum what they are sorted by."""

    case: Case
    holds: Floats
    by: dict[str, Floats]


def covered(case: Case) -> Covered:
    """Run a vat to its end and compare its readings with what was true."""
    batch = Batch(case)
    for hour, what in events(batch.person, phase_h=0.0, looks_from_h=math.inf):
        batch.go_on(hour)
        batch.dip() if what == "buffer" else batch.measure()
    batch.go_on(HOURS)
    return _compared(batch, Measurements.concatenate(batch.rows))


def _compared(batch: Batch, rows: Measurements) -> Covered:
    at = np.arange(EVERY, len(rows), EVERY)
    at = at[~np.isnan(rows.ph[at])]
    off = np.abs(rows.ph[at] - batch.true_ph[at])
    equipment, same = batch.equipment, np.ones(len(at))
    columns = (
        equipment.slope * same,
        equipment.offset_mv * same,
        batch.celsius[at],
        batch.true_ph[at],
        (batch.hours[at] - equipment.since_h) / 24.0,
    )
    holds = (off <= COVERAGE_FACTOR * rows.u[at]).astype(np.float64)
    return Covered(case=batch.case, holds=holds, by=dict(zip(STRATA, columns, strict=True)))


def coverage_cases(chosen: str, vats: int) -> Iterator[Case]:
    for scales in ERRORS.values():
        for person in PERSONS:
            for number in range(vats):
                yield Case(set=chosen, number=number, person=person, scales=scales, is_whole=True)


def coverage_table(all_covered: Iterable[Covered]) -> Iterator[str]:
    """Yield a line for each errors and person: over all readings, and by the strata of each column."""
    done = list(all_covered)
    yield "coverage of the 95 % interval of single readings, %; in brackets its standard error over vats"
    for label, scales in ERRORS.items():
        for person in PERSONS:
            some = [one for one in done if one.case.scales == scales and one.case.person == person]
            if some:
                yield from _lines(f"{label}, {person}", some)


def _lines(title: str, some: Sequence[Covered]) -> Iterator[str]:
    yield f"{title}: {_share(some, [np.ones(len(one.holds), dtype=np.bool_) for one in some])}"
    for name, edges in STRATA.items():
        rows = [np.searchsorted(edges, one.by[name]) for one in some]
        shares = [_share(some, [row == number for row in rows]) for number in range(len(edges) + 1)]
        bounds = ["<", *(f"{edge:g}" for edge in edges)]
        yield f"  {name:15} " + "  ".join(f"{bound}: {share}" for bound, share in zip(bounds, shares, strict=True))


def _share(some: Sequence[Covered], chosen: Sequence[np.ndarray]) -> str:
    """Return the share of these readings, a vat being what is drawn (a ratio of sums)."""
    held = np.array([one.holds[rows].sum() for one, rows in zip(some, chosen, strict=True)])
    count = np.array([rows.sum() for rows in chosen], dtype=np.float64)
    if not count.sum():
        return "-"
    share = held.sum() / count.sum()
    error = math.sqrt(float(((held - share * count) ** 2).sum())) / float(count.sum())
    return f"{100 * share:.1f} ({100 * error:.1f})"
