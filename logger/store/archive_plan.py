"""Choose what can be moved out of a store into an archive.

Law: what is under way stays whole: of each vat all from the beginning of the oldest batch that goes on or reaches into
the time that is kept, and the last `KEPT_US` before its newest record, for the windows of a watch look back on them. No
batch is cut in two. The newest record of a probe always stays, so its number is never given again.
"""

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Table, and_, false, func, or_, select

from logger.errors import RefusedError
from logger.model import BatchRecord, Carry, Cause, State
from logger.store import batches, queries, time_search
from logger.store.archive_note import Cut, MovedRecords
from logger.store.archive_rows import Selection
from logger.store.history import CHUNK
from logger.store.store import Store
from logger.store.tables import journal, measurement, outbox, watch_part
from logger.structs import Struct
from logger.units import DAY_US

KEPT_US = 7 * DAY_US
"""Longer than any window looks back. Common practice, no source."""


class Held(Struct, frozen=True, kw_only=True):
    """A vat that keeps more than was asked for: from when on (UTC, microseconds), and why."""

    vat: str
    since_us: int
    why: str


class Plan(Struct, frozen=True, kw_only=True):
    """What would be moved."""

    selection: Selection
    entries: int
    """Rows of the journal that would leave the store."""
    events: int
    """Delivered events that would."""
    bytes: int
    """About how much of the store that is."""
    store_bytes: int
    held: tuple[Held, ...]
    """Which vats keep more than was asked for."""

    @property
    def records(self) -> int:
        """Return how many records would be moved."""
        return sum(stretch.records for stretch in self.selection.stretches)

    @property
    def is_empty(self) -> bool:
        """Tell whether there is nothing to be moved."""
        return not (self.records or self.entries or self.events)


def plan(store: Store, *, before_us: int) -> Plan:
    """Return what of a store is older than that UTC (microseconds) and not needed."""
    carries, held, cuts, stretches = queries.watches(store), list[Held](), list[Cut](), list[MovedRecords]()
    for vat in _vats(store):
        cut_us, why = _cut_us(store, vat, before_us, carries.get(vat, Carry(probe="")))
        held += [Held(vat=vat, since_us=cut_us, why=why)] if why else []
        stretches += _stretches(store, vat, cut_us)
        cuts.append(_journal_cut(store, vat, copied_us=cut_us, moved_us=cut_us))
    moved_us = min((cut.moved_us for cut in cuts), default=before_us)
    copied_us = max((cut.copied_us for cut in cuts), default=before_us)
    cuts.append(_journal_cut(store, "", copied_us=copied_us, moved_us=moved_us))
    selection = Selection(stretches=tuple(stretches), cuts=tuple(cuts))
    return _sized(store, selection, tuple(held))


def require_taken(store: Store) -> None:
    """Raise RefusedError while commands wait: one of them may end a batch, or begin one."""
    if waiting := len(queries.pending(store)):
        raise RefusedError(
            f"{'a command waits' if waiting == 1 else f'{waiting} commands wait'} for the daemon: start it"
            " (`vatvigil run`), and try again when it has taken what waits and was ended"
        )


def _vats(store: Store) -> list[str]:
    """Return the vats that anything is stored of."""
    columns = (watch_part.c.vat, journal.c.vat, measurement.c.vat)
    with store.reading() as connection:
        found = {vat for column in columns for vat in connection.scalars(select(column).distinct())}
    found |= {batch.vat for batch in batches.records(store)}
    return sorted(vat for vat in found if vat and _newest_us(store, vat) is not None)


def _newest_us(store: Store, vat: str) -> int | None:
    """Return the UTC of the newest record at a vat; None: it has none."""
    m = measurement.c
    newest: list[int] = []
    for probe in time_search.probes(store):
        with store.reading() as connection:
            mine = select(m.at_us).where(m.probe == probe, m.vat == vat).order_by(m.seq.desc()).limit(1)
            newest += connection.scalars(mine).all()
    return max(newest, default=None)


def _cut_us(store: Store, vat: str, before_us: int, carry: Carry) -> tuple[int, str]:
    """Return from when on a vat's records stay, and why that is earlier than was asked for."""
    newest_us = _newest_us(store, vat)
    cut_us, why = before_us, ""
    if newest_us is not None and newest_us - KEPT_US < cut_us:
        cut_us, why = newest_us - KEPT_US, "the last week before its newest record stays"
    started_us = carry.batch.started_at_us
    if started_us is not None and started_us < cut_us:
        cut_us, why = started_us, "the batch under way stays whole"
    known = batches.records(store, vat=vat)
    while across := [one for one in known if _reaches(one, cut_us) or _is_torn(store, one, cut_us)]:
        oldest = min(across, key=lambda one: one.started_at_us)
        cut_us, why = oldest.started_at_us, f"batch {oldest.id} stays whole, {_when(oldest)}"
    return cut_us, why


def _when(batch: BatchRecord) -> str:
    return "which goes on" if batch.ended_at_us is None else "which ended later"


def _reaches(batch: BatchRecord, cut_us: int) -> bool:
    return batch.started_at_us < cut_us and (batch.ended_at_us is None or batch.ended_at_us >= cut_us)


