"""Declare the tables.

Law: this file is what the migrations make; a test compares the two on both databases. Times are plain integers in
microseconds (`_us`): UTC since 1970 (`at_us`) or watch time (`elapsed_us`). NULL is "not known", never a number.
Which rows may never change is enforced by triggers, which only the migrations hold.
"""

from dataclasses import fields
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Named,
    SmallInteger,
    Table,
    Text,
    TypedColumns,
)

from logger.model import Floats, Measurements
from logger.model.records import AT, ELAPSED

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# SQLite counts rows only in a column declared INTEGER; its integers have 64 bits under either name.
_BIG_ID = BigInteger().with_variant(Integer(), "sqlite")


class _MetaColumns(TypedColumns):
    key: Named[str] = Column(Text, primary_key=True)
    value: Named[str] = Column(Text)


class _RunColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    started_at_us: Named[int] = Column(BigInteger, comment=AT)
    elapsed_us: Named[int] = Column(BigInteger, comment=ELAPSED)
    version: Named[str] = Column(Text)
    config_hash: Named[str] = Column(Text)


class _CalibrationColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    probe: Named[str] = Column(Text, index=True)
    at_us: Named[int] = Column(BigInteger, comment=AT)
    offset_mv: Named[float] = Column(comment="mV at the isopotential pH 7")
    slope: Named[float] = Column(comment="fraction of the Nernst slope")
    var_offset: Named[float] = Column(comment="mV^2")
    var_slope: Named[float] = Column(comment="1")
    cov: Named[float] = Column(comment="mV")
    low_ph: Named[float] = Column(comment="pH of the lowest buffer")
    high_ph: Named[float] = Column(comment="pH of the highest buffer")
    points: Named[str] = Column(Text, comment="JSON: buffer pH, mV, Celsius of each point")
    by: Named[str] = Column(Text)
    residual_mv: Named[float] = Column(comment="mV")
    method: Named[str] = Column(Text, comment="bracketing or line")
    segments: Named[str] = Column(Text, comment="JSON: the line between neighbouring buffers")
    verdict: Named[str] = Column(Text)
    findings: Named[str] = Column(Text, comment="JSON: what the verdict rests on")
    electrode: Named[str] = Column(Text, comment="serial number")
    drift_ph_per_day: Named[float | None] = Column(comment="pH a day, standard deviation")
    accepted: Named[bool] = Column(Boolean, comment="false: not put in force when it was made")


class _CheckColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    probe: Named[str] = Column(Text, index=True)
    at_us: Named[int] = Column(BigInteger, comment=AT)
    kind: Named[str] = Column(Text, comment="buffer, spot or as-found")
    reference_ph: Named[float] = Column(comment="pH")
    u_reference_ph: Named[float] = Column(comment="pH, standard uncertainty, k = 1")
    reading_ph: Named[float] = Column(comment="pH")
    deviation_ph: Named[float] = Column(comment="pH, reading minus reference")
    tolerance_ph: Named[float] = Column(comment="pH")
    passed: Named[bool] = Column(Boolean)
    calibration: Named[int] = Column(BigInteger, ForeignKey("calibration.id"))
    vat: Named[str] = Column(Text)
    potential_mv: Named[float | None] = Column(comment="mV as indicated")
    temperature_c: Named[float | None] = Column(comment="Celsius as indicated")
    buffer: Named[str] = Column(Text)
    lot: Named[str] = Column(Text)
    instrument: Named[str] = Column(Text, comment="what gave the reference of a spot measurement")
    electrode: Named[str] = Column(Text, comment="serial number")
    by: Named[str] = Column(Text)
    note: Named[str] = Column(Text)


class _CorrectionColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    probe: Named[str] = Column(Text, index=True)
    at_us: Named[int] = Column(BigInteger, comment=AT)
    calibration: Named[int] = Column(BigInteger, ForeignKey("calibration.id"))
    since_at_us: Named[int] = Column(BigInteger, comment=AT)
    until_at_us: Named[int] = Column(BigInteger, comment=AT)
    deviations: Named[str] = Column(Text, comment="JSON: the checks it rests on, pH")
    by: Named[str] = Column(Text)
    why: Named[str] = Column(Text)
    revokes: Named[int | None] = Column(
        BigInteger, ForeignKey("correction.id"), comment="the correction that is taken back; NULL: this is one"
    )


