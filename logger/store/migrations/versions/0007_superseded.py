"""Keep of a reminder that was not delivered which newer one superseded it.

Law: a migration is history, so it is never edited and takes nothing from `tables.py` or the model. A row is completed
once: `delivered_at_us` and what is noted beside it are set together, and the guard of 0001 lets nobody change them.
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Add the column; what was completed before was delivered."""
    comment = "event_id of the newer reminder that was sent in its place; NULL: it was, or will be, sent itself"
    op.add_column("outbox", sa.Column("superseded_by", sa.Text(), nullable=True, comment=comment))
