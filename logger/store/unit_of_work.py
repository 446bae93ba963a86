"""Write to the store, one transaction at a time.

Law: everything between entering and `commit()` is stored together; without `commit()`, or when it raises, nothing is.
The same work may then be done again in a new unit: should the failed commit have got through after all (the link broke
before the reply), each row that is there already is passed over, and nothing is stored twice.
"""

from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from importlib import import_module
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import (
    Connection,
    Engine,
    Insert,
    RowMapping,
    Table,
    bindparam,
    delete,
    event,
    func,
    insert,
    select,
    update,
)

from logger.errors import StoreBusyError
from logger.model import (
    Answer,
    AnyEntry,
    BatchState,
    Calibration,
    CareEntry,
    Carry,
    Check,
    Command,
    Correction,
    ElectrodeState,
    Entry,
    Event,
    Outcome,
    batch_figures,
)
from logger.store import archive_note, batch_writing, parts, rows
from logger.store.driver import Driver, Prepared
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
    meta,
    outbox,
    retained_topic,
    run,
    watch_part,
)
from logger.store.written_file import WrittenFile
from logger.structs import replace

if TYPE_CHECKING:
    from logger.store.parts import PartRow


class Writer:
    """The one writing side of a store: its engine, and whether a failed commit may yet have got through."""

    __slots__ = (
        "carries",
        "driver",
        "engine",
        "file",
        "in_doubt",
        "insert_entry",
        "insert_event",
        "insert_measurement",
        "insert_taken",
        "mark_delivered",
        "parts",
        "put_part",
    )

    def __init__(self, engine: Engine, path: Path | None, *, where: str, busy_s: float) -> None:
        """Prepare; nothing connects yet. `path`: the file of an SQLite store; `where`, `busy_s`: as of `Store`."""
        self.engine = engine
        self.driver = Driver(engine, where=where, busy_s=busy_s)
        self.file = WrittenFile(path)
        event.listen(engine, "connect", self.file.forget_log)
        self.in_doubt = False
        # the one in use: the other's would be 2 MB of memory for nothing
        dialect = import_module(f"sqlalchemy.dialects.{engine.dialect.name}")
        put_event = dialect.insert(outbox).on_conflict_do_nothing(index_elements=["event_id"])
        put_taken = dialect.insert(channel_delivery).on_conflict_do_nothing(index_elements=["channel", "event_id"])
        put_part = dialect.insert(watch_part)
        changed = {name: put_part.excluded[name] for name in ("probe", "version", "content")}
        put_part = put_part.on_conflict_do_update(index_elements=["vat", "part"], set_=changed)
        waiting = (outbox.c.event_id == bindparam("event")) & outbox.c.delivered_at_us.is_(None)
        mark = update(outbox).where(waiting).values(delivered_at_us=bindparam("at"))
        prepared = partial(Prepared.of, engine)
        self.insert_measurement = prepared(insert(measurement))
        self.insert_entry = prepared(insert(journal), Entry.__struct_fields__)
        self.insert_event = prepared(put_event, ("event_id", "at_us", "vat", "payload", "delivered_at_us"))
        self.insert_taken = prepared(put_taken)
        self.mark_delivered = prepared(mark)
        self.put_part = prepared(put_part)
        self.parts: dict[tuple[str, str], PartRow] = {}
        """By vat and name, what the store is known to hold: a part that is the same is not written again."""
        self.carries: dict[str, Carry] = {}
        """By vat, what `parts` was made of: what is the same is not encoded again."""


def _alone(row: RowMapping) -> dict[str, Any]:
    """Return a row of another store without the number of a command, which only that store has."""
    return {**row, "command": None} if "command" in row else {**row}


