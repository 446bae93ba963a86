"""Keep of each channel beside the broker which events it took; the hook was the only one before.

Law: a migration is history, so it is never edited and takes nothing from `tables.py` or the model. What the hook took
is moved; it began before everything.
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

TABLE = "channel_delivery"
AT = "UTC, microseconds since 1970"


def upgrade() -> None:
    """Put the table of all channels in the place of the hook's."""
    op.create_table(
        TABLE,
        sa.Column("channel", sa.Text(), nullable=False, comment="hook, push-1, push-2 ..."),
        sa.Column("event_id", sa.Text(), nullable=False, comment="it took this event; empty: it began then"),
        sa.Column("at_us", sa.BigInteger(), nullable=False, comment=AT, autoincrement=False),
        sa.PrimaryKeyConstraint("channel", "event_id", name="pk_channel_delivery"),
    )
    op.execute(f"INSERT INTO {TABLE} (channel, event_id, at_us) VALUES ('hook', '', 0)")  # noqa: S608 - a constant
    op.execute(f"INSERT INTO {TABLE} (channel, event_id, at_us) SELECT 'hook', event_id, at_us FROM hook_delivery")  # noqa: S608
    op.drop_table("hook_delivery")
    if op.get_context().dialect.name == "sqlite":
        _guard_sqlite()
    else:
        _guard_postgresql()


def _guard_sqlite() -> None:
    for change in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER {TABLE}_{change.lower()} BEFORE {change} ON {TABLE} "
            f"BEGIN SELECT RAISE(ABORT, 'rows of {TABLE} are never changed or deleted'); END"
        )


def _guard_postgresql() -> None:
    for change, each in (("UPDATE", "ROW"), ("DELETE", "ROW"), ("TRUNCATE", "STATEMENT")):
        op.execute(
            f"CREATE TRIGGER {TABLE}_{change.lower()} BEFORE {change} ON {TABLE} FOR EACH {each} "
            "EXECUTE FUNCTION refuse_change()"
        )
