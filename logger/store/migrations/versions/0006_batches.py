"""Keep the record of every batch, and the care diary of the probes, as entries that nobody changes.

Law: a migration is history, so it is never edited and takes nothing from `tables.py` or the model. A batch that was
under way goes on: its record begins with the start that the watch remembers.
"""

import json
from hashlib import blake2s
from secrets import token_hex
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

AT = "UTC, microseconds since 1970"
BATCH, CARE = "batch_entry", "care_entry"


def upgrade() -> None:
    """Make the tables with their guards and views; begin the records of the batches under way."""
    _make_batch_entries()
    _make_care_entries()
    is_sqlite = op.get_context().dialect.name == "sqlite"
    for table in (BATCH, CARE):
        _guard_sqlite(table) if is_sqlite else _guard_postgresql(table)
    connection = op.get_bind()
    for name, select in views(is_sqlite=is_sqlite).items():
        connection.exec_driver_sql(f"CREATE VIEW {name} AS {select}")
    _begin_records(connection)


def _column(name: str, kind: type[sa.types.TypeEngine[Any]], comment: str | None = None) -> sa.Column[Any]:
    return sa.Column(name, kind(), nullable=False, comment=comment)


def _id() -> sa.Column[int]:
    return sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False)


def _times(did: str) -> list[sa.Column[Any]]:
    return [
        _column("at_us", sa.BigInteger, f"{AT}: when it was entered"),
        _column("happened_at_us", sa.BigInteger, f"{AT}: when it {did}"),
    ]


def _correction() -> list[sa.Column[Any]]:
    return [
        _column("corrects", sa.Text, "entry in whose place it stands; empty: none"),
        _column("is_withdrawal", sa.Boolean, "it takes that entry back"),
    ]


def _make_batch_entries() -> None:
    heard = "by which the watch heard of it; NULL: it need not"
    op.create_table(
        BATCH,
        _id(),
        _column("entry", sa.Text, "identity, the same in every store"),
        _column("batch", sa.Text, "identity of the batch, the same in every store"),
        _column("vat", sa.Text),
        _column("kind", sa.Text),
        *_times("happened"),
        _column("by", sa.Text),
        _column("note", sa.Text),
        _column("content", sa.Text, "JSON: the fields of its kind"),
        *_correction(),
        sa.Column("command", sa.BigInteger(), nullable=True, comment=heard),
        sa.PrimaryKeyConstraint("id", name=f"pk_{BATCH}"),
        sa.UniqueConstraint("entry", name=f"uq_{BATCH}_entry"),
        sa.ForeignKeyConstraint(["command"], ["inbox.id"], name=f"fk_{BATCH}_command"),
    )
    op.create_index(f"ix_{BATCH}_batch", BATCH, ["batch"])
    op.create_index(f"ix_{BATCH}_command", BATCH, ["command"])


def _make_care_entries() -> None:
    op.create_table(
        CARE,
        _id(),
        _column("entry", sa.Text, "identity, the same in every store"),
        _column("probe", sa.Text),
        _column("kind", sa.Text),
        *_times("happened"),
        _column("by", sa.Text),
        _column("note", sa.Text),
        _column("electrode", sa.Text, "serial number"),
        _column("using", sa.Text, "storage solution or cleaner"),
        _column("buffer", sa.Text),
        _column("lot", sa.Text),
        sa.Column("expires_at_us", sa.BigInteger(), nullable=True, comment=f"{AT}; NULL: nobody said"),
        *_correction(),
        sa.PrimaryKeyConstraint("id", name=f"pk_{CARE}"),
        sa.UniqueConstraint("entry", name=f"uq_{CARE}_entry"),
    )
    op.create_index(f"ix_{CARE}_probe", CARE, ["probe"])


def _guard_sqlite(table: str) -> None:
    for change in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER {table}_{change.lower()} BEFORE {change} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are never changed or deleted'); END"
        )


def _guard_postgresql(table: str) -> None:
    for change, each in (("UPDATE", "ROW"), ("DELETE", "ROW"), ("TRUNCATE", "STATEMENT")):
        op.execute(
            f"CREATE TRIGGER {table}_{change.lower()} BEFORE {change} ON {table} FOR EACH {each} "
            "EXECUTE FUNCTION refuse_change()"
        )


def views(*, is_sqlite: bool) -> dict[str, str]:
    """Return the statement of each view."""
    entered, happened = (_time(column, is_sqlite=is_sqlite) for column in ("at_us", "happened_at_us"))
    expires = _time("expires_at_us", is_sqlite=is_sqlite)
    late = "CASE WHEN at_us - happened_at_us > 600000000 THEN 'yes' ELSE 'no' END AS backdated"
    withdrawn = "CASE WHEN is_withdrawal THEN 'yes' ELSE 'no' END AS withdrawal"
    return {
        "readable_batch_entry": f"SELECT id, entry, batch, vat, kind, {entered} AS entered, {happened} AS happened, "  # noqa: S608 - made of what stands here
        f'{late}, "by" AS person, note, content, corrects, {withdrawn}, command AS request_id FROM {BATCH}',
        "readable_care_entry": f"SELECT id, entry, probe, kind, {entered} AS entered, {happened} AS happened, {late}, "  # noqa: S608 - made of what stands here
        f'"by" AS person, note, electrode, "using" AS solution, buffer, lot, {expires} AS expires, corrects, '
        f"{withdrawn} FROM {CARE}",
    }


def _time(column: str, *, is_sqlite: bool) -> str:
    """Return an expression that says UTC microseconds as ISO 8601; NULL stays NULL."""
    if is_sqlite:
        return f"strftime('%Y-%m-%dT%H:%M:%S', {column} / 1000000, 'unixepoch') || printf('.%06dZ', {column} % 1000000)"
    moment = f"timestamp '1970-01-01' + {column} * interval '1 microsecond'"
    return f"""to_char({moment}, 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"')"""


def _begin_records(connection: sa.Connection) -> None:
    """Enter the start of each batch that a watch is in the midst of."""
    part = sa.table("watch_part", *(sa.column(name) for name in ("vat", "part", "content")))
    names = ("entry", "batch", "vat", "kind", "at_us", "happened_at_us", "by", "note", "content", "corrects")
    entries = sa.table(BATCH, *(sa.column(name) for name in (*names, "is_withdrawal")))
    for vat, _, content in connection.execute(sa.select(part).where(part.c.part == "batch")).all():
        started_at_us = json.loads(content).get("started_at_us")
        if started_at_us is None:
            continue
        start = {
            "entry": token_hex(8),
            "batch": blake2s(f"{vat} {started_at_us}".encode(), digest_size=6).hexdigest(),
            "vat": vat,
            "kind": "start",
            "at_us": started_at_us,
            "happened_at_us": started_at_us,
            "by": "",
            "note": "begun before records of batches were kept; entered when the store was upgraded",
            "content": "{}",
            "corrects": "",
            "is_withdrawal": False,
        }
        connection.execute(sa.insert(entries), start)
