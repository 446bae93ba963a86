"""Make the first tables, and the triggers that keep their rows from being changed or deleted.

Law: a migration is history, so it is never edited and takes nothing from `tables.py`. There is no way down: to go
back, put the backup in place that was made before the migration.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

AT = "UTC, microseconds since 1970"
ELAPSED = "watch time, microseconds: never runs back, also over restarts"

NEVER_CHANGE = ("meta", "run", "calibration", "check_reading", "correction", "measurement", "journal", "hook_delivery")
CHANGE_ONCE = {
    "outbox": ("delivered_at_us", ("id", "event_id", "at_us", "vat", "payload")),
    "inbox": (
        "consumed_seq",
        (
            "id",
            "at_us",
            "kind",
            "vat",
            "probe",
            "alarm",
            "occurrence",
            "duration_s",
            "litres",
            "calibration_id",
            "check_id",
            "by",
            "note",
            "delivery",
        ),
    ),
}
"""By table: the column that is NULL until the row's one change, and those that must stay as they are."""


def upgrade() -> None:
    """Make everything, in the transaction that is open."""
    _make_meta_run_watch()
    _make_calibration()
    _make_check_reading()
    _make_correction()
    _make_measurement()
    _make_journal()
    _make_outbox()
    _make_inbox()
    guard = _guard_sqlite if op.get_context().dialect.name == "sqlite" else _guard_postgresql
    guard()


def _number() -> sa.Column[int]:
    return sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), primary_key=True)


def _column(
    name: str, kind: type[sa.types.TypeEngine[Any]], comment: str | None = None, *, nullable: bool = False
) -> sa.Column[Any]:
    return sa.Column(name, kind(), nullable=nullable, comment=comment, autoincrement=False)


def _make_meta_run_watch() -> None:
    op.create_table(
        "meta",
        _column("key", sa.Text),
        _column("value", sa.Text),
        sa.PrimaryKeyConstraint("key", name="pk_meta"),
    )
    op.create_table(
        "run",
        _number(),
        _column("started_at_us", sa.BigInteger, AT),
        _column("elapsed_us", sa.BigInteger, ELAPSED),
        _column("version", sa.Text),
        _column("config_hash", sa.Text),
    )
    op.create_table(
        "watch",
        _column("vat", sa.Text),
        _column("probe", sa.Text),
        _column("carry", sa.Text, "JSON: what the watch remembers beside its log"),
        sa.PrimaryKeyConstraint("vat", name="pk_watch"),
    )
    op.create_table(
        "retained_topic",
        _column("topic", sa.Text, "the broker retains a message of ours there"),
        sa.PrimaryKeyConstraint("topic", name="pk_retained_topic"),
    )


def _make_calibration() -> None:
    op.create_table(
        "calibration",
        _number(),
        _column("probe", sa.Text),
        _column("at_us", sa.BigInteger, AT),
        _column("offset_mv", sa.Double, "mV at the isopotential pH 7"),
        _column("slope", sa.Double, "fraction of the Nernst slope"),
        _column("var_offset", sa.Double, "mV^2"),
        _column("var_slope", sa.Double, "1"),
        _column("cov", sa.Double, "mV"),
        _column("low_ph", sa.Double, "pH of the lowest buffer"),
        _column("high_ph", sa.Double, "pH of the highest buffer"),
        _column("points", sa.Text, "JSON: buffer pH, mV, Celsius of each point"),
        _column("by", sa.Text),
        _column("residual_mv", sa.Double, "mV"),
        _column("method", sa.Text, "bracketing or line"),
        _column("segments", sa.Text, "JSON: the line between neighbouring buffers"),
        _column("verdict", sa.Text),
        _column("findings", sa.Text, "JSON: what the verdict rests on"),
        _column("electrode", sa.Text, "serial number"),
        _column("drift_ph_per_day", sa.Double, "pH a day, standard deviation", nullable=True),
        _column("accepted", sa.Boolean, "false: stored, never applied"),
    )
    op.create_index("ix_calibration_probe", "calibration", ["probe"])


def _make_check_reading() -> None:
    op.create_table(
        "check_reading",
        _number(),
        _column("probe", sa.Text),
        _column("at_us", sa.BigInteger, AT),
        _column("kind", sa.Text, "buffer, spot or as-found"),
        _column("reference_ph", sa.Double, "pH"),
        _column("u_reference_ph", sa.Double, "pH, standard uncertainty, k = 1"),
        _column("reading_ph", sa.Double, "pH"),
        _column("deviation_ph", sa.Double, "pH, reading minus reference"),
        _column("tolerance_ph", sa.Double, "pH"),
        _column("passed", sa.Boolean),
        _column("calibration", sa.BigInteger),
        _column("vat", sa.Text),
        _column("potential_mv", sa.Double, "mV as indicated", nullable=True),
        _column("temperature_c", sa.Double, "Celsius as indicated", nullable=True),
        _column("buffer", sa.Text),
        _column("lot", sa.Text),
        _column("instrument", sa.Text, "what gave the reference of a spot measurement"),
        _column("electrode", sa.Text, "serial number"),
        _column("by", sa.Text),
        _column("note", sa.Text),
        sa.ForeignKeyConstraint(["calibration"], ["calibration.id"], name="fk_check_reading_calibration"),
    )
    op.create_index("ix_check_reading_probe", "check_reading", ["probe"])


