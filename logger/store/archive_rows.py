"""Read what an archive is made of, and make the digest of it.

Law: the same rows give the same bytes, wherever they are read: from the store that they are copied from, on either
database, or from the archive. The digest is the SHA-256 of lines that end with LF, each a JSON array (RFC 8259): the
name of a table, then the values of the columns that the note names. Tables stand in the order of `TABLES`, rows by
their key. Numbers are written as in `batch_seal.py`.

An archive has a copy of what is not moved too (calibrations, checks, the records of batches, commands), under the same
numbers: so it is a store that every report can read, and whose sealed batches can be verified, by itself.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from hashlib import sha256
from typing import Any

import msgspec
from sqlalchemy import ColumnElement, Select, Table, and_, false, or_, select

from logger.store import time_search
from logger.store.archive_note import Cut, MovedRecords
from logger.store.store import Store
from logger.store.tables import (
    batch_entry,
    calibration,
    care_entry,
    channel_delivery,
    check_reading,
    correction,
    inbox,
    journal,
    measurement,
    outbox,
    run,
    watch_part,
)
from logger.structs import Struct, field

TABLES: Mapping[str, Table[Any]] = {
    str(table.name): table
    for table in (
        *(run, calibration, check_reading, correction, inbox, batch_entry, care_entry, watch_part),
        *(journal, outbox, channel_delivery, measurement),
    )
}
"""In an order in which each finds what it refers to."""
COLUMNS: Mapping[str, tuple[str, ...]] = {name: tuple(map(str, table.c.keys())) for name, table in TABLES.items()}
PIECE = 20_000
_ENCODER = msgspec.json.Encoder()

Rows = Sequence[tuple[Any, ...]]
Columns = Mapping[str, tuple[str, ...]]


class Selection(Struct, frozen=True, kw_only=True):
    """Which rows of a store an archive has."""

    stretches: tuple[MovedRecords, ...]
    cuts: tuple[Cut, ...]

    def of(self, table: Table[Any]) -> list[ColumnElement[bool]]:
        """Return the conditions on a table's rows."""
        match table.name:
            case "journal":
                return [self._before(table)]
            case "outbox":
                return [self._before(table), table.c.delivered_at_us.is_not(None)]
            case "channel_delivery":
                return [table.c.event_id.in_(select(outbox.c.event_id).where(*self.of(outbox)))]
            case "measurement":
                return [or_(false(), *map(_within, self.stretches))]
            case _:
                return []

    def _before(self, table: Table[Any]) -> ColumnElement[bool]:
        return or_(false(), *(and_(table.c.vat == cut.vat, table.c.at_us < cut.copied_us) for cut in self.cuts))


def _within(stretch: MovedRecords) -> ColumnElement[bool]:
    m = measurement.c
    return and_(m.probe == stretch.probe, m.vat == stretch.vat, m.seq.between(stretch.first, stretch.last))


def pieces(store: Store, columns: Columns, selection: Selection | None = None) -> Iterator[tuple[str, Rows]]:
    """Yield the rows in pieces, with the table that they are of; `selection` None: all that there are."""
    for name, table in TABLES.items():
        wanted = [] if selection is None else selection.of(table)
        chosen = [table.c[column] for column in columns[name]]
        for rows in _pieces_of(store, table, chosen, wanted):
            yield name, rows


def _pieces_of(store: Store, table: Table[Any], chosen: list[Any], wanted: list[ColumnElement[bool]]) -> Iterator[Rows]:
    names = [column.name for column in chosen]
    if table is measurement:
        for probe in time_search.probes(store):
            mine = select(*chosen).where(table.c.probe == probe, *wanted)
            yield from _by_number(store, mine, table.c.seq, names.index("seq"))
    elif "id" in table.c:
        yield from _by_number(store, select(*chosen).where(*wanted), table.c.id, names.index("id"))
    else:
        begins = (
            [table.c.event_id != ""] if table is channel_delivery else []
        )  # when a channel began is each store's own
        found = read(store, select(*chosen).where(*wanted, *begins))
        yield from [sorted(found)] if found else []  # by texts: databases sort them each in its own way


def _by_number(store: Store, statement: Select[Any], number: ColumnElement[int], place: int) -> Iterator[Rows]:
    ordered, after = statement.order_by(number).limit(PIECE), -1
    while found := read(store, ordered.where(number > after)):
        yield found
        after = found[-1][place]


def read(store: Store, statement: Select[Any]) -> Rows:
    """Return rows as the driver gives them; only their truth values are alike on both databases once they are typed."""
    typed = any(column.type.python_type is bool for column in statement.selected_columns)
    with store.reading() as connection:
        result = connection.execute(statement)
        if typed:
            return [tuple(row) for row in result.all()]
        found: Rows = result.cursor.fetchall() if result.cursor is not None else []
        result.close()
        return found


class RowDigest(Struct):
    """A digest in the making."""

    rows: dict[str, int] = field(default_factory=lambda: dict.fromkeys(TABLES, 0))
    _hash: Any = field(default_factory=sha256)

    def add(self, name: str, rows: Rows) -> None:
        """Take the next rows."""
        self.rows[name] += len(rows)
        self._hash.update(_ENCODER.encode_lines([(name, *row) for row in rows]))

    @property
    def hex(self) -> str:
        """Return it as text."""
        return str(self._hash.hexdigest())


def digest(found: Iterable[tuple[str, Rows]]) -> RowDigest:
    """Return the digest of rows."""
    made = RowDigest()
    for name, rows in found:
        made.add(name, rows)
    return made