_KINDS = {
    "reason": SmallInteger,
    "quality": SmallInteger,
    "tests": Integer,
    "previous_spike": SmallInteger,
    "belief": SmallInteger,
}
"""Types of the columns of records that are smaller than those of the fields."""
REFERENCES = {"calibration": "calibration.id", "check": "check_reading.id", "spot": "check_reading.id"}
"""Columns of records that name rows of other tables; NULL: none."""


def _of_record(name: str, kind: object, comment: str) -> Column[Any]:
    """Return the column of a field of `model.Measurements`, which says what it holds."""
    if name == "seq":
        return Column(name, BigInteger, primary_key=True, autoincrement=False, comment=comment)
    keys = [ForeignKey(REFERENCES[name])] if name in REFERENCES else []
    sql = Double if kind is Floats else _KINDS.get(name, BigInteger)
    return Column(name, sql, *keys, nullable=kind is Floats or name in REFERENCES, comment=comment or None)


class _WatchPartColumns(TypedColumns):
    vat: Named[str] = Column(Text, primary_key=True)
    part: Named[str] = Column(Text, primary_key=True, comment="name of the part, as in store/parts.py")
    probe: Named[str] = Column(Text)
    version: Named[int] = Column(Integer, comment="of the fields in content, counted for each part")
    content: Named[str] = Column(Text, comment="JSON: a part of what the watch remembers beside its log")


class _RetainedTopicColumns(TypedColumns):
    topic: Named[str] = Column(Text, primary_key=True, comment="the broker retains a message of ours there")


class _JournalColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    seq: Named[int] = Column(BigInteger, comment="record at which it happened; 0: outside any")
    at_us: Named[int] = Column(BigInteger, comment=AT)
    vat: Named[str] = Column(Text)
    cause: Named[str] = Column(Text)
    alarm: Named[str] = Column(Text)
    occurrence: Named[int | None] = Column(BigInteger)
    before: Named[str | None] = Column(Text)
    after: Named[str | None] = Column(Text)
    annunciates: Named[bool] = Column(Boolean)
    held: Named[bool] = Column(Boolean, comment="quiet hours kept it from annunciating")
    priority: Named[str] = Column(Text)
    value: Named[float | None] = Column(comment="pH or Celsius, as the alarm watches")
    u: Named[float | None] = Column(comment="standard uncertainty of value, k = 1")
    setpoint: Named[float | None] = Column(comment="pH or Celsius")
    probability: Named[float | None] = Column(comment="that pH is beyond the setpoint, or that a claim holds")
    reminder: Named[int] = Column(Integer)
    by: Named[str] = Column(Text)
    text: Named[str] = Column(Text)
    since_at_us: Named[int | None] = Column(BigInteger, comment=AT + ": since when its condition is what it is")
    told: Named[str | None] = Column(Text, comment="JSON: the lines for a telephone, and what was known then")


class _OutboxColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    event_id: Named[str] = Column(Text, unique=True)
    at_us: Named[int] = Column(BigInteger, comment=AT)
    vat: Named[str] = Column(Text)
    payload: Named[str] = Column(Text, comment="JSON")
    delivered_at_us: Named[int | None] = Column(BigInteger, comment=AT + "; NULL: not yet")
    superseded_by: Named[str | None] = Column(
        Text, comment="event_id of the newer reminder that was sent in its place; NULL: it was, or will be, sent itself"
    )


class _ChannelDeliveryColumns(TypedColumns):
    channel: Named[str] = Column(Text, primary_key=True, comment="hook, push-1, push-2 ...")
    event_id: Named[str] = Column(Text, primary_key=True, comment="it took this event; empty: it began then")
    at_us: Named[int] = Column(BigInteger, comment=AT)


