"""Convert between the classes of `model/` and the rows of the tables.

Law: a value read back equals the value written, to the bit; NaN goes in as NULL and comes out as NaN. (SQLite keeps
no sign of zero.) Text or numbers that no database could keep are refused by name before anything is written.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from itertools import repeat
from math import isfinite
from typing import Any, TypeVar

import msgspec
import numpy as np
from sqlalchemy import RowMapping

from logger.errors import RefusedError
from logger.model import (
    Answer,
    AnyEntry,
    BatchContent,
    BatchEntry,
    BatchEntryKind,
    Calibration,
    CareEntry,
    Check,
    Columns,
    Command,
    Correction,
    Entry,
    Event,
    Floats,
    Ints,
    Measurements,
    Outcome,
    figures,
    plain_text,
)
from logger.model.batch import CONTENT_TYPES, Remark
from logger.store.tables import REFERENCES
from logger.structs import field_names, replace

AnyColumns = TypeVar("AnyColumns", bound=Columns)
AnyRow = RowMapping | Mapping[str, Any]
_TOO_LARGE = 2**63
_JSON = ("points", "segments", "findings")
"""Fields of a calibration that are kept as JSON text."""


def measurement_rows(outcome: Outcome, run: int) -> Iterable[tuple[Any, ...]]:
    """Yield one tuple a record, in the order of the table's columns.

    Made one by one, for a driver that takes them so: a tuple that it let go of is used again, which halves what a row
    costs beside the database's own work (0.7 us instead of 1.5).
    """
    records = outcome.measurements
    if len(records) == 1:
        return [_only_row(outcome, run)]
    columns = [_column_of(records, field.name) for field in fields(records)]
    probe, vat, runs = (repeat(value, len(records)) for value in (outcome.probe, outcome.vat, run))
    return zip(probe, *columns, vat, runs, strict=True)


def _only_row(outcome: Outcome, run: int) -> tuple[Any, ...]:
    """Return the row of a live record: without work on whole columns it takes a fifth of the time."""
    values = [getattr(outcome.measurements, name).item() for name in Measurements.__slots__]
    for place in _REFERRING:
        values[place] = values[place] or None
    return (outcome.probe, *(None if value != value else value for value in values), outcome.vat, run)  # noqa: PLR0124 - NaN


_REFERRING = tuple(place for place, name in enumerate(Measurements.__slots__) if name in REFERENCES)


def _column_of(records: Columns, name: str) -> Iterable[Any]:
    """Return the column as Python's own numbers, None for NaN and for a reference to nothing."""
    column: Any = getattr(records, name)
    missing = column == 0 if name in REFERENCES else np.isnan(column)
    absent = int(np.count_nonzero(missing))
    if absent == len(missing):
        return repeat(None, absent)
    values = column if absent == 0 else column.astype(object)
    if absent:
        values[missing] = None
    return list(values.tolist())


def read_columns(kind: type[AnyColumns], rows: Sequence[Sequence[Any]]) -> AnyColumns:
    """Return rows, whose values stand in the order of the fields of `kind`, as columns."""
    names_and_types = [(field.name, np.float64 if field.type is Floats else np.int64) for field in fields(kind)]
    columns: Iterable[Sequence[Any]] = zip(*rows, strict=True) if rows else [()] * len(names_and_types)
    paired = zip(names_and_types, columns, strict=True)
    return kind(**{name: np.array(column, dtype=dtype) for (name, dtype), column in paired})


def read_measurements(names: Sequence[str], rows: Sequence[Sequence[Any]]) -> Measurements:
    """Return rows as records: a word, then the columns of these names. NULL in a whole number is 0."""
    columns = dict(zip(("", *names), zip(*rows, strict=True), strict=True))
    kinds = {field.name: field.type is Floats for field in fields(Measurements)}
    kept: dict[str, Any] = {name: _column(columns[name], is_real=is_real) for name, is_real in kinds.items()}
    return Measurements(**kept)


def _column(values: Sequence[Any], *, is_real: bool) -> Floats | Ints:
    if is_real:
        return np.array(values, dtype=np.float64)
    return np.array([value or 0 for value in values] if None in values else values, dtype=np.int64)


def entry_row(entry: Entry) -> dict[str, Any]:
    """Return the journal row of an entry; its columns have the names of the fields."""
    row = msgspec.to_builtins(replace(entry, told=None))
    row["told"] = None if entry.told is None else msgspec.json.encode(entry.told).decode()
    return {name: None if isinstance(value, float) and np.isnan(value) else value for name, value in row.items()}


def read_entry(row: RowMapping) -> Entry:
    """Return the entry of a journal row."""
    values = {name: row[name] for name in Entry.__struct_fields__}
    told = None if values["told"] is None else msgspec.json.decode(values["told"])
    return msgspec.convert({**values, "told": told}, Entry)


def event_row(event: Event, delivered_at_us: int | None) -> dict[str, Any]:
    """Return the outbox row of an event."""
    row = msgspec.to_builtins(event)
    return {"event_id": row.pop("id"), **row, "delivered_at_us": delivered_at_us}


def read_event(row: RowMapping) -> Event:
    """Return the event of an outbox row."""
    return Event(id=row["event_id"], at_us=row["at_us"], vat=row["vat"], payload=row["payload"])


def command_row(command: Command) -> dict[str, Any]:
    """Return the inbox row of a command not consumed yet. Raises RefusedError for what cannot be kept."""
    row = _storable(command)
    del row["id"], row["seq"], row["calibration"], row["check"]
    numbers = {"calibration_id": command.calibration and command.calibration.id}
    return {**row, **numbers, "check_id": command.check and command.check.id}


def check_storable(command: Command) -> None:
    """Raise RefusedError for a command that cannot be kept, with its check."""
    command_row(command)
    if command.check is not None:
        check_row(command.check)


