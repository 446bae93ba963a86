"""Write the stored values of a batch in a canonical form, and seal it by its SHA-256.

Law: the bytes depend on stored values and on what stands in this file, never on what is computed of them: a newer
version writes the same bytes of the same rows. So the digest of an old report can always be made again. A form is never
changed; one that holds more is a new version, and the old one stays for the reports that were sealed by it.

Form 1: lines that end with LF, each a JSON text (RFC 8259) in UTF-8, without spaces. The first is an object that says
what is sealed: the batch, from when to when (UTC, microseconds), and for each store up to which row of each table and
which records of each probe. Each other line is an array: the name of a section, then the stored values of one row in
the order of `SECTIONS`. Sections stand in that order, within one the stores in the order of their first record, and
within a store the rows by number. NULL is null. A number that is not whole is the shortest decimal that gives the same
binary64 (IEEE 754): with a point from 1e-5 up to below 1e16, else with one digit before the point and `e`, no plus.

The digest is the SHA-256 of these bytes, so `sha256sum` checks a file of them without this program. Rows that were
added after a report was made are outside of what its first line says, so they do not spoil it. What was told to whom is
not sealed, for deliveries are noted later; nor is anything that a report computes.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import fields
from hashlib import sha256
from typing import Any, BinaryIO

import msgspec
from sqlalchemy import ColumnElement, Select, Table, func, literal, select

from logger.errors import RefusedError
from logger.model import Measurements
from logger.store import rows
from logger.store.history import CHUNK, RecordSpan
from logger.store.store import Store
from logger.store.tables import (
    batch_entry,
    calibration,
    care_entry,
    check_reading,
    correction,
    journal,
    measurement,
    run,
)
from logger.structs import Struct, field

FORM = "vatvigil batch record"
VERSION = 1
SECTIONS: Mapping[str, tuple[Table[Any], tuple[str, ...]]] = {
    "entry": (
        batch_entry,
        ("entry", "batch", "vat", "kind", "at_us", "happened_at_us", "by", "note", "content", "corrects",
         "is_withdrawal"),
    ),
    "run": (run, ("id", "started_at_us", "elapsed_us", "version", "config_hash")),
    "calibration": (
        calibration,
        ("id", "probe", "at_us", "offset_mv", "slope", "var_offset", "var_slope", "cov", "low_ph", "high_ph", "points",
         "by", "residual_mv", "method", "segments", "verdict", "findings", "electrode", "drift_ph_per_day", "accepted"),
    ),
    "check": (
        check_reading,
        ("id", "probe", "at_us", "kind", "reference_ph", "u_reference_ph", "reading_ph", "deviation_ph",
         "tolerance_ph", "passed", "calibration", "vat", "potential_mv", "temperature_c", "buffer", "lot",
         "instrument", "electrode", "by", "note"),
    ),
    "correction": (
        correction,
        ("id", "probe", "at_us", "calibration", "since_at_us", "until_at_us", "deviations", "by", "why", "revokes"),
    ),
    "care": (
        care_entry,
        ("entry", "probe", "kind", "at_us", "happened_at_us", "by", "note", "electrode", "using", "buffer", "lot",
         "expires_at_us", "corrects", "is_withdrawal"),
    ),
    "journal": (
        journal,
        ("id", "seq", "at_us", "vat", "cause", "alarm", "occurrence", "before", "after", "annunciates", "held",
         "priority", "value", "u", "setpoint", "probability", "reminder", "by", "text", "since_at_us", "told"),
    ),
    "record": (
        measurement,
        ("probe", "seq", "at_us", "elapsed_us", "potential_mv", "temperature_c", "reason", "reference_ph",
         "reference_u", "ph", "u", "quality", "tests", "previous_spike", "calibration", "belief", "since_at_us",
         "check", "spot", "vat", "run"),
    ),
}  # fmt: skip
"""The sections of form 1, in order: from which table, and which columns."""
RECORD = "record"
_RECORD_NAMES: tuple[str, ...] = tuple(
    dict.fromkeys((*SECTIONS[RECORD][1], *(column.name for column in fields(Measurements))))
)
"""The sealed columns of records, then those that a later version added."""
_ENCODER = msgspec.json.Encoder(order="deterministic")


class SealedPart(Struct, frozen=True, kw_only=True):
    """What is sealed of one store."""

    through: Mapping[str, int]
    """By section, the number of the newest row; rows with a higher one came later."""
    records: Mapping[str, tuple[int, int]]
    """By probe, the first and the last record."""


class SealHead(Struct, frozen=True, kw_only=True):
    """The first line: what is sealed."""

    form: str = FORM
    version: int = VERSION
    batch: str
    vat: str
    simulated: bool
    since_us: int
    until_us: int
    parts: tuple[SealedPart, ...]

    @property
    def line(self) -> bytes:
        """Return the line."""
        return _ENCODER.encode(self) + b"\n"


class Seal(Struct, frozen=True, kw_only=True):
    """The digest of a batch, and of each section by itself: rows and SHA-256."""

    digest: str
    sections: Mapping[str, tuple[int, str]]


class Sealing(Struct):
    """A digest in the making: `begin`, then `records` to their end, then `seal`.

    Records come last in the form, so who reads them for a report can have them sealed on the way and read them once.
    """

    stores: Sequence[Store]
    head: SealHead
    sink: BinaryIO | None = None
    _whole: Any = field(default_factory=sha256)
    _sections: dict[str, tuple[int, str]] = field(default_factory=dict)

    def begin(self) -> None:
        """Seal what comes before the records. Raises RefusedError where stores are missing."""
        if len(self.stores) != len(self.head.parts):
            raise RefusedError(
                f"the batch was sealed over {len(self.head.parts)} stores, and {len(self.stores)} are given: see --also"
            )
        self._add(self.head.line)
        for name in SECTIONS:
            if name != RECORD:
                for _ in self._sealed(name):
                    pass

    def records(self) -> Iterator[Measurements]:
        """Yield the records as they are sealed, in pieces of at most `CHUNK`."""
        return (rows.read_measurements(_RECORD_NAMES, found) for found in self._sealed(RECORD))

    def pass_records(self, advance: Callable[[int], object]) -> None:
        """Seal the records, and tell how many went through."""
        for found in self._sealed(RECORD):
            advance(len(found))

    def seal(self) -> Seal:
        """Return the digest."""
        return Seal(digest=self._whole.hexdigest(), sections=self._sections)

    def _add(self, lines: bytes) -> None:
        self._whole.update(lines)
        if self.sink is not None:
            self.sink.write(lines)

    def _sealed(self, name: str) -> Iterator[Sequence[tuple[Any, ...]]]:
        """Seal a section; yield its lines in pieces: each the name, the sealed values, then others."""
        own, count, width = sha256(), 0, 1 + len(SECTIONS[name][1])
        for store, part in zip(self.stores, self.head.parts, strict=True):
            for found in _pieces(store, self.head, part, name):
                lines = _ENCODER.encode_lines(found if len(found[0]) == width else [row[:width] for row in found])
                self._add(lines)
                own.update(lines)
                count += len(found)
                yield found
        self._sections[name] = count, own.hexdigest()


def head_of(
    stores: Sequence[Store],
    *,
    batch: str,
    vat: str,
    since_us: int,
    until_us: int,
    simulated: bool,
    spans: Sequence[Sequence[RecordSpan]],
) -> SealHead:
    """Return what there is to seal of a batch now; `spans`: which records are of it, by store."""
    parts = tuple(_part(store, found) for store, found in zip(stores, spans, strict=True))
    return SealHead(batch=batch, vat=vat, simulated=simulated, since_us=since_us, until_us=until_us, parts=parts)


def _part(store: Store, spans: Sequence[RecordSpan]) -> SealedPart:
    with store.reading() as connection:
        newest = {
            name: connection.scalar(select(func.max(table.c.id))) or 0
            for name, (table, _) in SECTIONS.items()
            if name != RECORD
        }
    return SealedPart(through=newest, records={span.probe: (span.first, span.last) for span in spans})


def read_head(line: bytes | str) -> SealHead:
    """Return the first line of a form. Raises RefusedError for one that this version does not know."""
    try:
        head = msgspec.json.decode(line, type=SealHead)
    except msgspec.MsgspecError as error:
        raise RefusedError("what it says of its digest cannot be read: take the report as it was made") from error
    if (head.form, head.version) != (FORM, VERSION):
        raise RefusedError(f"it was sealed by form {head.version}, which this version does not know: take a newer one")
    return head


def seal(
    stores: Sequence[Store],
    head: SealHead,
    sink: BinaryIO | None = None,
    advance: Callable[[int], object] = lambda _: None,
) -> Seal:
    """Return the digest of what a head says; write the bytes to `sink` too, and tell how many records went through."""
    sealing = Sealing(stores, head, sink)
    sealing.begin()
    sealing.pass_records(advance)
    return sealing.seal()


def _pieces(store: Store, head: SealHead, part: SealedPart, name: str) -> Iterator[Sequence[tuple[Any, ...]]]:
    """Yield the rows of a section in pieces: its name, the sealed columns, then others."""
    table, names = SECTIONS[name]
    numbered = "seq" if name == RECORD else "id"
    columns = list(dict.fromkeys((*names, *(_RECORD_NAMES if name == RECORD else ("id",)))))
    place, number = 1 + columns.index(numbered), table.c[numbered]
    statement = select(literal(name), *(table.c[each] for each in columns)).order_by(number).limit(CHUNK)
    read = _bare if name == RECORD else _typed
    for wanted, first, last in _wanted(head, part, name):
        begin = first
        while found := read(store, statement.where(number.between(begin, last), *wanted)):
            yield found
            begin = found[-1][place] + 1


def _typed(store: Store, statement: Select[Any]) -> Sequence[tuple[Any, ...]]:
    with store.reading() as connection:
        return [tuple(row) for row in connection.execute(statement).all()]


def _bare(store: Store, statement: Select[Any]) -> Sequence[tuple[Any, ...]]:
    """Return rows as the driver gives them: of records only numbers and names are stored, and there are millions."""
    with store.reading() as connection:
        result = connection.execute(statement)
        found: Sequence[tuple[Any, ...]] = result.cursor.fetchall() if result.cursor is not None else []
        result.close()
        return found


def _wanted(head: SealHead, part: SealedPart, name: str) -> Iterator[tuple[list[ColumnElement[bool]], int, int]]:
    """Yield which rows of a section are of the batch, with the first and the last number that they may have."""
    table, _ = SECTIONS[name]
    if name == RECORD:
        for probe, (first, last) in sorted(part.records.items()):
            yield [table.c.probe == probe, table.c.vat == head.vat], first, last
        return
    yield _conditions(head, table, name, list(part.records)), 0, part.through.get(name, 0)


def _conditions(head: SealHead, table: Table[Any], name: str, probes: list[str]) -> list[ColumnElement[bool]]:
    match name:
        case "entry":
            return [table.c.batch == head.batch]
        case "run":
            return [table.c.started_at_us <= head.until_us]
        case "journal":
            return [table.c.vat.in_([head.vat, ""]), table.c.at_us.between(head.since_us, head.until_us)]
        case "care":
            return [table.c.probe.in_(["", *probes]), table.c.happened_at_us <= head.until_us]
        case "correction":
            return [table.c.probe.in_(probes)]
        case _:
            return [table.c.probe.in_(probes), table.c.at_us <= head.until_us]


def place_of(store: Store, head: SealHead) -> int:
    """Return which part of a head a store holds, by its records; one that holds none comes last."""
    m = measurement.c
    for place, part in enumerate(head.parts):
        for probe, (first, last) in part.records.items():
            held = select(m.seq).where(m.probe == probe, m.vat == head.vat, m.seq.in_([first, last]))
            with store.reading() as connection:
                if len(connection.execute(held).all()) == len({first, last}):
                    return place
    return len(head.parts)
