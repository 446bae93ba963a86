"""Write entries of batches, and enter in a batch's record what a command says of its vat.

Law: whatever way a command comes in (the command line, the hub), it is entered in the record of the batch under way in
the same transaction. A `started` begins a batch without ceremony and ends the one before; a note, what was topped up
and a spot measurement are entered as what they are. What the watch says to a command does not change the entry: that
stands beside it.
"""

from collections.abc import Sequence
from contextlib import suppress
from secrets import token_hex
from typing import Any

from sqlalchemy import Connection, insert, select

from logger.errors import RefusedError
from logger.model import (
    AnyEntry,
    BatchContent,
    BatchEntry,
    BatchState,
    CheckKind,
    Command,
    CommandKind,
    Mark,
    batch_figures,
    batch_id,
    batch_text,
)
from logger.model.batch import Addition, BatchEnd, BatchStart, IndependentMeasurement, Measured, Remark
from logger.model.batch_record import newest_version
from logger.store import rows
from logger.store.batch_entries import entries_of, open_batch_id
from logger.store.tables import batch_entry
from logger.structs import replace
from logger.units import SECOND_US

ENDED_BY_NEXT = "ended by the start of the next batch"
RESUMED = "entered when the store was begun anew; what was entered before is in the store that was set aside"
AHEAD_US = 60 * SECOND_US
"""What is entered may seem to lie so far ahead: clocks differ."""


def new_entry_id() -> str:
    """Return an identity that no entry has."""
    return token_hex(8)


def add_entry(connection: Connection, entry: AnyEntry, command: int | None) -> AnyEntry:
    """Store an entry, unless it is there already; return it with its number. Raises RefusedError."""
    stored = connection.scalar(select(batch_entry.c.id).where(batch_entry.c.entry == entry.entry))
    if stored is not None:
        return replace(entry, id=stored)
    _check(connection, entry)
    values: dict[str, Any] = rows.batch_entry_row(entry, command)
    number: Any = connection.scalar(insert(batch_entry).values(values).returning(batch_entry.c.id))
    return replace(entry, id=number)


def _check(connection: Connection, entry: AnyEntry) -> None:
    batch_figures.check(entry)
    if entry.happened_at_us > entry.at_us + AHEAD_US:
        raise RefusedError("what is entered must have happened by now: correct its time")
    known = entries_of(connection, batch_entry.c.batch == entry.batch)
    if isinstance(entry.content, BatchStart) and not entry.corrects:
        _check_start(connection, entry, known)
        return
    starts = [each for each in known if isinstance(each.content, BatchStart)]
    if not starts:
        raise RefusedError(f"there is no batch {entry.batch}: `vatvigil batch list` shows them")
    if (
        isinstance(entry.content, BatchEnd)
        and not entry.corrects
        and open_batch_id(connection, entry.vat) != entry.batch
    ):
        raise RefusedError(
            f"batch {entry.batch} of {entry.vat} has ended already: `vatvigil batch correct` corrects it"
        )
    if entry.corrects:
        _check_correction(entry, known)


def _check_start(connection: Connection, entry: AnyEntry, known: Sequence[AnyEntry]) -> None:
    under_way = open_batch_id(connection, entry.vat)
    if under_way is not None:
        raise RefusedError(
            f"batch {under_way} is under way in {entry.vat}: end it first (`vatvigil batch end {entry.vat}`), or add"
            f" what its record lacks (`vatvigil batch add {entry.vat} header`, `limits`)"
        )
    if known and any(isinstance(each.content, BatchStart) for each in known):
        raise RefusedError(f"batch {entry.batch} of {entry.vat} was started already")


def _check_correction(entry: AnyEntry, known: Sequence[AnyEntry]) -> None:
    newest = newest_version(known, entry.corrects)
    if newest is None:
        raise RefusedError(f"batch {entry.batch} has no entry {entry.corrects}: `vatvigil batch show` numbers them")
    if newest.entry != entry.corrects:
        what = "was withdrawn" if newest.is_withdrawal else f"was corrected by entry {newest.id} already"
        raise RefusedError(f"that entry {what}: correct the newest")
    if newest.is_withdrawal or newest.kind is not entry.kind:
        raise RefusedError("a withdrawn entry is entered anew, and no entry becomes one of another kind")


def resume(connection: Connection, vat: str, batch: BatchState) -> None:
    """Enter the start of a batch that a watch carries, unless it is there: its record before is in another store."""
    if not batch.id or batch.started_at_us is None or open_batch_id(connection, vat) == batch.id:
        return
    start = BatchEntry(
        entry=new_entry_id(),
        batch=batch.id,
        vat=vat,
        at_us=batch.started_at_us,
        happened_at_us=batch.started_at_us,
        note=RESUMED,
        content=BatchStart(),
    )
    with suppress(RefusedError):
        add_entry(connection, start, None)


def enter(connection: Connection, command: Command, number: int) -> None:
    """Enter what a command says of its vat in the record of the batch there; nothing if no batch is under way.

    What a record cannot take is not entered: the watch refuses that command too, and journals it.
    """
    if connection.scalar(select(batch_entry.c.id).where(batch_entry.c.command == number).limit(1)) is not None:
        return  # from a commit that seemed to fail
    vat = _vat_of(command)
    under_way = open_batch_id(connection, vat) if vat else None
    with suppress(RefusedError):
        for entry in _said(command, under_way) if vat else ():
            add_entry(connection, entry, number)


def _vat_of(command: Command) -> str:
    return command.vat or (command.check.vat if command.check else "")


def _said(command: Command, under_way: str | None) -> list[AnyEntry]:
    """Return the entries that a command makes."""
    if command.kind is CommandKind.MARK and command.note == Mark.STARTED:
        return _started(command, under_way)
    content = _content(command)
    return [] if under_way is None or content is None else [_entry(command, under_way, content)]


def _started(command: Command, under_way: str | None) -> list[AnyEntry]:
    begun = batch_id(command.vat, command.at_us)
    if under_way == begun:
        return []  # `batch start` has entered it
    started = replace(
        _entry(command, begun, BatchStart()),
        happened_at_us=command.at_us - round((command.duration_s or 0.0) * SECOND_US),
    )
    if under_way is None:
        return [started]
    return [replace(_entry(command, under_way, BatchEnd()), note=ENDED_BY_NEXT), started]


def _content(command: Command) -> BatchContent | None:
    check = command.check
    match command:
        case Command(kind=CommandKind.MARK, note=Mark.ENDED):
            return BatchEnd()
        case Command(kind=CommandKind.MARK, note=Mark.TOPPED_UP):
            return Addition(what="topped up", litres=command.litres)
        case Command(kind=CommandKind.BATCH):
            return batch_text.content_of(command.note)
        case Command(kind=CommandKind.NOTE):
            return Remark(text=command.note)
        case Command(kind=CommandKind.CHECK) if check is not None and check.kind is CheckKind.SPOT:
            return IndependentMeasurement(
                quantity=Measured.PH,
                value=check.reference_ph,
                u=check.u_reference_ph,
                instrument=check.instrument,
                sample_c=check.temperature_c,
                reading=check.reading_ph,
                check=check.id,
            )
    return None


def _entry(command: Command, batch: str, content: BatchContent) -> AnyEntry:
    return BatchEntry(
        entry=new_entry_id(),
        batch=batch,
        vat=_vat_of(command),
        at_us=command.at_us,
        happened_at_us=command.at_us if command.check is None else min(command.check.at_us, command.at_us),
        by=command.by,
        note="" if command.check is None else command.check.note,
        content=content,
    )
