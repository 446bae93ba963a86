"""Read from the store what the running watch and the commands need.

Law: each function is one short read transaction of its own. Rows come in the order in which they were stored; no key
and no order relies on the wall clock. Every function may raise StoreBusyError.

An inbox row that cannot be read (another version's, or written by hand) is refused with a journal row; it would end
every daemon otherwise.
"""

from collections.abc import Callable, Iterable
from dataclasses import fields
from itertools import groupby
from operator import eq, ge, itemgetter, lt
from typing import Any

import msgspec
from sqlalchemy import Column, ColumnElement, Connection, RowMapping, Table, func, literal, select, text

from logger.errors import RefusedError, refusing
from logger.model import (
    Answer,
    Calibration,
    Carry,
    Cause,
    Check,
    Command,
    CommandKind,
    Correction,
    Entry,
    Event,
    Measurements,
    TargetProgress,
    WatchState,
    WindowState,
    plain_text,
)
from logger.store import parts, rows
from logger.store.parts import PartRow
from logger.store.rows import AnyRow
from logger.store.store import Store
from logger.store.tables import (
    REFERENCES,
    calibration,
    channel_delivery,
    check_reading,
    correction,
    inbox,
    journal,
    measurement,
    outbox,
    retained_topic,
    run,
    watch_part,
)
from logger.structs import Struct, replace
from logger.units import MINUTE_US

LONGEST_WHY = 200
"""Characters of what is wrong with a row: it may repeat it."""
MEASUREMENT_COLUMNS = [
    func.coalesce(measurement.c[field.name], 0) if field.name in REFERENCES else measurement.c[field.name]
    for field in fields(Measurements)
]
"""Columns of `model.Measurements`, in the order of its fields."""


class Position(Struct, frozen=True, kw_only=True):
    """The newest record of a probe."""

    seq: int
    elapsed_us: int
    at_us: int


class Unreadable(Struct, frozen=True, kw_only=True):
    """A row of the inbox that is no command here: it was written by another version, or by hand."""

    id: int
    why: str


class Sent(Struct, frozen=True, kw_only=True):
    """One way out that took an event, and when (UTC, microseconds)."""

    way: str
    """`broker`, or the name of another channel: `hook`, `push-1` ..."""
    at_us: int


class Waiting(Struct, frozen=True, kw_only=True):
    """How much waits in the outbox, and since when (UTC, microseconds; None: nothing waits)."""

    count: int
    oldest_at_us: int | None


class StoredCalibration(Struct, frozen=True, kw_only=True):
    """A calibration, and what became of it."""

    calibration: Calibration
    accepted: bool
    """Somebody wanted it in force, when it was made or later."""
    command: int | None
    """The newest command to put it in force that was not refused."""


class Run(Struct, frozen=True, kw_only=True):
    """One start of the daemon."""

    id: int
    started_at_us: int
    elapsed_us: int
    version: str
    config_hash: str


def pending_commands(store: Store) -> list[Command]:
    """Return the commands not consumed yet, in the order they were put in, each with its calibration."""
    return [command for command in pending(store) if isinstance(command, Command)]


def pending(store: Store) -> list[Command | Unreadable]:
    """Return what is not consumed yet, in the order it was put in."""
    with store.reading() as connection:
        return _inbox(connection, inbox.c.consumed_seq.is_(None))


def pending_now(store: Store) -> list[Command | Unreadable]:
    """Return the same as `pending`; that the inbox is empty, as nearly always, costs little. For one thread."""
    return [] if store.inbox_look.is_empty() else pending(store)


def deliveries(store: Store, *, limit: int) -> list[str]:
    """Return the names of the messages that brought the newest commands, oldest first."""
    statement = select(inbox.c.delivery).where(inbox.c.delivery != "").order_by(inbox.c.id.desc()).limit(limit)
    with store.reading() as connection:
        return list(connection.scalars(statement))[::-1]


def unsent_events(store: Store, limit: int) -> list[Event]:
    """Return the oldest events that the broker does not have, in order."""
    statement = select(outbox).where(outbox.c.delivered_at_us.is_(None)).order_by(outbox.c.id).limit(limit)
    with store.reading() as connection:
        return [rows.read_event(row) for row in connection.execute(statement).mappings()]