def _make_correction() -> None:
    op.create_table(
        "correction",
        _number(),
        _column("probe", sa.Text),
        _column("at_us", sa.BigInteger, AT),
        _column("calibration", sa.BigInteger),
        _column("since_at_us", sa.BigInteger, AT),
        _column("until_at_us", sa.BigInteger, AT),
        _column("deviations", sa.Text, "JSON: the checks it rests on, pH"),
        _column("by", sa.Text),
        _column("why", sa.Text),
        _column("revokes", sa.BigInteger, "the correction that is taken back; NULL: this is one", nullable=True),
        sa.ForeignKeyConstraint(["calibration"], ["calibration.id"], name="fk_correction_calibration"),
        sa.ForeignKeyConstraint(["revokes"], ["correction.id"], name="fk_correction_revokes"),
    )
    op.create_index("ix_correction_probe", "correction", ["probe"])


def _make_measurement() -> None:
    op.create_table(
        "measurement",
        _column("probe", sa.Text),
        _column("seq", sa.BigInteger, "rises by one, from 1"),
        _column("at_us", sa.BigInteger, AT),
        _column("elapsed_us", sa.BigInteger, ELAPSED),
        _column("potential_mv", sa.Double, "mV as indicated", nullable=True),
        _column("temperature_c", sa.Double, "Celsius as indicated", nullable=True),
        _column("reason", sa.SmallInteger, "why there is no indication; 0: there is one"),
        _column("reference_ph", sa.Double, "pH, by the vat's second probe just then", nullable=True),
        _column("reference_u", sa.Double, "pH, standard uncertainty of it, k = 1", nullable=True),
        _column("ph", sa.Double, "pH", nullable=True),
        _column("u", sa.Double, "pH, standard uncertainty, k = 1", nullable=True),
        _column("quality", sa.SmallInteger, "IOOS QARTOD flag: 1, 2, 3, 4, 9"),
        _column("tests", sa.Integer, "bits of the tests that spoke"),
        _column("previous_spike", sa.SmallInteger, "QARTOD flag of the record before, by the spike test"),
        _column("calibration", sa.BigInteger, nullable=True),
        _column("belief", sa.SmallInteger, "0 believed, 1 suspect, 2 not believed"),
        _column("since_at_us", sa.BigInteger, AT + ": since when so, for the same reason"),
        _column("check", sa.BigInteger, "newest in a buffer with this calibration", nullable=True),
        _column("spot", sa.BigInteger, "newest beside another instrument with it", nullable=True),
        _column("vat", sa.Text),
        _column("run", sa.BigInteger),
        sa.PrimaryKeyConstraint("probe", "seq", name="pk_measurement"),
        sa.ForeignKeyConstraint(["calibration"], ["calibration.id"], name="fk_measurement_calibration"),
        sa.ForeignKeyConstraint(["check"], ["check_reading.id"], name="fk_measurement_check"),
        sa.ForeignKeyConstraint(["spot"], ["check_reading.id"], name="fk_measurement_spot"),
        sa.ForeignKeyConstraint(["run"], ["run.id"], name="fk_measurement_run"),
        sqlite_with_rowid=False,
    )


def _make_journal() -> None:
    op.create_table(
        "journal",
        _number(),
        _column("seq", sa.BigInteger, "record at which it happened; 0: outside any"),
        _column("at_us", sa.BigInteger, AT),
        _column("vat", sa.Text),
        _column("cause", sa.Text),
        _column("alarm", sa.Text),
        _column("occurrence", sa.BigInteger, nullable=True),
        _column("before", sa.Text, nullable=True),
        _column("after", sa.Text, nullable=True),
        _column("annunciates", sa.Boolean),
        _column("held", sa.Boolean, "quiet hours kept it from annunciating"),
        _column("priority", sa.Text),
        _column("value", sa.Double, "pH or Celsius, as the alarm watches", nullable=True),
        _column("u", sa.Double, "standard uncertainty of value, k = 1", nullable=True),
        _column("setpoint", sa.Double, "pH or Celsius", nullable=True),
        _column("probability", sa.Double, "that pH is beyond the setpoint, or that a claim holds", nullable=True),
        _column("reminder", sa.Integer),
        _column("by", sa.Text),
        _column("text", sa.Text),
        _column("since_at_us", sa.BigInteger, f"{AT}: since when its condition is what it is", nullable=True),
        _column("told", sa.Text, "JSON: the lines for a telephone, and what was known then", nullable=True),
    )


