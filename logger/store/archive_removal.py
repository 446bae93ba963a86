"""Remove from a store what its archive has: the one exception to the law that no row is ever deleted.

Law: a row is removed only right after the same row was read from the archive, column by column. The triggers that
refuse it are taken away and put back within each transaction, so a kill leaves them in force; and each transaction is
small, so a kill leaves every row in the archive or in both. What is removed already is passed over: to do it again
finishes it.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, bindparam, delete, select

from logger.errors import StoreError
from logger.model import Cause, Entry
from logger.store import archive_note, archive_plan
from logger.store.archive_note import Note
from logger.store.archive_plan import Needed
from logger.store.archive_rows import Rows, pieces, read
from logger.store.store import Store
from logger.store.tables import channel_delivery, journal, measurement, meta, outbox

Step = Callable[[str], None]
_GUARD = "SELECT sql FROM sqlite_schema WHERE type = 'trigger' AND name = ?"


def note(store: Store, made: Note) -> None:
    """Let a store know what is moved out of it, in its journal too; nothing if it knows."""
    with store.begin() as work:
        if work.connection.scalar(select(meta.c.key).where(meta.c.key == made.key)) is not None:
            return
        work.connection.execute(meta.insert().values(key=made.key, value=archive_note.encode(made)))
        work.add_entries([_entry(made)])
        work.commit()


def _entry(made: Note) -> Entry:
    text = (
        f"moved {made.records} records, {made.rows['journal']} entries of the journal and {made.rows['outbox']} events"
        f" to the archive {made.file} (SHA-256 {made.digest})"
    )
    return Entry(seq=0, at_us=made.made_at_us, vat="", cause=Cause.ARCHIVED, text=text)


def remove(store: Store, archive: Store, made: Note, *, after: Step) -> None:
    """Remove what an archive has and a store need not keep; `after` is told of each transaction."""
    needed = archive_plan.needed(store)
    taken = {row for name, rows in pieces(archive, made.columns) if name == "channel_delivery" for row in rows}
    for name, rows in pieces(archive, made.columns):
        match name:
            case "journal":
                _remove_entries(store, made, needed, rows)
            case "outbox":
                _remove_events(store, made, needed, rows, taken)
            case "measurement":
                _remove_records(store, made, rows)
            case _:
                continue
        after(name)


def _remove_entries(store: Store, made: Note, needed: Needed, rows: Rows) -> None:
    _delete(store, {journal: ("id", _leaving(store, made, needed, journal, rows, "id"))})


def _remove_events(store: Store, made: Note, needed: Needed, rows: Rows, taken: set[tuple[Any, ...]]) -> None:
    late = {
        row[_place(made, channel_delivery, "event_id")]
        for row in _all(store, made, channel_delivery)
        if row not in taken
    }  # fmt: skip - a channel took them since the archive was made: they stay
    leaving = _leaving(store, made, needed, outbox, rows, "event_id")
    events = "event_id", [event for event in leaving if event not in late]
    _delete(store, {channel_delivery: events, outbox: events})


def _leaving(store: Store, made: Note, needed: Needed, table: Table[Any], rows: Rows, key: str) -> list[Any]:
    """Return the keys of those rows of a piece that are in the store and may leave it."""
    places = [_place(made, table, name) for name in ("id", "vat", "at_us")]
    first, last = rows[0][places[0]], rows[-1][places[0]]
    here = _all(store, made, table, archive_plan.may_leave(table, made.cuts), table.c.id.between(first, last))
    _require_same(store, made, here, rows)
    number = _place(made, table, key)
    return [row[number] for row in here if needed.may_leave(table, *(row[place] for place in places))]


def _remove_records(store: Store, made: Note, rows: Rows) -> None:
    """Remove a piece of records, which are of one probe, by their vats."""
    vat, probe, seq = (_place(made, measurement, name) for name in ("vat", "probe", "seq"))
    m, first, last = measurement.c, rows[0][seq], rows[-1][seq]
    piece = [m.probe == rows[0][probe], m.seq.between(first, last), m.vat.in_({row[vat] for row in rows})]
    here = _all(store, made, measurement, *piece)
    if not here:
        return
    _require_same(store, made, here, rows)
    with store.begin() as work:
        with _unguarded(work.connection, measurement):
            work.connection.execute(delete(measurement).where(*piece))
        work.commit()


def _require_same(store: Store, made: Note, here: Rows, rows: Rows) -> None:
    """Raise StoreError unless the archive has every one of these rows as the store has it."""
    if here != rows and not {*here} <= {*rows}:
        raise StoreError(
            f"The store {store.where} holds rows that differ from those of the archive {made.file}: nothing more is"
            " removed. Was another store restored meanwhile? Make another archive"
        )


def _place(made: Note, table: Table[Any], name: str) -> int:
    return made.columns[table.name].index(name)


def _all(store: Store, made: Note, table: Table[Any], *wanted: ColumnElement[bool]) -> Rows:
    columns = [table.c[name] for name in made.columns[table.name]]
    ordered = [table.c[name] for name in ("id", "seq") if name in table.c]
    return read(store, select(*columns).where(*wanted).order_by(*ordered[:1]))


def _delete(store: Store, rows: Mapping[Table[Any], tuple[str, Sequence[Any]]]) -> None:
    """Delete rows by their keys, in one transaction; none where there are no rows, for it would leave no log."""
    if not any(values for _, values in rows.values()):
        return
    with store.begin() as work:
        for table, (key, values) in rows.items():
            with _unguarded(work.connection, table):
                statement = delete(table).where(table.c[key] == bindparam("wanted"))
                work.connection.execute(statement, [{"wanted": value} for value in values])
        work.commit()


@contextmanager
def _unguarded(connection: Connection, table: Table[Any]) -> Iterator[None]:
    """Let rows of a table be deleted within the block; the transaction that is open puts the guard back."""
    guard = f"{table.name}_delete"
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"ALTER TABLE {table.name} DISABLE TRIGGER {guard}")
        put_back = f"ALTER TABLE {table.name} ENABLE TRIGGER {guard}"
    else:
        put_back = str(connection.exec_driver_sql(_GUARD, (guard,)).scalar_one_or_none() or "")
        if not put_back:
            raise StoreError(f"The store lacks its trigger {guard}: somebody changed it; restore a backup")
        connection.exec_driver_sql(f"DROP TRIGGER {guard}")
    yield
    guarded_again(connection, put_back)


def guarded_again(connection: Connection, put_back: str) -> None:
    """Put a guard back."""
    connection.exec_driver_sql(put_back)
