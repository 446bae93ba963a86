"""Divide what a watch remembers into parts, each a row with a version of its own.

Law: a migration is history, so it is never edited and takes nothing from `tables.py` or the model. What revision 0001
kept in one JSON is moved key by key. A key that a version before did not write yet gets the value by which that version
read it; a key that is not known here is refused, so nothing is lost. A number stood for the leading test of the newest
record by its place in a list, which was changed once: the test is taken from the record itself. Should that record be
another than the one remembered (the store took none for very long), the belief begins anew with the next record.
"""

import json
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import sqlalchemy as sa
from alembic import op

from logger.errors import StoreError

revision = "0002"
down_revision = "0001"

Json = dict[str, Any]
Maybe = Json | None

DRIFT: Json = {"unexpected": None}
POINT: Json = {"u_ph": 0.02 / 3**0.5, "noise_mv": 0.0, "settle_s": None, "buffer": "", "lot": ""}
CALIBRATION: Json = {
    "by": "",
    "residual_mv": 0.0,
    "method": "line",
    "segments": [],
    "verdict": "accepted",
    "findings": [],
    "electrode": "",
    "drift_ph_per_day": None,
}
FACTS: Json = {
    "suspect": False,
    "ph": None,
    "u": None,
    "ph_at_us": None,
    "deadline_at_us": None,
    "temperature_c": None,
    "rate_ph_per_h": None,
    "u_rate_ph_per_h": None,
    "rate_over_h": None,
}
ALARM: Json = {
    "kind": "",
    "abnormal": False,
    "pending_us": None,
    "seen_us": None,
    "base": "normal",
    "occurrence": 0,
    "since_at_us": 0,
    "reminders": 0,
    "timer_us": None,
    "shelved_until_us": None,
    "suppressed_until_us": None,
    "out_of_service": False,
    "value": None,
    "u": None,
    "abnormal_at_us": 0,
    "held": False,
    "told": None,
    "raised": False,
}
TREND: Json = {
    "medians": [],
    "lowest": None,
    "armed": False,
    "before": None,
    "top": None,
    "hours": 0.0,
    "counted_us": None,
    "temperature_c": None,
}
IMMERSION: Json = {
    "fresh_us": 0,
    "window": 0,
    "middle_c": None,
    "middle_mv": None,
    "noise_mv": None,
    "still": 0,
    "out": False,
    "erratic": False,
}
PROGRESS: Json = {
    "started_us": None,
    "fresh_us": 0,
    "reads": 0,
    "shows": 0,
    "newest": None,
    "reading_at_us": None,
    "claim": None,
    "withdrawn": None,
    "check": None,
    "spot": None,
}
REHEARSAL: Json = {"until_us": None, "began_us": 0, "accepted": False, "failed": ""}
DAY: Json = {
    "records": 0,
    "believed": 0,
    "lowest": None,
    "highest": None,
    "annunciated": {},
    "held": {},
    "returned": {},
    "arrived_us": None,
    "gaps": 0,
    "gap_us": 0,
    "marks": {},
}
DEFAULTS: Json = {
    "alarms": {},
    "calibration": None,
    "drift": None,
    "check": None,
    "spot": None,
    "found_ph": None,
    "stance": None,
    "attended_until_us": None,
    "out_until_us": None,
    "not_back_us": None,
    "unsettled_us": None,
    "started_us": None,
    "started_at_us": None,
    "believed_at_us": None,
    "believed_us": None,
    "believed_ph": None,
    "believed_u": None,
    "course": [],
    "day": None,
    "digest_at_us": None,
    "fresh_us": 0,
    "trends": {},
    "witness": {},
    "progress": {},
    "recent": 0,
    "rehearsal": {},
}
"""By which value revision 0001 read a key that was not there."""
PARTS = {
    "batch": ("started_us", "started_at_us", "progress"),
    "electrode": ("calibration", "drift", "check", "spot", "found_ph", "stance"),
    "suppression": ("attended_until_us", "out_until_us", "not_back_us", "unsettled_us"),
    "reported": ("believed_at_us", "believed_us", "believed_ph", "believed_u", "day", "digest_at_us", "rehearsal"),
    "windows": ("course", "fresh_us", "trends", "witness", "recent"),
}
"""By part: the keys of revision 0001 that go into it."""
RENAMED = {"stance": "belief", "witness": "immersion"}

LEADING = (1024, 16384, 64, 256, 512, 32, 1, 8, 2, 4)
"""Bits of the tests of a record, the one first that explains the others."""
AWAY = 1024 | 16384


