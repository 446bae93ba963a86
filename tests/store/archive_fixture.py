"""A store of forty days, with batches, an alarm that stands, a claim and events; and what is in its tables."""

from typing import Any

import numpy as np
from sqlalchemy import select

from logger.model import BatchEntry, Cause, Entry, Measurements, batch_id
from logger.model.batch import BatchEnd, BatchStart
from logger.store import Store
from logger.store.archive_rows import TABLES
from logger.structs import replace
from tests.store.factories import START_US, calibration, carry, check, event, measurements, outcome
from tests.store.factories import entry as annunciation

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
DAYS = 40
BATCHES = {"first": (5, 9), "second": (18, 22), "third": (35, None)}
"""From which day to which."""


def day(number: float) -> int:
    """Return the UTC (microseconds) at which that day begins."""
    return START_US + round(number * DAY_US)


def hourly(first: int, count: int) -> Measurements:
    """Return records one hour apart."""
    made = measurements(first, count, calibration=1)
    return replace(made, at_us=START_US + made.seq * HOUR_US, elapsed_us=made.seq * HOUR_US, check=made.calibration)


def fill(store: Store) -> None:
    """Store all of it."""
    with store.begin() as work:
        run = work.start_run(at_us=START_US, elapsed_us=0, version="0", config_hash="")
        work.add_calibration(calibration())
        work.add_check(check())
        for name, (begin, end) in BATCHES.items():
            work.add_batch_entry(_entry(name, begin, BatchStart()))
            if end is not None:
                work.add_batch_entry(_entry(name, end, BatchEnd()))
        work.append(outcome(hourly(1, DAYS * 24 - 2), entries=journal(), carry=carry()), run=run)
        work.add_events([event(f"e{n}", at_us=day(n)) for n in range(DAYS)], {f"e{n}": 7 for n in range(1, DAYS, 2)})
        work.mark_taken({("hook", f"e{n}"): day(n) for n in range(0, DAYS, 3)})
        work.commit()


def journal() -> list[Entry]:
    """Return an alarm a day, what the watch itself says, and a claim; occurrence 3, which stands, came on day 3."""
    daily = [replace(annunciation(24 * n, occurrence=n), at_us=day(n)) for n in range(1, DAYS)]
    own = [replace(annunciation(0, vat="", alarm="disk", occurrence=n), at_us=day(n + 0.5)) for n in range(1, DAYS, 2)]
    claim = Entry(seq=200, at_us=day(8), vat="marrow", cause=Cause.MEASURED_AT_TARGET)
    return [*daily, *own, claim]


def _entry(name: str, number: int, content: BatchStart | BatchEnd) -> BatchEntry[BatchStart | BatchEnd]:
    batch = batch_of(name)
    kind = type(content).__name__
    return BatchEntry(
        entry=f"{name} {kind}",
        batch=batch,
        vat="marrow",
        at_us=day(number),
        happened_at_us=day(number),
        content=content,
    )


def batch_of(name: str) -> str:
    """Return the identity of a batch."""
    return batch_id("marrow", day(BATCHES[name][0]))


def rows(store: Store) -> dict[str, set[tuple[Any, ...]]]:
    """Return what is in the tables that an archive has."""
    with store.reading() as connection:
        found = {name: connection.execute(select(table)).all() for name, table in TABLES.items()}
    return {name: {tuple(row) for row in of_table} for name, of_table in found.items()}


def moments(store: Store) -> tuple[int, int]:
    """Return the numbers of the first and the last record."""
    numbers = sorted(row[1] for row in rows(store)["measurement"])
    assert np.all(np.diff(numbers) == 1)
    return numbers[0], numbers[-1]