def _make_outbox() -> None:
    op.create_table(
        "outbox",
        _number(),
        _column("event_id", sa.Text),
        _column("at_us", sa.BigInteger, AT),
        _column("vat", sa.Text),
        _column("payload", sa.Text, "JSON"),
        _column("delivered_at_us", sa.BigInteger, f"{AT}; NULL: not yet", nullable=True),
        sa.UniqueConstraint("event_id", name="uq_outbox_event_id"),
    )
    _make_partial_index("ix_outbox_unsent", "outbox", "delivered_at_us IS NULL")
    op.create_table(
        "hook_delivery",
        _column("event_id", sa.Text, "the second way out was taken for this event"),
        _column("at_us", sa.BigInteger, AT),
        sa.PrimaryKeyConstraint("event_id", name="pk_hook_delivery"),
    )


def _make_inbox() -> None:
    op.create_table(
        "inbox",
        _number(),
        _column("at_us", sa.BigInteger, AT),
        _column("kind", sa.Text),
        _column("vat", sa.Text),
        _column("probe", sa.Text),
        _column("alarm", sa.Text),
        _column("occurrence", sa.BigInteger, nullable=True),
        _column("duration_s", sa.Double, "seconds", nullable=True),
        _column("litres", sa.Double, "what was topped up", nullable=True),
        _column("calibration_id", sa.BigInteger, nullable=True),
        _column("check_id", sa.BigInteger, nullable=True),
        _column("by", sa.Text),
        _column("note", sa.Text),
        _column("delivery", sa.Text, "names the message that brought it; empty: none did"),
        _column("consumed_seq", sa.BigInteger, "record it was applied before; NULL: pending", nullable=True),
        _column("consumed_probe", sa.Text, "whose record that is", nullable=True),
        _column("applied", sa.Boolean, nullable=True),
        _column("answer", sa.Text, nullable=True),
        sa.ForeignKeyConstraint(["calibration_id"], ["calibration.id"], name="fk_inbox_calibration_id"),
        sa.ForeignKeyConstraint(["check_id"], ["check_reading.id"], name="fk_inbox_check_id"),
    )
    _make_partial_index("ix_inbox_pending", "inbox", "consumed_seq IS NULL")


def _make_partial_index(name: str, table: str, condition: str) -> None:
    op.create_index(name, table, ["id"], sqlite_where=sa.text(condition), postgresql_where=sa.text(condition))


def _is_forbidden(once: str, fixed: tuple[str, ...], differs: str) -> str:
    return " OR ".join([f"OLD.{once} IS NOT NULL", *(f"NEW.{name} {differs} OLD.{name}" for name in fixed)])


def _guard_sqlite() -> None:
    for table in NEVER_CHANGE:
        _refuse_sqlite(table, "UPDATE")
    for table, (once, fixed) in CHANGE_ONCE.items():
        _refuse_sqlite(table, "UPDATE", f"WHEN {_is_forbidden(once, fixed, 'IS NOT')}")
    for table in (*NEVER_CHANGE, *CHANGE_ONCE):
        _refuse_sqlite(table, "DELETE")


def _refuse_sqlite(table: str, change: str, condition: str = "") -> None:
    op.execute(
        f"CREATE TRIGGER {table}_{change.lower()} BEFORE {change} ON {table} {condition} "
        f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are never changed or deleted'); END"
    )


def _guard_postgresql() -> None:
    op.execute(
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION "
        "'rows of % are never changed or deleted', TG_TABLE_NAME USING ERRCODE = 'integrity_constraint_violation'; "
        "END $$"
    )
    for table in NEVER_CHANGE:
        _refuse_postgresql(table, "UPDATE", "ROW")
    for table, (once, fixed) in CHANGE_ONCE.items():
        _refuse_postgresql(table, "UPDATE", f"ROW WHEN ({_is_forbidden(once, fixed, 'IS DISTINCT FROM')})")
    for table in (*NEVER_CHANGE, *CHANGE_ONCE):
        _refuse_postgresql(table, "DELETE", "ROW")
        _refuse_postgresql(table, "TRUNCATE", "STATEMENT")


def _refuse_postgresql(table: str, change: str, each: str) -> None:
    op.execute(
        f"CREATE TRIGGER {table}_{change.lower()} BEFORE {change} ON {table} FOR EACH {each} "
        "EXECUTE FUNCTION refuse_change()"
    )