def untaken_events(store: Store, channel: str, *, since_us: int = 0, undelivered: bool = False) -> list[Event]:
    """Return the events since then (UTC, microseconds), and since the channel began, that it has not taken, in order.

    `undelivered`: only those that are not delivered either.
    """
    mine = channel_delivery.c.channel == channel
    began = select(channel_delivery.c.at_us).where(mine, channel_delivery.c.event_id == "").scalar_subquery()
    taken = select(channel_delivery.c.event_id).where(mine, channel_delivery.c.event_id == outbox.c.event_id).exists()
    wanted = [~taken, outbox.c.at_us >= began, outbox.c.at_us >= since_us]
    wanted += [outbox.c.delivered_at_us.is_(None)] if undelivered else []
    return _events(store, *wanted)


def untold_events(store: Store) -> list[Event]:
    """Return the events that neither the broker nor any channel has, in order."""
    taken = select(channel_delivery.c.event_id).where(channel_delivery.c.event_id == outbox.c.event_id).exists()
    return _events(store, outbox.c.delivered_at_us.is_(None), ~taken)


def _events(store: Store, *wanted: ColumnElement[bool]) -> list[Event]:
    with store.reading() as connection:
        found = connection.execute(select(outbox).where(*wanted).order_by(outbox.c.id))
        return [rows.read_event(row) for row in found.mappings()]


def sent(store: Store, events: Iterable[str]) -> dict[str, list[Sent]]:
    """Return which ways out took these events, by their ids; none: no way did."""
    ids, sending, taking = [*events], outbox.c, channel_delivery.c
    accepted = select(sending.event_id, literal("broker"), sending.delivered_at_us).where(
        sending.superseded_by.is_(None)
    )
    took = select(taking.event_id, taking.channel, taking.at_us).order_by(taking.channel)
    taken: dict[str, list[Sent]] = {name: [] for name in ids}
    with store.reading() as connection:
        for statement, event_id in ((accepted, sending.event_id), (took, taking.event_id)):
            for event, way, at_us in connection.execute(statement.where(event_id.in_(ids))):
                taken[event] += [] if at_us is None else [Sent(way=way, at_us=at_us)]
    return taken


def outbox_waiting(store: Store) -> Waiting:
    """Return how many events wait for the broker, and the time of the first in line."""
    unsent = outbox.c.delivered_at_us.is_(None)
    first = select(outbox.c.at_us).where(unsent).order_by(outbox.c.id).limit(1)
    with store.reading() as connection:
        count = connection.scalar(select(func.count()).select_from(outbox).where(unsent))
        return Waiting(count=count or 0, oldest_at_us=connection.scalar(first))


def load_watch(store: Store, vat: str, probe: str, *, recent: int) -> WatchState | None:
    """Return what a vat's watch must know to go on, with the newest records; None if it never ran.

    `recent`: how many records it needs at least; as many as it had when it stopped are given if that is more.

    A vat that was given another probe keeps its alarms, the start of its batch and what was said of work on it (a new
    probe is no word that it stands in the vat); the calibration, the beliefs and what was shown of the target stay with
    the old probe.
    """
    with store.reading() as connection:
        carry = _carries(store, connection, watch_part.c.vat == vat).get(vat)
        if carry is None:
            return None
        if carry.probe != probe:
            windows = WindowState(fresh_us=carry.windows.fresh_us, recent=carry.windows.recent)
            batch = replace(carry.batch, progress=TargetProgress())
            carry = Carry(probe=probe, alarms=carry.alarms, batch=batch, suppression=carry.suppression, windows=windows)
        count = max(recent, carry.windows.recent)
        return WatchState.of(carry, _newest(connection, probe, vat=vat, count=count))


def _newest(connection: Connection, probe: str, *, vat: str | None, count: int) -> Measurements:
    statement = select(*MEASUREMENT_COLUMNS).where(measurement.c.probe == probe)
    if vat is not None:
        statement = statement.where(measurement.c.vat == vat)
    found_rows = connection.execute(statement.order_by(measurement.c.seq.desc()).limit(count)).all()
    return rows.read_columns(Measurements, found_rows[::-1])


