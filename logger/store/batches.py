"""Read the records of batches from the store, and what the log holds of them.

Law: each function is one short read transaction of its own. A start that the watch refused began no batch. A batch is
of one vat, from its start to its end (UTC): what the log holds in that time at that vat belongs to it.
"""

from itertools import groupby
from operator import attrgetter

from sqlalchemy import ColumnElement, select

from logger.errors import RefusedError
from logger.model import AnyEntry, BatchEntryKind, BatchRecord, Check, Entry
from logger.model.batch_record import compose
from logger.store import rows
from logger.store.batch_entries import entries_of, open_batch_id
from logger.store.history import RecordSpan, spans
from logger.store.store import Store
from logger.store.tables import batch_entry, check_reading, journal


def record(store: Store, batch: str) -> BatchRecord | None:
    """Return one batch whole; None: there is no such batch."""
    return next(iter(_records(store, batch_entry.c.batch == batch)), None)


def records(
    store: Store, *, vat: str | None = None, since_at_us: int | None = None, until_at_us: int | None = None
) -> list[BatchRecord]:
    """Return the batches, by their start, oldest first; those of a vat, and under way in a span of UTC (us)."""
    found = _records(store, *([] if vat is None else [batch_entry.c.vat == vat]))
    return [
        each
        for each in sorted(found, key=attrgetter("started_at_us"))
        if (until_at_us is None or each.started_at_us < until_at_us)
        and (since_at_us is None or each.ended_at_us is None or each.ended_at_us >= since_at_us)
    ]


def open_batch(store: Store, vat: str) -> BatchRecord | None:
    """Return the batch that is under way in a vat; None: none is."""
    with store.reading() as connection:
        batch = open_batch_id(connection, vat)
    return None if batch is None else record(store, batch)


def find(store: Store, name: str) -> BatchRecord:
    """Return the batch that somebody means by its id or how that begins, its lot, or its vat (the newest there).

    Raises RefusedError, which says what there is.
    """
    known = records(store)
    of_vat = [each for each in known if each.vat == name]
    if of_vat:
        return of_vat[-1]
    meant = [each for each in known if name and (each.id.startswith(name) or each.header.lot == name)]
    if len(meant) == 1:
        return meant[0]
    if meant:
        several = ", ".join(f"{each.id} in {each.vat}" for each in meant)
        raise RefusedError(f"{name!r} may be one of several batches: {several}. Name one by its id")
    raise RefusedError(
        f"there is no batch {name!r}: name one by its id, its lot or its vat; `vatvigil batch list` shows them"
    )


def journal_of(store: Store, batch: BatchRecord) -> list[Entry]:
    """Return what the journal holds of a batch: alarms, marks, claims, notes, in order."""
    wanted = [journal.c.vat == batch.vat, *_within(journal.c.at_us, batch)]
    statement = select(journal).where(*wanted).order_by(journal.c.id)
    with store.reading() as connection:
        return [rows.read_entry(row) for row in connection.execute(statement).mappings()]


def checks_of(store: Store, batch: BatchRecord) -> list[Check]:
    """Return the checks that were made in the vat of a batch while it went on, in the order they were stored."""
    wanted = [check_reading.c.vat == batch.vat, *_within(check_reading.c.at_us, batch)]
    statement = select(check_reading).where(*wanted).order_by(check_reading.c.id)
    with store.reading() as connection:
        return [rows.read_check(row) for row in connection.execute(statement).mappings()]


def spans_of(store: Store, batch: BatchRecord) -> list[RecordSpan]:
    """Return which records are of a batch, a span for each probe that watched it."""
    until_at_us = None if batch.ended_at_us is None else batch.ended_at_us + 1
    return spans(store, vat=batch.vat, since_at_us=batch.started_at_us, until_at_us=until_at_us)


def _records(store: Store, *conditions: ColumnElement[bool]) -> list[BatchRecord]:
    with store.reading() as connection:
        found = entries_of(connection, *conditions)
    by_batch = groupby(sorted(found, key=attrgetter("batch", "id")), key=attrgetter("batch"))
    whole = [[*entries] for _, entries in by_batch]
    return [compose(entries) for entries in whole if _was_started(entries)]


def _was_started(entries: list[AnyEntry]) -> bool:
    starts = [each for each in entries if each.kind is BatchEntryKind.START and not each.refusal]
    return bool(starts) and not starts[-1].is_withdrawal


def _within(at_us: ColumnElement[int], batch: BatchRecord) -> list[ColumnElement[bool]]:
    end = [] if batch.ended_at_us is None else [at_us <= batch.ended_at_us]
    return [at_us >= batch.started_at_us, *end]