class _InboxColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    at_us: Named[int] = Column(BigInteger, comment=AT)
    kind: Named[str] = Column(Text)
    vat: Named[str] = Column(Text)
    probe: Named[str] = Column(Text)
    alarm: Named[str] = Column(Text)
    occurrence: Named[int | None] = Column(BigInteger)
    duration_s: Named[float | None] = Column(comment="seconds")
    litres: Named[float | None] = Column(comment="what was topped up")
    calibration_id: Named[int | None] = Column(BigInteger, ForeignKey("calibration.id"))
    check_id: Named[int | None] = Column(BigInteger, ForeignKey("check_reading.id"))
    by: Named[str] = Column(Text)
    note: Named[str] = Column(Text)
    delivery: Named[str] = Column(Text, comment="names the message that brought it; empty: none did")
    consumed_seq: Named[int | None] = Column(BigInteger, comment="record it was applied before; NULL: pending")
    consumed_probe: Named[str | None] = Column(Text, comment="whose record that is")
    applied: Named[bool | None] = Column(Boolean)
    answer: Named[str | None] = Column(Text)


class _BatchEntryColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    entry: Named[str] = Column(Text, unique=True, comment="identity, the same in every store")
    batch: Named[str] = Column(Text, index=True, comment="identity of the batch, the same in every store")
    vat: Named[str] = Column(Text)
    kind: Named[str] = Column(Text)
    at_us: Named[int] = Column(BigInteger, comment=AT + ": when it was entered")
    happened_at_us: Named[int] = Column(BigInteger, comment=AT + ": when it happened")
    by: Named[str] = Column(Text)
    note: Named[str] = Column(Text)
    content: Named[str] = Column(Text, comment="JSON: the fields of its kind")
    corrects: Named[str] = Column(Text, comment="entry in whose place it stands; empty: none")
    is_withdrawal: Named[bool] = Column(Boolean, comment="it takes that entry back")
    command: Named[int | None] = Column(
        BigInteger, ForeignKey("inbox.id"), index=True, comment="by which the watch heard of it; NULL: it need not"
    )


class _CareEntryColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    entry: Named[str] = Column(Text, unique=True, comment="identity, the same in every store")
    probe: Named[str] = Column(Text, index=True)
    kind: Named[str] = Column(Text)
    at_us: Named[int] = Column(BigInteger, comment=AT + ": when it was entered")
    happened_at_us: Named[int] = Column(BigInteger, comment=AT + ": when it happened")
    by: Named[str] = Column(Text)
    note: Named[str] = Column(Text)
    electrode: Named[str] = Column(Text, comment="serial number")
    using: Named[str] = Column(Text, comment="storage solution or cleaner")
    buffer: Named[str] = Column(Text)
    lot: Named[str] = Column(Text)
    expires_at_us: Named[int | None] = Column(BigInteger, comment=AT + "; NULL: nobody said")
    corrects: Named[str] = Column(Text, comment="entry in whose place it stands; empty: none")
    is_withdrawal: Named[bool] = Column(Boolean, comment="it takes that entry back")


meta = Table("meta", metadata, _MetaColumns)
run = Table("run", metadata, _RunColumns)
calibration = Table("calibration", metadata, _CalibrationColumns)
check_reading = Table("check_reading", metadata, _CheckColumns)
correction = Table("correction", metadata, _CorrectionColumns)
measurement = Table(
    "measurement",
    metadata,
    Column("probe", Text, primary_key=True),
    *(_of_record(field.name, field.type, field.metadata["comment"]) for field in fields(Measurements)),
    Column("vat", Text, nullable=False),
    Column("run", BigInteger, ForeignKey("run.id"), nullable=False),
    sqlite_with_rowid=False,
)
watch_part = Table("watch_part", metadata, _WatchPartColumns)
retained_topic = Table("retained_topic", metadata, _RetainedTopicColumns)
journal = Table("journal", metadata, _JournalColumns)
outbox = Table("outbox", metadata, _OutboxColumns)
channel_delivery = Table("channel_delivery", metadata, _ChannelDeliveryColumns)
inbox = Table("inbox", metadata, _InboxColumns)
batch_entry = Table("batch_entry", metadata, _BatchEntryColumns)
care_entry = Table("care_entry", metadata, _CareEntryColumns)

# Revision 0001 makes them partial: they hold only what still waits, so they stay small for ever. To say so here would
# load the dialect of PostgreSQL, 2 MB, into every watch.
Index("ix_outbox_unsent", outbox.c.id)
Index("ix_inbox_pending", inbox.c.id)
