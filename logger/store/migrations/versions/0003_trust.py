"""Add to what a watch remembers the trust in its probe.

Law: a migration is history, so it is never edited and takes nothing from `tables.py` or the model. An upgrade makes no
probe believed: where the watch said last that it hangs in air or that its signal is unstable, trust is lost since the
newest record, and as no level before it is known, only a spot check, a second probe or the start of a batch earns it
back. Else trust is as at a first start: the course is learnt anew.
"""

import json
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

Json = dict[str, Any]

TRUST: Json = {
    "fresh_us": 0,
    "windows": [],
    "anew_us": None,
    "still": 0,
    "swings_c": [],
    "hour": 0,
    "swing_c": 0.0,
    "digit_mv": 0.0,
    "is_coarse": False,
    "digit_c": 0.0,
    "potential": {"usual": [], "newest": []},
    "temperature": {"usual": [], "newest": []},
    "odd": 0,
    "scattered": False,
    "expected": None,
    "doubt": None,
    "loss": None,
    "losses_us": [],
    "unbroken_us": 0,
    "unbroken_at_us": 0,
    "earned_by": None,
}
"""Version 1 of the part, at a first start."""
LOSS: Json = {
    "cause": "jump",
    "before": None,
    "now": None,
    "jump_ph": 0.0,
    "has_stepped_back": False,
    "quiet_mv": None,
    "windows_back": 0,
    "windows_agreeing": 0,
}
"""Without its times."""
OUT_OF_LIQUID, ERRATIC = 256, 512
"""Leading tests of a belief."""

PART = sa.table("watch_part", *(sa.column(name) for name in ("vat", "part", "probe", "version", "content")))


def upgrade() -> None:
    """Give every watch the part `trust`."""
    connection = op.get_bind()
    kept: dict[tuple[str, str], dict[str, Json]] = {}
    for vat, part, probe, _, content in connection.execute(sa.select(PART)).all():
        kept.setdefault((vat, probe), {})[part] = json.loads(content)
    for (vat, probe), parts in kept.items():
        trust = _lost(*_newest(connection, vat, probe)) if _was_not_believed(parts) else TRUST
        row = {"vat": vat, "part": "trust", "probe": probe, "version": 1, "content": json.dumps(trust)}
        connection.execute(sa.insert(PART), row)


def _was_not_believed(parts: dict[str, Json]) -> bool:
    """Tell whether the watch said last that the probe hangs in air or that its signal is unstable."""
    immersion = parts.get("windows", {}).get("immersion") or {}
    belief = parts.get("electrode", {}).get("belief") or {}
    is_suspected = bool(immersion.get("out") or immersion.get("erratic"))
    return is_suspected or belief.get("test") in (OUT_OF_LIQUID, ERRATIC)


def _newest(connection: sa.Connection, vat: str, probe: str) -> tuple[int, int]:
    """Return the watch time and the UTC of the newest record of a watch."""
    columns: list[sa.ColumnClause[Any]] = [sa.column("elapsed_us"), sa.column("at_us")]
    of_watch = (sa.column("vat") == vat) & (sa.column("probe") == probe)
    statement = sa.select(*columns).select_from(sa.table("measurement")).where(of_watch)
    found = connection.execute(statement.order_by(sa.column("seq").desc()).limit(1)).one_or_none()
    return (0, 0) if found is None else (found[0], found[1])


def _lost(elapsed_us: int, at_us: int) -> Json:
    """Return a trust that is lost since a record; no check before it counts."""
    loss = {**LOSS, "since_us": elapsed_us, "since_at_us": at_us}
    return {**TRUST, "loss": loss, "losses_us": [elapsed_us], "unbroken_us": elapsed_us, "unbroken_at_us": at_us}
