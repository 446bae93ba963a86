"""The tables.

Law: this file is what the migrations make; a test compares the two on both databases. Times are plain integers in
microseconds (`_us`): UTC since 1970 (`at_us`) or watch time (`elapsed_us`). NULL is "not known", never a number.
Which rows may never change is enforced by triggers, which only the migrations hold.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Named,
    SmallInteger,
    Table,
    Text,
    TypedColumns,
    text,
)

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
_AT = "UTC, microseconds since 1970"
_ELAPSED = "watch time, microseconds: never runs back, also over restarts"


class _MetaColumns(TypedColumns):
    key: Named[str] = Column(Text, primary_key=True)
    value: Named[str] = Column(Text)


class _RunColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    started_at_us: Named[int] = Column(BigInteger, comment=_AT)
    elapsed_us: Named[int] = Column(BigInteger, comment=_ELAPSED)
    version: Named[str] = Column(Text)
    config_hash: Named[str] = Column(Text)


class _CalibrationColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    probe: Named[str] = Column(Text, index=True)
    at_us: Named[int] = Column(BigInteger, comment=_AT)
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
    at_us: Named[int] = Column(BigInteger, comment=_AT)
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
    at_us: Named[int] = Column(BigInteger, comment=_AT)
    calibration: Named[int] = Column(BigInteger, ForeignKey("calibration.id"))
    since_at_us: Named[int] = Column(BigInteger, comment=_AT)
    until_at_us: Named[int] = Column(BigInteger, comment=_AT)
    deviations: Named[str] = Column(Text, comment="JSON: the checks it rests on, pH")
    by: Named[str] = Column(Text)
    why: Named[str] = Column(Text)
    revokes: Named[int | None] = Column(
        BigInteger, ForeignKey("correction.id"), comment="the correction that is taken back; NULL: this is one"
    )


class _MeasurementColumns(TypedColumns):
    probe: Named[str] = Column(Text, primary_key=True)
    seq: Named[int] = Column(BigInteger, primary_key=True, autoincrement=False, comment="rises by one, from 1")
    at_us: Named[int] = Column(BigInteger, comment=_AT)
    elapsed_us: Named[int] = Column(BigInteger, comment=_ELAPSED)
    potential_mv: Named[float | None] = Column(comment="mV as indicated")
    temperature_c: Named[float | None] = Column(comment="Celsius as indicated")
    reason: Named[int] = Column(SmallInteger, comment="why there is no indication; 0: there is one")
    reference_ph: Named[float | None] = Column(comment="pH, by the vat's second probe just then")
    reference_u: Named[float | None] = Column(comment="pH, standard uncertainty of it, k = 1")
    ph: Named[float | None] = Column(comment="pH")
    u: Named[float | None] = Column(comment="pH, standard uncertainty, k = 1")
    quality: Named[int] = Column(SmallInteger, comment="IOOS QARTOD flag: 1, 2, 3, 4, 9")
    tests: Named[int] = Column(Integer, comment="bits of the tests that spoke")
    previous_spike: Named[int] = Column(SmallInteger, comment="QARTOD flag of the record before, by the spike test")
    calibration: Named[int | None] = Column(BigInteger, ForeignKey("calibration.id"))
    belief: Named[int] = Column(SmallInteger, comment="0 believed, 1 suspect, 2 not believed")
    since_at_us: Named[int] = Column(BigInteger, comment=_AT + ": since when so, for the same reason")
    check: Named[int | None] = Column(
        BigInteger, ForeignKey("check_reading.id"), comment="newest in a buffer with this calibration"
    )
    spot: Named[int | None] = Column(
        BigInteger, ForeignKey("check_reading.id"), comment="newest beside another instrument with it"
    )
    vat: Named[str] = Column(Text)
    run: Named[int] = Column(BigInteger, ForeignKey("run.id"))


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
    at_us: Named[int] = Column(BigInteger, comment=_AT)
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
    since_at_us: Named[int | None] = Column(BigInteger, comment=_AT + ": since when its condition is what it is")
    told: Named[str | None] = Column(Text, comment="JSON: the lines for a telephone, and what was known then")


class _OutboxColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    event_id: Named[str] = Column(Text, unique=True)
    at_us: Named[int] = Column(BigInteger, comment=_AT)
    vat: Named[str] = Column(Text)
    payload: Named[str] = Column(Text, comment="JSON")
    delivered_at_us: Named[int | None] = Column(BigInteger, comment=_AT + "; NULL: not yet")


class _HookDeliveryColumns(TypedColumns):
    event_id: Named[str] = Column(Text, primary_key=True, comment="the second way out was taken for this event")
    at_us: Named[int] = Column(BigInteger, comment=_AT)


class _InboxColumns(TypedColumns):
    id: Named[int] = Column(_BIG_ID, primary_key=True)
    at_us: Named[int] = Column(BigInteger, comment=_AT)
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


meta = Table("meta", metadata, _MetaColumns)
run = Table("run", metadata, _RunColumns)
calibration = Table("calibration", metadata, _CalibrationColumns)
check_reading = Table("check_reading", metadata, _CheckColumns)
correction = Table("correction", metadata, _CorrectionColumns)
measurement = Table("measurement", metadata, _MeasurementColumns, sqlite_with_rowid=False)
watch_part = Table("watch_part", metadata, _WatchPartColumns)
retained_topic = Table("retained_topic", metadata, _RetainedTopicColumns)
journal = Table("journal", metadata, _JournalColumns)
outbox = Table("outbox", metadata, _OutboxColumns)
hook_delivery = Table("hook_delivery", metadata, _HookDeliveryColumns)
inbox = Table("inbox", metadata, _InboxColumns)

# Partial: they hold only what still waits, so they stay small for ever.
_UNSENT, _PENDING = text("delivered_at_us IS NULL"), text("consumed_seq IS NULL")
Index("ix_outbox_unsent", outbox.c.id, sqlite_where=_UNSENT, postgresql_where=_UNSENT)
Index("ix_inbox_pending", inbox.c.id, sqlite_where=_PENDING, postgresql_where=_PENDING)