class UnitOfWork:
    """One write transaction, open inside its `with` block. Every method may raise StoreBusyError: leave the block."""

    __slots__ = ("_carries", "_connection", "_driver", "_is_committed", "_parts", "_writer")

    _connection: Connection

    def __init__(self, writer: Writer) -> None:
        """Prepare a transaction; entering the `with` block starts it."""
        self._writer, self._driver = writer, writer.driver
        self._is_committed = False
        self._parts: dict[tuple[str, str], PartRow] = {}
        self._carries: dict[str, Carry] = {}

    def __enter__(self) -> Self:
        """Take the writer's connection and the write lock."""
        self._writer.file.check()
        self._connection = self._driver.begin()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Roll back what was not committed."""
        if kind is not None:
            self._writer.parts, self._writer.carries = {}, {}
        self._driver.end(is_sound=self._is_committed and kind is None)

    def commit(self) -> None:
        """Make everything durable; after StoreBusyError the same work may be done again in a new unit."""
        parts, carries = self._writer.parts, self._writer.carries
        self._writer.parts, self._writer.carries = {}, {}  # a commit that fails may have got through: nothing is known
        try:
            self._driver.commit()
        except StoreBusyError:
            self._writer.in_doubt = True
            raise
        self._is_committed = True
        self._writer.parts, self._writer.carries = {**parts, **self._parts}, {**carries, **self._carries}
        self._writer.file.note()

    @property
    def connection(self) -> Connection:
        """Return the connection, for what is no work of a watch (`archive_removal.py`)."""
        return self._connection

    def start_run(self, *, at_us: int, elapsed_us: int, version: str, config_hash: str) -> int:
        """Note a start of the daemon; return the number of the run."""
        row = {"started_at_us": at_us, "elapsed_us": elapsed_us, "version": version, "config_hash": config_hash}
        return self._insert(run, row)

    def append(self, outcome: Outcome, *, run: int) -> None:
        """Store what one step of a watch made: records, journal, answers to commands, and what it carries."""
        if len(outcome.measurements) and not (self._writer.in_doubt and self._has_records(outcome)):
            self._driver.run(self._writer.insert_measurement, rows.measurement_rows(outcome, run))
        self.add_entries(outcome.entries)
        self.consume(outcome.answers)
        self.remember(outcome.vat, outcome.carry)

    def consume(self, answers: Iterable[Answer]) -> None:
        """Note what became of commands. Raises LookupError for one that does not wait in the inbox."""
        for answer in answers:
            values = {
                "consumed_seq": answer.seq,
                "consumed_probe": answer.probe,
                "applied": answer.applied,
                "answer": answer.text,
            }
            pending = (inbox.c.id == answer.command) & inbox.c.consumed_seq.is_(None)
            if self._existing_id(inbox, {"id": answer.command, **values}) is not None:
                continue
            if self._connection.execute(update(inbox).where(pending).values(values)).rowcount != 1:
                raise LookupError(f"command {answer.command} is not pending in the inbox")

    def add_entries(self, entries: Iterable[Entry]) -> None:
        """Add rows to the journal, in order."""
        values = [rows.entry_row(entry) for entry in entries]
        self._run(self._writer.insert_entry, [row for row in values if self._existing_id(journal, row) is None])

    def add_missing(self, entries: Iterable[Entry], events: Iterable[Event]) -> None:
        """Add rows to the journal that are not there yet, and their events to the outbox."""
        values: list[dict[str, Any]] = [rows.entry_row(entry) for entry in entries]
        self._run(self._writer.insert_entry, [row for row in values if self._same_id(journal, row) is None])
        self.add_events(events)

    def add_events(self, events: Iterable[Event], delivered_at_us: Mapping[str, int] | None = None) -> None:
        """Put events into the outbox, in order; one whose id is there already is the same and is passed over.

        `delivered_at_us`: by event id, when (UTC, microseconds) an event was already delivered from memory.
        """
        delivered = delivered_at_us or {}
        values = [rows.event_row(event, delivered.get(event.id)) for event in events]
        self._run(self._writer.insert_event, values)

    def mark_delivered(self, ids: Iterable[str], at_us: int) -> None:
        """Note that the broker has these events; ids marked before or unknown are passed over."""
        self._run(self._writer.mark_delivered, [{"event": event, "at": at_us} for event in ids])

    def mark_superseded(self, newer: Mapping[str, str], at_us: int) -> None:
        """Note that these events need not be sent any more, for a newer one is; as `mark_delivered`."""
        if not newer:  # nearly always; building the statement takes 0.25 ms
            return
        waiting = (outbox.c.event_id == bindparam("event")) & outbox.c.delivered_at_us.is_(None)
        values: dict[str, Any] = {"delivered_at_us": bindparam("at"), "superseded_by": bindparam("by")}
        marked = [{"event": event, "by": by, "at": at_us} for event, by in newer.items()]
        self._connection.execute(update(outbox).where(waiting).values(values), marked)

    def begin_channels(self, channels: Iterable[str], at_us: int) -> None:
        """Note that these channels are there from now on (UTC, microseconds); what was noted before stays."""
        self.mark_taken({(channel, ""): at_us for channel in channels})

    def mark_taken(self, taken: Mapping[tuple[str, str], int]) -> None:
        """Note by channel and event id when (UTC, microseconds) it took that; what was noted before stays."""
        marks = [{"channel": channel, "event_id": event, "at_us": at} for (channel, event), at in taken.items()]
        self._run(self._writer.insert_taken, marks)

    def add_command(self, command: Command, entries: Sequence[AnyEntry] | None = None) -> int:
        """Put a command into the inbox (its `id` and `seq` are not used); return its number.

        `entries`: what it is in the record of a batch; None: what `batch_writing.py` makes of it. Its calibration must
        have been added before, here or earlier. Raises RefusedError for text or numbers that cannot be stored.
        """
        number = self._insert(inbox, rows.command_row(command))
        if entries is None:
            batch_writing.enter(self._connection, command, number)
        for entry in entries or ():
            batch_writing.add_entry(self._connection, entry, number)
        return number

    def add_batch_entry(self, new: AnyEntry) -> AnyEntry:
        """Store an entry of a batch's record that the watch need not hear of; return it with its number.

        Raises RefusedError for one that the record as it stands cannot take, or that cannot be stored.
        """
        return batch_writing.add_entry(self._connection, new, None)

    def add_care_entry(self, new: CareEntry) -> CareEntry:
        """Store an entry of the care diary; return it with its number. Raises RefusedError as `add_calibration`."""
        batch_figures.check_care(new)
        return replace(new, id=self._insert(care_entry, rows.care_entry_row(new)))

    def add_calibration(self, new: Calibration, *, accepted: bool = True) -> Calibration:
        """Store a calibration (its `id` is not used); return it with its number.

        It comes into force by a CALIBRATE command. `accepted` false: nobody wants it in force yet.
        Raises RefusedError for text or numbers that cannot be stored.
        """
        return replace(new, id=self._insert(calibration, rows.calibration_row(new, accepted=accepted)))

    def add_check(self, new: Check) -> Check:
        """Store a check (its `id` is not used); return it with its number. Raises RefusedError as `add_calibration`."""
        return replace(new, id=self._insert(check_reading, rows.check_row(new)))

    def add_correction(self, new: Correction) -> Correction:
        """Store a correction, or what takes one back; return it with its number. Raises RefusedError as above."""
        return replace(new, id=self._insert(correction, rows.correction_row(new)))

    def copy_references(self, other: Connection) -> None:
        """Copy what another store knows beside its log under the same numbers into one without any.

        That is calibrations, checks, corrections, the records of batches, the care diary, and what was moved into
        which archive; not the commands.
        """
        notes = select(meta).where(meta.c.key.startswith(archive_note.MOVED))
        self._insert_all(insert(meta), [{**row} for row in other.execute(notes).mappings()])
        for table in (calibration, check_reading, correction, batch_entry, care_entry):
            self._insert_all(insert(table), [_alone(row) for row in other.execute(select(table)).mappings()])

    def resume_batch(self, vat: str, batch: BatchState) -> None:
        """Enter the start of the batch that a watch carries, unless the store has it."""
        batch_writing.resume(self._connection, vat, batch)

    def refer(self, electrode: ElectrodeState) -> None:
        """Store the calibration and checks that a watch carries under their numbers, unless they are there."""
        line = electrode.calibration
        numbered = [(calibration, line.id, rows.calibration_row(line, accepted=True))] if line else []
        checks = [check for check in (electrode.check, electrode.spot) if check is not None]
        for table, number, row in [*numbered, *((check_reading, check.id, rows.check_row(check)) for check in checks)]:
            if self._connection.scalar(select(table.c.id).where(table.c.id == number)) is None:
                self._connection.execute(insert(table).values(id=number, **row))

    def remember_topics(self, topics: Iterable[str]) -> None:
        """Note on which topics the broker retains messages of ours; what was noted before is forgotten."""
        self._connection.execute(delete(retained_topic))
        self._insert_all(insert(retained_topic), [{"topic": topic} for topic in sorted(set(topics))])

    def _insert(self, table: Table[Any], row: Mapping[str, Any]) -> int:
        existing = self._existing_id(table, row)
        return (
            self._connection.scalar(insert(table).values(row).returning(table.c.id)) if existing is None else existing
        )

    def _existing_id(self, table: Table[Any], row: Mapping[str, Any]) -> int | None:
        """Return the number of a row with these values if one may be there from a commit that seemed to fail."""
        return self._same_id(table, row) if self._writer.in_doubt else None

    def _same_id(self, table: Table[Any], row: Mapping[str, Any]) -> int | None:
        same = [table.c[name].is_not_distinct_from(value) for name, value in row.items()]
        return self._connection.scalar(select(table.c.id).where(*same).order_by(table.c.id.desc()).limit(1))

    def _insert_all(self, statement: Insert, values: Sequence[Mapping[str, Any]]) -> None:
        if values:
            self._connection.execute(statement, values)

    def _run(self, statement: Prepared, values: Sequence[Mapping[str, Any]]) -> None:
        if values:
            self._driver.run(statement, [[row[name] for name in statement.names] for row in values])

    def remember(self, vat: str, carry: Carry) -> None:
        """Store what a watch carries, in the place of what it carried before."""
        stored, before = {**self._writer.parts, **self._parts}, {**self._writer.carries, **self._carries}.get(vat)
        encoded = parts.encode(carry, before)
        changed = {(vat, row.part): row for row in encoded if stored.get((vat, row.part)) != row}
        self._run(self._writer.put_part, [{"vat": vat, **row._asdict()} for row in changed.values()])
        self._parts.update(changed)
        self._carries[vat] = carry

    def _has_records(self, outcome: Outcome) -> bool:
        same = (measurement.c.probe == outcome.probe) & (measurement.c.seq == int(outcome.measurements.seq[-1]))
        same &= measurement.c.at_us == int(outcome.measurements.at_us[-1])
        return bool(self._connection.scalar(select(func.count()).select_from(measurement).where(same)))