def watches(store: Store) -> dict[str, Carry]:
    """Return what each vat's watch carries (its alarms among it), by vat."""
    with store.reading() as connection:
        return _carries(store, connection)


def _carries(store: Store, connection: Connection, *conditions: ColumnElement[bool]) -> dict[str, Carry]:
    columns = (watch_part.c.vat, *(watch_part.c[name] for name in PartRow._fields))
    found_rows = connection.execute(select(*columns).where(*conditions).order_by(watch_part.c.vat)).all()
    return {
        vat: parts.decode([PartRow(*row[1:]) for row in of_vat], vat=vat, where=store.where)
        for vat, of_vat in groupby(found_rows, key=itemgetter(0))
    }


def last_position(store: Store, probe: str) -> Position | None:
    """Return where the log of a probe ends, None if it has no record."""
    columns = (measurement.c.seq, measurement.c.elapsed_us, measurement.c.at_us)
    statement = select(*columns).where(measurement.c.probe == probe).order_by(measurement.c.seq.desc()).limit(1)
    with store.reading() as connection:
        row = connection.execute(statement).one_or_none()
    return row and Position(seq=row.seq, elapsed_us=row.elapsed_us, at_us=row.at_us)


def latest(store: Store, probe: str, *, count: int = 1) -> Measurements:
    """Return the newest records of a probe: so many rows, or fewer."""
    with store.reading() as connection:
        return _newest(connection, probe, vat=None, count=count)


def entries(
    store: Store,
    *,
    limit: int,
    vat: str | None = None,
    alarm: str | None = None,
    cause: Cause | None = None,
    since_at_us: int | None = None,
    until_at_us: int | None = None,
) -> list[Entry]:
    """Return the newest `limit` rows of the journal that meet every condition given, oldest first.

    Times: UTC, microseconds; `since_at_us` is included, `until_at_us` is not.
    """
    wanted = given(
        (journal.c.vat, eq, vat),
        (journal.c.alarm, eq, alarm),
        (journal.c.cause, eq, cause and cause.value),
        (journal.c.at_us, ge, since_at_us),
        (journal.c.at_us, lt, until_at_us),
    )
    statement = select(journal).where(*wanted).order_by(journal.c.id.desc()).limit(limit)
    with store.reading() as connection:
        return [rows.read_entry(row) for row in connection.execute(statement).mappings()][::-1]


def given(*tests: tuple[Column[Any], Callable[[Any, Any], Any], object]) -> list[ColumnElement[bool]]:
    """Return the conditions whose value is not None."""
    return [compare(column, value) for column, compare, value in tests if value is not None]


def answer(store: Store, command: int) -> Answer | None:
    """Return what became of a command, None while it is pending (or if there is none of that number)."""
    statement = select(inbox).where(inbox.c.id == command, inbox.c.consumed_seq.is_not(None))
    with store.reading() as connection:
        row = connection.execute(statement).mappings().one_or_none()
    return None if row is None else rows.read_answer(row)


def calibrations(store: Store, probe: str) -> list[StoredCalibration]:
    """Return the calibrations of a probe, oldest first, also those that were not accepted."""
    return _calibrations(store, calibration.c.probe == probe)


def calibration_of(store: Store, number: int) -> StoredCalibration | None:
    """Return the calibration of that number, of whatever probe; None if there is none."""
    return next(iter(_calibrations(store, calibration.c.id == number)), None)


def _calibrations(store: Store, condition: ColumnElement[bool]) -> list[StoredCalibration]:
    is_put = inbox.c.applied.is_(None) | inbox.c.applied
    puts = (inbox.c.kind == CommandKind.CALIBRATE.value) & (inbox.c.calibration_id == calibration.c.id) & is_put
    command = select(func.max(inbox.c.id)).where(puts).scalar_subquery().label("command")
    statement = select(calibration, command).where(condition).order_by(calibration.c.id)
    with store.reading() as connection:
        return [_stored(row) for row in connection.execute(statement).mappings()]


def _stored(row: RowMapping) -> StoredCalibration:
    read, command = rows.read_calibration(row), row["command"]
    return StoredCalibration(calibration=read, accepted=row["accepted"] or command is not None, command=command)


