"""Read the whole log of a vat in pieces, for replay and export.

Law: each piece is a short read transaction of its own, so that a long export never holds up the writer's log; records
never change, so the pieces fit together. A span is a range of record numbers, whatever the wall clock did meanwhile.

No index knows the UTC of records, for it would grow the log by a fifth. A night is found by the times of some thousand
records: between two neighbours of them that are both before it, or both after it, nothing is looked at.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from itertools import pairwise
from operator import eq, ge, lt

from sqlalchemy import ColumnElement, func, or_, select

from logger.model import Block, Command, Measurements
from logger.store import rows
from logger.store.queries import MEASUREMENT_COLUMNS, commands, given
from logger.store.rows import AnyColumns
from logger.store.store import Store
from logger.store.tables import inbox, measurement

CHUNK = 3600
"""Records a piece: ten hours of a probe read every 10 s."""
SAMPLES = 1000
"""So many records of a long log are asked for their time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordSpan:
    """The records that a probe made at a vat, from number `first` to number `last` (both included)."""

    vat: str
    probe: str
    first: int
    last: int


def spans(
    store: Store, *, vat: str | None = None, since_at_us: int | None = None, until_at_us: int | None = None
) -> list[RecordSpan]:
    """Return what there is to export, a span for each probe at each vat; reads the whole table.

    Only records whose UTC time (microseconds) is at or after `since_at_us` and before `until_at_us` set the limits.
    """
    m = measurement.c
    wanted = given((m.vat, eq, vat), (m.at_us, ge, since_at_us), (m.at_us, lt, until_at_us))
    statement = select(m.vat, m.probe, func.min(m.seq), func.max(m.seq)).where(*wanted)
    with store.reading() as connection:
        found_rows = connection.execute(statement.group_by(m.vat, m.probe).order_by(m.vat, m.probe)).all()
    return [RecordSpan(vat=vat, probe=probe, first=first, last=last) for vat, probe, first, last in found_rows]


def between(
    store: Store, *, vat: str, probe: str, since_at_us: int, until_at_us: int, chunk: int = CHUNK
) -> Iterator[Measurements]:
    """Yield the records that a probe made at a vat within a span of UTC (microseconds); only what is near it is read.

    A clock that was far ahead or behind for less than the distance of two samples may hide records from it.
    """
    m = measurement.c
    within = (m.at_us >= since_at_us, m.at_us < until_at_us)
    for first, last in _near(store, probe, since_at_us, until_at_us, chunk=chunk):
        yield from _pieces(
            store, Measurements, RecordSpan(vat=vat, probe=probe, first=first, last=last), *within, chunk=chunk
        )


def _near(store: Store, probe: str, since_at_us: int, until_at_us: int, *, chunk: int) -> Iterator[tuple[int, int]]:
    """Yield the ranges of record numbers in which a span of UTC may lie, in order and apart from each other."""
    begin = end = None
    for (first, since_us), (last, until_us) in pairwise(_samples(store, probe, chunk=chunk)):
        if max(since_us, until_us) < since_at_us or min(since_us, until_us) >= until_at_us:
            continue
        if end is not None and begin is not None and first > end:
            yield begin, end
            begin = None
        begin, end = first if begin is None else begin, last
    if begin is not None and end is not None:
        yield begin, end


def _samples(store: Store, probe: str, *, chunk: int) -> list[tuple[int, int]]:
    """Return number and time of the first and the last record of a probe, and of some between them; two at least."""
    m = measurement.c
    times = select(m.seq, m.at_us).where(m.probe == probe).order_by(m.seq)
    with store.reading() as connection:
        first, last = connection.execute(select(func.min(m.seq), func.max(m.seq)).where(m.probe == probe)).one()
        if first is None:
            return []
        wanted = range(first, last, max(chunk, (last - first) // SAMPLES))
        found = connection.execute(times.where(m.seq.in_([*wanted, last]))).all()
    ends = [(seq, at_us) for seq, at_us in found]
    return [*ends, ends[-1]] if len(ends) == 1 else ends


def indications(store: Store, span: RecordSpan, *, chunk: int = CHUNK) -> Iterator[Block]:
    """Yield the indications of a span as they came, at most `chunk` a piece."""
    return _pieces(store, Block, span, chunk=chunk)


def measurements(store: Store, span: RecordSpan, *, chunk: int = CHUNK) -> Iterator[Measurements]:
    """Yield the records of a span with all that was made of them, at most `chunk` a piece."""
    return _pieces(store, Measurements, span, chunk=chunk)


def consumed_commands(store: Store, span: RecordSpan) -> list[Command]:
    """Return the commands that a span's records follow, each with the number of the record it was applied before."""
    concerns = (inbox.c.consumed_probe == span.probe) & or_(inbox.c.vat == span.vat, inbox.c.vat == "")
    with store.reading() as connection:
        return commands(connection, concerns, inbox.c.consumed_seq.between(span.first, span.last))


def _pieces(
    store: Store, kind: type[AnyColumns], span: RecordSpan, *conditions: ColumnElement[bool], chunk: int
) -> Iterator[AnyColumns]:
    columns = MEASUREMENT_COLUMNS[: len(fields(kind))]  # the first fields of Measurements are those of Block
    m, first = measurement.c, span.first
    statement = (
        select(*columns).where(m.probe == span.probe, m.vat == span.vat, *conditions).order_by(m.seq).limit(chunk)
    )
    while True:
        with store.reading() as connection:
            found_rows = connection.execute(statement.where(m.seq.between(first, span.last))).all()
        if not found_rows:
            return
        yield rows.read_columns(kind, found_rows)
        first = found_rows[-1][0] + 1