def _is_torn(store: Store, batch: BatchRecord, cut_us: int) -> bool:
    """Tell whether a batch that ended before would lose a part all the same: a clock was wrong while it went on."""
    if batch.started_at_us >= cut_us:
        return False
    spans = batches.spans_of(store, batch)
    firsts = {span: _first_kept(store, span.vat, span.probe, cut_us) for span in spans}
    return any(first is not None and first <= span.last for span, first in firsts.items())


def _first_kept(store: Store, vat: str, probe: str, cut_us: int) -> int | None:
    """Return the number of the first record that is of that UTC or later."""
    ends = time_search.first_and_last(store, probe, vat=vat, since_at_us=cut_us, until_at_us=None, finest=CHUNK)
    return None if ends is None else ends[0]


def _stretches(store: Store, vat: str, cut_us: int) -> Iterator[MovedRecords]:
    """Yield the records of a vat before the first one that stays, by probe."""
    m = measurement.c
    numbers = (func.min(m.seq), func.max(m.seq), func.count(), func.min(m.at_us), func.max(m.at_us))
    for probe in time_search.probes(store):
        of_vat = (m.probe == probe, m.vat == vat)
        kept = _first_kept(store, vat, probe, cut_us)
        newest = select(func.max(m.seq)).where(m.probe == probe)
        with store.reading() as connection:
            last = connection.scalar(newest)
            end = min(each for each in (kept, last) if each is not None)
            first, last, records, since_us, until_us = connection.execute(
                select(*numbers).where(*of_vat, m.seq < end)
            ).one()
        if records:
            yield MovedRecords(
                vat=vat, probe=probe, first=first, last=last, records=records, since_us=since_us, until_us=until_us
            )


def _journal_cut(store: Store, vat: str, *, copied_us: int, moved_us: int) -> Cut:
    """Return how far the journal of a vat goes into the archive, and how far it leaves the store."""
    number, at_us, mine = journal.c.id, journal.c.at_us, journal.c.vat == vat
    with store.reading() as connection:
        kept = connection.scalar(select(func.min(number)).where(mine, at_us >= moved_us))
        below = kept or (connection.scalar(select(func.max(number))) or 0) + 1
        since_us = connection.scalar(select(func.min(at_us)).where(mine, at_us < moved_us, number < below))
    begin_us = moved_us if since_us is None else since_us
    return Cut(vat=vat, since_us=begin_us, copied_us=copied_us, moved_us=moved_us, below=below)


class Needed(Struct, frozen=True, kw_only=True):
    """What of the journal and of the events stays because the watch goes on with it."""

    entries: frozenset[int]
    """Numbers of rows: of alarms that stand, and the newest claim of each vat."""
    moments: frozenset[tuple[str, int]]
    """Vat and UTC of these rows; their events have the same."""
    newest_event: int
    """Number of the newest event: it is not given again."""

    def may_leave(self, table: Table[Any], number: int, vat: str, at_us: int) -> bool:
        """Tell whether a row of the journal, or an event, may leave."""
        if table is journal:
            return number not in self.entries
        return number != self.newest_event and (vat, at_us) not in self.moments


def needed(store: Store) -> Needed:
    """Return what stays of the journal and of the events, however old."""
    standing = [
        and_(journal.c.vat.in_(("", vat)), journal.c.alarm == alarm, journal.c.occurrence == state.occurrence)
        for vat, carry in queries.watches(store).items()
        for alarm, state in carry.alarms.items()
        if state.shown is not State.NORMAL
    ]
    claimed = journal.c.cause == Cause.MEASURED_AT_TARGET.value
    newest = select(func.max(journal.c.id)).where(claimed).group_by(journal.c.vat)
    rows = select(journal.c.id, journal.c.vat, journal.c.at_us).where(or_(journal.c.id.in_(newest), *standing))
    with store.reading() as connection:
        kept = connection.execute(rows).all()
        newest_event = connection.scalar(select(func.max(outbox.c.id))) or 0
    return Needed(
        entries=frozenset(number for number, _, _ in kept),
        moments=frozenset((vat, at_us) for _, vat, at_us in kept),
        newest_event=newest_event,
    )


def may_leave(table: Table[Any], cuts: Sequence[Cut]) -> ColumnElement[bool]:
    """Return the condition on rows of the journal, or on events, that leave a store unless they are needed."""
    rows = table.c
    below = [rows.id < cut.below if table is journal else rows.delivered_at_us.is_not(None) for cut in cuts]
    before = (and_(rows.vat == cut.vat, rows.at_us < cut.moved_us, low) for cut, low in zip(cuts, below, strict=True))
    return or_(false(), *before)


def _sized(store: Store, selection: Selection, held: tuple[Held, ...]) -> Plan:
    kept = needed(store)
    with store.reading() as connection:
        entries, events = (
            sum(
                kept.may_leave(table, *row)
                for row in connection.execute(
                    select(table.c.id, table.c.vat, table.c.at_us).where(may_leave(table, selection.cuts))
                )
            )
            for table in (journal, outbox)
        )
    share = sum(stretch.records for stretch in selection.stretches) / max(1, _records(store))
    size = queries.size_bytes(store)
    return Plan(
        selection=selection,
        entries=entries,
        events=events,
        bytes=round(share * size),
        store_bytes=size,
        held=held,
    )


def _records(store: Store) -> int:
    with store.reading() as connection:
        return connection.scalar(select(func.count()).select_from(measurement)) or 0