def checks(store: Store, probe: str) -> list[Check]:
    """Return the checks of a probe, in the order they were stored."""
    statement = select(check_reading).where(check_reading.c.probe == probe).order_by(check_reading.c.id)
    with store.reading() as connection:
        return [rows.read_check(row) for row in connection.execute(statement).mappings()]


def corrections(store: Store, probe: str) -> list[Correction]:
    """Return the corrections of a probe and what takes them back, in the order they were stored."""
    statement = select(correction).where(correction.c.probe == probe).order_by(correction.c.id)
    with store.reading() as connection:
        return [rows.read_correction(row) for row in connection.execute(statement).mappings()]


def minutes_read(store: Store, probe: str, *, since_at_us: int, until_at_us: int | None) -> int:
    """Return in how many minutes of watch time a probe gave an indication, within a span of UTC (microseconds)."""
    m = measurement.c
    wanted = given((m.probe, eq, probe), (m.at_us, ge, since_at_us), (m.at_us, lt, until_at_us))
    minute = (m.elapsed_us // MINUTE_US).label("minute")
    minutes = select(minute).where(*wanted, m.potential_mv.is_not(None)).distinct().subquery()
    with store.reading() as connection:
        return connection.scalar(select(func.count()).select_from(minutes)) or 0


def retained_topics(store: Store) -> list[str]:
    """Return the topics that `UnitOfWork.remember_topics` noted last."""
    with store.reading() as connection:
        return list(connection.scalars(select(retained_topic.c.topic)))


def runs(store: Store) -> list[Run]:
    """Return the starts of the daemon, oldest first."""
    with store.reading() as connection:
        return [Run(**row) for row in connection.execute(select(run).order_by(run.c.id)).mappings()]


def size_bytes(store: Store) -> int:
    """Return the size of the database, without SQLite's write-ahead log."""
    statement = (
        "SELECT pg_database_size(current_database())"
        if store.path is None
        else "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()"
    )
    with store.reading() as connection:
        return int(connection.scalar(text(statement)) or 0)


def commands(connection: Connection, *conditions: ColumnElement[bool]) -> list[Command]:
    """Return the inbox rows that meet the conditions as commands, in the order they are consumed.

    What could not be read was refused, so it had no effect.
    """
    return [command for command in _inbox(connection, *conditions) if isinstance(command, Command)]


def _inbox(connection: Connection, *conditions: ColumnElement[bool]) -> list[Command | Unreadable]:
    order = (inbox.c.consumed_seq, inbox.c.id)
    inbox_rows = connection.execute(select(inbox).where(*conditions).order_by(*order)).mappings().all()
    lines = _rows_by_id(connection, calibration, {row["calibration_id"] for row in inbox_rows})
    checks = _rows_by_id(connection, check_reading, {row["check_id"] for row in inbox_rows})
    return [read_inbox_row(row, lines.get(row["calibration_id"]), checks.get(row["check_id"])) for row in inbox_rows]


def read_inbox_row(row: AnyRow, line: AnyRow | None, check: AnyRow | None) -> Command | Unreadable:
    """Return the command of a row of the inbox, with the rows of its calibration and its check."""
    try:
        with refusing(f"row {row['id']} of the inbox"):
            return _command(row, line, check)
    except RefusedError as refused:
        return Unreadable(id=row["id"], why=f"this version of vatvigil cannot read it ({refused})")


def _command(row: AnyRow, line: AnyRow | None, check: AnyRow | None) -> Command:
    try:
        read = None if line is None else rows.read_calibration(line)
        return rows.read_command(row, read, None if check is None else rows.read_check(check))
    except msgspec.MsgspecError as error:
        raise RefusedError(plain_text.shown(str(error), LONGEST_WHY)) from error


def _rows_by_id(connection: Connection, table: Table[Any], numbers: set[int | None]) -> dict[int, RowMapping]:
    """Return the rows with these numbers, by number."""
    wanted = numbers - {None}
    found_rows = connection.execute(select(table).where(table.c.id.in_(wanted))).mappings() if wanted else ()
    return {row["id"]: row for row in found_rows}
