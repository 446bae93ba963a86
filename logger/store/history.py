"""Read the whole log of a vat in pieces, for replay and export.

Law: each piece is a short read transaction of its own, so that a long export never holds up the writer's log; records
never change, so the pieces fit together. A span is a range of record numbers, whatever the wall clock did meanwhile.

Which records are of a night is found by `time_search.py`.
"""

from collections.abc import Iterator
from dataclasses import fields

from sqlalchemy import ColumnElement, or_, select

from logger.model import Block, Command, Measurements
from logger.store import rows, time_search
from logger.store.queries import MEASUREMENT_COLUMNS, commands
from logger.store.rows import AnyColumns
from logger.store.store import Store
from logger.store.tables import inbox, measurement, watch_part
from logger.structs import Struct

CHUNK = 3600
"""Records a piece: ten hours of a probe read every 10 s."""


class RecordSpan(Struct, frozen=True, kw_only=True):
    """The records that a probe made at a vat, from number `first` to number `last` (both included)."""

    vat: str
    probe: str
    first: int
    last: int


def spans(
    store: Store, *, vat: str | None = None, since_at_us: int | None = None, until_at_us: int | None = None
) -> list[RecordSpan]:
    """Return what there is to export of a vat (None: of each), a span for each probe.

    Only records whose UTC time (microseconds) is at or after `since_at_us` and before `until_at_us` set the limits.
    """
    found: list[RecordSpan] = []
    for name in _vats(store) if vat is None else [vat]:
        for probe in time_search.probes(store):
            ends = time_search.first_and_last(
                store, probe, vat=name, since_at_us=since_at_us, until_at_us=until_at_us, finest=CHUNK
            )
            found += [] if ends is None else [RecordSpan(vat=name, probe=probe, first=ends[0], last=ends[1])]
    return found


def _vats(store: Store) -> list[str]:
    """Return the vats that were ever watched."""
    with store.reading() as connection:
        return list(connection.scalars(select(watch_part.c.vat).distinct().order_by(watch_part.c.vat)))


def between(
    store: Store, *, vat: str, probe: str, since_at_us: int, until_at_us: int, chunk: int = CHUNK
) -> Iterator[Measurements]:
    """Yield the records that a probe made at a vat within a span of UTC (microseconds), reading little else."""
    m = measurement.c
    within = (m.at_us >= since_at_us, m.at_us < until_at_us)
    ranges = time_search.near(store, probe, vat=vat, since_at_us=since_at_us, until_at_us=until_at_us, finest=chunk)
    for first, last in ranges:
        span = RecordSpan(vat=vat, probe=probe, first=first, last=last)
        yield from _pieces(store, Measurements, span, *within, chunk=chunk)


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
