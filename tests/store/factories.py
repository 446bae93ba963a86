"""Small, made-up series and words to put into a store."""

from collections.abc import Iterable
from dataclasses import fields

import numpy as np
from msgspec import structs

from logger.model import (
    AlarmState,
    Answer,
    AnyEntry,
    BatchContent,
    BatchEntry,
    Calibration,
    CalibrationPoint,
    Carry,
    Cause,
    Check,
    CheckKind,
    Command,
    CommandKind,
    Correction,
    Deviation,
    Entry,
    Event,
    Measurements,
    Outcome,
    ReportedState,
    State,
    batch_id,
)
from logger.model.batch import labels
from logger.structs import replace

START_US = 1_790_000_000_000_000
PERIOD_US = 10_000_000
HOUR_US = 3_600_000_000
VAT = "cellar"
BATCH = batch_id(VAT, START_US)


def measurements(first: int, count: int, *, calibration: int = 0) -> Measurements:
    """Return records `first` to `first + count - 1`; every tenth has no indication."""
    seq = np.arange(first, first + count, dtype=np.int64)
    missing = seq % 10 == 0
    potential = np.where(missing, np.nan, 100 + np.sin(seq) * 17)
    zeros = np.zeros(count, np.int64)
    return Measurements(
        seq=seq,
        at_us=START_US + seq * PERIOD_US,
        elapsed_us=seq * PERIOD_US,
        potential_mv=potential,
        temperature_c=np.where(missing, np.nan, 20 + np.cos(seq)),
        reason=np.where(missing, 2, zeros),
        reference_ph=np.where(seq % 3 == 0, np.nan, 4.7),
        reference_u=np.where(seq % 3 == 0, np.nan, 0.06),
        ph=7 - potential / 58,
        u=np.where(missing, np.nan, 0.05),
        quality=np.where(missing, 9, zeros + 1),
        tests=zeros,
        previous_spike=zeros + 2,
        calibration=zeros + calibration,
        belief=zeros,
        since_at_us=zeros + START_US,
        check=zeros,
        spot=zeros,
    )


def outcome(
    records: Measurements,
    *,
    vat: str = "marrow",
    probe: str = "marrow-probe",
    entries: Iterable[Entry] = (),
    answers: Iterable[Answer] = (),
    carry: Carry | None = None,
) -> Outcome:
    """Return what a step made of these records."""
    return Outcome(
        vat=vat,
        probe=probe,
        measurements=records,
        entries=tuple(entries),
        answers=tuple(answers),
        carry=carry or Carry(probe=probe),
    )


def entry(seq: int = 1, **more: object) -> Entry:
    """Return an annunciation."""
    values = {"vat": "marrow", "alarm": "ph-high", "occurrence": 1, "annunciates": True, "priority": "high", **more}
    return Entry(
        seq=seq,
        at_us=START_US + seq * PERIOD_US,
        cause=Cause.ANNUNCIATED,
        before=State.NORMAL,
        after=State.UNACKNOWLEDGED,
        **values,  # type: ignore[arg-type]  # the tests give what they name
    )


def event(name: str, payload: str = "{}", *, at_us: int = START_US) -> Event:
    """Return an event of that id."""
    return Event(id=name, at_us=at_us, vat="marrow", payload=payload)


def command(kind: CommandKind = CommandKind.NOTE, **more: object) -> Command:
    """Return a command that has no number yet."""
    values = {"vat": "marrow", "by": "tova", **more}
    return Command(id=0, at_us=START_US, kind=kind, **values)  # type: ignore[arg-type]  # as above


def calibration(**more: object) -> Calibration:
    """Return a calibration that has no number yet."""
    points = (
        CalibrationPoint(buffer_ph=4.005, potential_mv=170.9, temperature_c=21.3),
        CalibrationPoint(buffer_ph=6.865, potential_mv=0.1 + 0.2, temperature_c=21.4),
    )
    values = {"probe": "marrow-probe", "offset_mv": -3.3, "slope": 0.971, "points": points, "by": "tova", **more}
    return Calibration(
        id=0, at_us=START_US, var_offset=0.4, var_slope=1e-5, cov=-1e-3, low_ph=4.005, high_ph=6.865, **values  # type: ignore[arg-type]  # as above
    )  # fmt: skip


def check(**more: object) -> Check:
    """Return a buffer as found with calibration 1, without a number yet."""
    values = {"probe": "marrow-probe", "at_us": START_US, "kind": CheckKind.AS_FOUND, "calibration": 1, **more}
    return Check(
        id=0,
        reference_ph=4.005,
        u_reference_ph=0.1 + 0.2,
        reading_ph=4.065,
        deviation_ph=0.06,
        tolerance_ph=0.05,
        passed=False,
        **values,  # type: ignore[arg-type]  # as above
    )


def correction(**more: object) -> Correction:
    """Return the correction of calibration 1 by check 1, without a number yet."""
    found = Deviation(check=1, reference_ph=4.005, deviation_ph=0.1 + 0.2, u_ph=0.02)
    values = {"since_at_us": START_US, "until_at_us": START_US + PERIOD_US, "deviations": (found,), **more}
    return Correction(
        id=0, probe="marrow-probe", at_us=START_US, calibration=1, by="tova", why="as found", **values  # type: ignore[arg-type]  # as above
    )  # fmt: skip


def carry(**more: object) -> Carry:
    """Return what a watch with one standing alarm carries."""
    alarm = AlarmState(
        abnormal=True, base=State.UNACKNOWLEDGED, occurrence=3, since_at_us=START_US, value=4.71, u=0.1 + 0.2
    )
    values = {
        "probe": "marrow-probe",
        "alarms": {"ph-high": alarm, "blind": AlarmState()},
        "reported": ReportedState(believed_at_us=START_US),
        **more,
    }
    return Carry(**values)  # type: ignore[arg-type]  # as above


def bits(records: Measurements) -> dict[str, list[int]]:
    """Return every column as its 64 bits, one NaN for all of them, and no sign of zero (which SQLite does not keep)."""
    columns = {f.name: getattr(records, f.name) for f in fields(records)}
    plain = {name: np.where(np.isnan(c), np.nan, c + 0.0) if c.dtype.kind == "f" else c for name, c in columns.items()}
    return {name: column.view(np.int64).tolist() for name, column in plain.items()}


def batch_entry(content: BatchContent, at_h: float = 0.0, **values: object) -> AnyEntry:
    """Return an entry made so many hours after the start, of what happened then."""
    at_us = START_US + round(at_h * HOUR_US)
    made = BatchEntry(
        entry=f"{type(content).__name__} {at_h}",
        batch=BATCH,
        vat=VAT,
        at_us=at_us,
        happened_at_us=at_us,
        by="tova",
        content=content,
    )
    return replace(made, **values)  # type: ignore[arg-type] # fields of an entry


def filled(content: type[BatchContent]) -> BatchContent:
    """Return a content with every field filled, by a value that its kind takes."""
    values: dict[str, object] = {}
    said = labels(content)
    for each in structs.fields(content):
        choices = said[each.name].choices
        number = START_US if said[each.name].unit == "us" else 3.5
        text = next(iter(choices)).value if choices else f"{each.name} <b>"
        whole = "int" in str(each.type)
        values[each.name] = text if each.default == "" else (int(number) if whole else number)
    return content(**values)  # type: ignore[arg-type] # they are of the kind of each field