def upgrade() -> None:
    """Move every row of `watch` into rows of `watch_part`; drop `watch`."""
    connection = op.get_bind()
    part = _make_watch_part()
    watch = sa.table("watch", sa.column("vat"), sa.column("probe"), sa.column("carry"))
    for vat, probe, text in connection.execute(sa.select(watch)).all():
        contents = _parts(vat, json.loads(text), _newest_record(connection, vat, probe))
        common = {"vat": vat, "probe": probe, "version": 1}
        rows = [{**common, "part": name, "content": json.dumps(content)} for name, content in contents.items()]
        connection.execute(sa.insert(part), rows)
    op.drop_table("watch")
    if connection.dialect.name == "postgresql":  # SQLite keeps no comments
        op.execute("COMMENT ON COLUMN calibration.accepted IS 'false: not put in force when it was made'")


def _make_watch_part() -> sa.Table:
    return op.create_table(
        "watch_part",
        sa.Column("vat", sa.Text, nullable=False),
        sa.Column("part", sa.Text, nullable=False, comment="name of the part, as in store/parts.py"),
        sa.Column("probe", sa.Text, nullable=False),
        sa.Column("version", sa.Integer, nullable=False, comment="of the fields in content, counted for each part"),
        sa.Column(
            "content", sa.Text, nullable=False, comment="JSON: a part of what the watch remembers beside its log"
        ),
        sa.PrimaryKeyConstraint("vat", "part", name="pk_watch_part"),
    )


def _newest_record(connection: sa.Connection, vat: str, probe: str) -> Maybe:
    """Return what the newest record of a watch says of its belief."""
    columns: list[sa.ColumnClause[Any]] = [sa.column(name) for name in ("belief", "tests", "reason", "since_at_us")]
    of_watch = (sa.column("vat") == vat) & (sa.column("probe") == probe)
    statement = sa.select(*columns).select_from(sa.table("measurement")).where(of_watch)
    found = connection.execute(statement.order_by(sa.column("seq").desc()).limit(1)).mappings().one_or_none()
    return None if found is None else dict(found)


def _parts(vat: str, carry: Json, newest: Maybe) -> dict[str, Json]:
    """Return the content of each part in version 1. Raises StoreError for a key that has no place in any."""
    known = {"probe", "alarms"}.union(*PARTS.values())
    if strange := sorted(carry.keys() - known):
        raise StoreError(
            f"The store cannot be migrated: what the watch over `{vat}` remembers has a field `{strange[0]}` that is"
            " not known here and would be lost: use the vatvigil that wrote it; nothing was changed"
        )
    whole = {**deepcopy(DEFAULTS), **carry}
    filled = {
        **whole,
        "stance": _belief(whole["stance"], newest),
        "calibration": _filled(whole["calibration"], CALIBRATION, points=lambda of: [{**POINT, **one} for one in of]),
        "drift": _filled(whole["drift"], DRIFT),
        "day": _filled(whole["day"], DAY),
        "rehearsal": _filled(whole["rehearsal"], REHEARSAL),
        "witness": _filled(whole["witness"], IMMERSION),
        "progress": _filled(whole["progress"], PROGRESS, claim=_claim, withdrawn=_withdrawn),
        "trends": {name: _filled(trend, TREND) for name, trend in whole["trends"].items()},
    }
    parts = {name: {RENAMED.get(key, key): filled[key] for key in keys} for name, keys in PARTS.items()}
    alarms = {name: _filled(alarm, ALARM, told=_told) for name, alarm in whole["alarms"].items()}
    return {**parts, "alarms": alarms}


def _filled(stored: Maybe, defaults: Json, **inner: Callable[[Any], object]) -> Maybe:
    """Return a JSON object with what it lacks; `inner` does the same for what stands under a key."""
    if stored is None:
        return None
    whole = {**deepcopy(defaults), **stored}
    return {**whole, **{key: fill(whole[key]) for key, fill in inner.items()}}


def _told(told: Maybe) -> Maybe:
    return _filled(told, {"facts": None, "digest": None}, facts=lambda facts: _filled(facts, FACTS))


def _claim(claim: Maybe) -> Maybe:
    return _filled(claim, {}, drift=lambda drift: _filled(drift, DRIFT))


def _withdrawn(withdrawn: Maybe) -> Maybe:
    return _filled(withdrawn, {}, claim=_claim)


def _belief(stance: Maybe, newest: Maybe) -> Maybe:
    """Return the belief in the newest record with its leading test or reason, None if the two do not agree."""
    if stance is None or newest is None or stance["since_at_us"] != newest["since_at_us"]:
        return None
    belief, tests, reason = newest["belief"], newest["tests"], newest["reason"]
    if belief != stance["code"] // 1000:
        return None
    absent = belief != 0 and reason != 0 and not tests & AWAY
    test = 0 if absent or belief == 0 else next((bit for bit in LEADING if bit & tests), 0)
    return {"belief": belief, "test": test, "reason": reason if absent else 0, "since_at_us": stance["since_at_us"]}