def read_command(row: AnyRow, calibration: Calibration | None, check: Check | None) -> Command:
    """Return the command of an inbox row."""
    values = {name: row[name] for name in Command.__struct_fields__ if name not in ("calibration", "check", "seq")}
    joined = {"calibration": calibration, "check": check, "seq": row["consumed_seq"] or 0}
    return msgspec.convert({**values, **joined}, Command)


def read_answer(row: RowMapping) -> Answer:
    """Return the answer in an inbox row that was consumed."""
    answered = {"applied": row["applied"], "text": row["answer"], "probe": row["consumed_probe"]}
    return Answer(command=row["id"], seq=row["consumed_seq"], **answered)


def calibration_row(calibration: Calibration, *, accepted: bool) -> dict[str, Any]:
    """Return the row of a calibration not numbered yet. Raises RefusedError for what cannot be kept."""
    row = _storable(calibration)
    del row["id"]
    texts = {name: msgspec.json.encode(getattr(calibration, name)).decode() for name in _JSON}
    return {**row, **texts, "accepted": accepted}


def read_calibration(row: AnyRow) -> Calibration:
    """Return the calibration of a row."""
    values = {name: row[name] for name in Calibration.__struct_fields__ if name not in _JSON}
    texts = {name: msgspec.json.decode(row[name]) for name in _JSON}
    return msgspec.convert({**values, **texts}, Calibration)


def check_row(check: Check) -> dict[str, Any]:
    """Return the row of a check not numbered yet. Raises RefusedError for what cannot be kept."""
    row = _storable(check)
    del row["id"]
    return row


def read_check(row: AnyRow) -> Check:
    """Return the check of a row."""
    return msgspec.convert({name: row[name] for name in Check.__struct_fields__}, Check)


def correction_row(correction: Correction) -> dict[str, Any]:
    """Return the row of a correction not numbered yet. Raises RefusedError for what cannot be kept."""
    row = _storable(correction)
    del row["id"]
    return {**row, "deviations": msgspec.json.encode(correction.deviations).decode()}


def read_correction(row: RowMapping) -> Correction:
    """Return the correction of a row."""
    values = {name: row[name] for name in Correction.__struct_fields__}
    return msgspec.convert({**values, "deviations": msgspec.json.decode(row["deviations"])}, Correction)


def batch_entry_row(entry: AnyEntry, command: int | None) -> dict[str, Any]:
    """Return the row of an entry not numbered yet. Raises RefusedError for what cannot be kept."""
    said = {name: value for name, value in _storable(entry.content).items() if value not in (None, "")}
    kept = ("entry", "batch", "vat", "at_us", "happened_at_us", "by", "note", "corrects", "is_withdrawal")
    row = {name: value for name, value in _storable(replace(entry, content=Remark())).items() if name in kept}
    return {**row, "kind": entry.kind.value, "content": msgspec.json.encode(said).decode(), "command": command}


def read_batch_entry(row: RowMapping) -> AnyEntry:
    """Return the entry of a row, with what became of its command. Fields that are not known here are left out."""
    kind = BatchEntryKind(row["kind"])
    said = msgspec.json.decode(row["content"], type=dict[str, Any])
    named = ("id", "entry", "batch", "vat", "at_us", "happened_at_us", "by", "note", "corrects", "is_withdrawal")
    return BatchEntry(
        **{name: row[name] for name in named},
        content=msgspec.convert(said, CONTENT_TYPES[kind]),
        record=row["consumed_seq"],
        refusal=(row["answer"] or "") if row["applied"] is False else "",
    )


def care_entry_row(entry: CareEntry) -> dict[str, Any]:
    """Return the row of an entry not numbered yet. Raises RefusedError for what cannot be kept."""
    row = _storable(entry)
    del row["id"]
    return row


def read_care_entry(row: RowMapping) -> CareEntry:
    """Return the entry of a row of the care diary."""
    return msgspec.convert({name: row[name] for name in CareEntry.__struct_fields__}, CareEntry)


def _storable(
    thing: Command | Calibration | Check | Correction | AnyEntry | BatchContent | CareEntry,
) -> dict[str, Any]:
    row = {name: getattr(thing, name) for name in field_names(thing)}
    for name, value in row.items():
        if reason := _unstorable(value):
            raise RefusedError(
                f"The {name} of this {type(thing).__name__.lower()} {reason}: correct it and send it again"
            )
    if not isinstance(thing, Command):  # the watch refuses those, with a row of the journal
        _check_texts(row)
    return {name: str(value) if isinstance(value, str) else value for name, value in row.items()}


def _check_texts(row: Mapping[str, Any]) -> None:
    """Raise RefusedError for what a person wrote that hides something or is too long."""
    for name, text in row.items():
        if isinstance(text, str) and (hidden := plain_text.hidden(text)):
            raise RefusedError(f"{name} holds the character {hidden!a}: write one line of plain text")
        if name in _OF_PERSONS and len(text) > figures.LONGEST_TEXT:
            most = figures.LONGEST_TEXT
            raise RefusedError(f"{name} has {len(text)} characters, at most {most} are taken: shorten it")


_OF_PERSONS = {"by", "note", "why", "electrode", "lot", "instrument", "buffer"}
"""Fields that are text as a person wrote it."""


def _unstorable(value: object) -> str:
    if isinstance(value, str):
        return "" if _is_text(value) else "holds a character that cannot be stored (NUL or half of a pair)"
    if isinstance(value, int):
        return "" if -_TOO_LARGE <= value < _TOO_LARGE else "is too large a number"
    return "is not a finite number" if isinstance(value, float) and not isfinite(value) else ""


def _is_text(value: str) -> bool:
    return "\0" not in value and value.encode(errors="replace").decode() == value
