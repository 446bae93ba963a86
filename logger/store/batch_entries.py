"""Find entries of batches within a transaction, for those who read and for those who write."""

from sqlalchemy import ColumnElement, Connection, false, or_, select

from logger.model import AnyEntry, BatchEntryKind
from logger.store import rows
from logger.store.tables import batch_entry, inbox

_HEARD = (inbox.c.consumed_seq, inbox.c.applied, inbox.c.answer)
"""What the watch said to the command by which it heard of an entry."""


def entries_of(connection: Connection, *conditions: ColumnElement[bool]) -> list[AnyEntry]:
    """Return entries in the order in which they were entered."""
    statement = select(batch_entry, *_HEARD).join(inbox, inbox.c.id == batch_entry.c.command, isouter=True)
    found = connection.execute(statement.where(*conditions).order_by(batch_entry.c.id)).mappings()
    return [rows.read_batch_entry(row) for row in found]


def open_batch_id(connection: Connection, vat: str) -> str | None:
    """Return the identity of the batch that is under way in a vat; None: none is."""
    was_done = or_(inbox.c.applied.is_(None), inbox.c.applied != false())
    statement = (
        select(batch_entry.c.batch, batch_entry.c.kind, batch_entry.c.is_withdrawal)
        .join(inbox, inbox.c.id == batch_entry.c.command, isouter=True)
        .where(batch_entry.c.vat == vat, was_done)
        .where(batch_entry.c.kind.in_([BatchEntryKind.START.value, BatchEntryKind.END.value]))
        .order_by(batch_entry.c.id)
    )
    opened: dict[str, None] = {}
    for batch, kind, is_withdrawal in connection.execute(statement):
        if (kind == BatchEntryKind.START) != is_withdrawal:
            opened[batch] = None
        else:
            opened.pop(batch, None)
    return next(reversed(opened), None)
