"""A store that an older version wrote is opened by this one with everything in it, and the watch goes on from there.

`stores/revision-0001.sql.gz` is the SQL dump of a store as the code of revision 0001 left it after 56 simulated hours.
"""

import gzip
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any

import msgspec
import psycopg
import pytest
from sqlalchemy import MetaData, func, insert, select

from logger import settings
from logger.config import Config
from logger.daemon import restore
from logger.daemon.commit import Commit
from logger.daemon.cycle import Acquisition
from logger.errors import StoreError
from logger.model import (
    Belief,
    BeliefSince,
    Carry,
    Cause,
    CommandKind,
    Indication,
    Loss,
    QualityTests,
    Reason,
    State,
    TrustCause,
    TrustLevel,
    TrustState,
)
from logger.mqtt.event import event_of
from logger.store import Store, batches, history, queries, schema
from logger.store.engine import Access, make_engine, parse, sqlite_path

DUMP = Path(__file__).parent / "stores" / "revision-0001.sql.gz"
VERSIONS = schema.MIGRATIONS / "versions"
PUBLISHED = {
    "0001_first_tables.py": "f71a1350829180164388ce04b6aa8547a4643bdbea9059c040476c43d6693b72",
    "0002_watch_parts.py": "184921b562db05f894909bbbd6ab806f3e3c4414b4f435fce1ed0722074a6edf",
}
CONFIGURATION = """
[store]
path = "store.sqlite"
[probe.probe]
port = "/dev/null"
poll_s = 200
[probe.probe.limits]
max_gap_s = 600
[vat.vat]
name = "Vat"
probe = "probe"
profile = "lactic-vegetables"
[vat.vat.target]
ph = 4.6
[vat.vat.alarm.cool]
setpoint = 12
[vat.vat.alarm.warm]
setpoint = 15
[vat.vat.alarm.temperature-high]
setpoint = 16
[vat.vat.alarm.ph-high]
setpoint = 3.9
[mqtt]
host = "localhost"
[people]
zone = "Europe/Lisbon"
[digest]
at = "07:00"
"""
LAST, LAST_AT_US, LAST_US, POLL_US = 1008, 1_795_744_600_000_000, 201_400_000_000, 200_000_000
"""The newest record of the old store, and the time between two."""
ALARMS = {"warm": State.ACKNOWLEDGED, "temperature-high": State.SHELVED, "ph-high": State.UNACKNOWLEDGED}


@pytest.fixture
def old(tmp_path: Path) -> sqlite3.Connection:
    """The old store, to be changed before it is opened."""
    connection = sqlite3.connect(tmp_path / "store.sqlite", isolation_level=None)
    connection.executescript(gzip.decompress(DUMP.read_bytes()).decode())
    return connection


@pytest.fixture
def remembered(old: sqlite3.Connection) -> dict[str, Any]:
    """What the old store remembers of the vat."""
    return dict(json.loads(old.execute("SELECT carry FROM watch WHERE vat = 'vat'").fetchone()[0]))


@pytest.fixture
def config(tmp_path: Path) -> Config:
    (tmp_path / "vatvigil.toml").write_text(CONFIGURATION)
    return settings.load(tmp_path / "vatvigil.toml", environ={})


@pytest.fixture
def store(old: sqlite3.Connection, store_url: str, remembered: dict[str, Any]) -> Iterator[Store]:
    """The old store as this version opens it, on either database."""
    assert remembered
    if store_url.startswith("postgresql"):
        copy(old, store_url)
    old.close()
    with Store.open(store_url, simulated=False, migrate=True) as opened:
        yield opened


def copy(old: sqlite3.Connection, url: str) -> None:
    """Make the old store anew in a PostgreSQL database."""
    engine = make_engine(parse(url), Access.CREATE, busy_s=1)
    schema.migrate(engine, "it", path=None, head="0001")
    metadata = MetaData()
    metadata.reflect(engine)
    old.row_factory = sqlite3.Row
    with engine.begin() as connection:
        for table in (table for table in metadata.sorted_tables if table.name != schema.VERSION_TABLE):
            rows = [dict(row) for row in old.execute(f"SELECT * FROM {table.name}")]  # noqa: S608 - our tables
            if rows:
                connection.execute(insert(table), rows)
            if rows and "id" in table.c:
                sequence = func.pg_get_serial_sequence(table.name, "id")
                connection.execute(select(func.setval(sequence, func.max(table.c.id))))
    engine.dispose()


def shown(carry: Carry) -> dict[str, State]:
    """Return the alarms that are not normal, each in its first occurrence."""
    standing = {name: alarm for name, alarm in carry.alarms.items() if alarm.shown is not State.NORMAL}
    assert {alarm.occurrence for alarm in standing.values()} == {1}
    return {name: alarm.shown for name, alarm in standing.items()}


def test_all_that_the_watch_remembered_is_there(store: Store, remembered: dict[str, Any], tmp_path: Path) -> None:
    carry = queries.watches(store)["vat"]
    moved: dict[str, Any] = {"probe": carry.probe, "alarms": msgspec.to_builtins(carry.alarms)}
    for part in (carry.batch, carry.electrode, carry.suppression, carry.reported, carry.windows):
        moved |= json.loads(msgspec.json.encode(part))
    del remembered["witness"]  # trust is learnt anew
    assert carry.trust == TrustState()
    assert {(state.pop("newest"), state.pop("newest_u")) for state in moved["alarms"].values()} == {(None, None)}
    was, now = remembered.pop("progress"), moved.pop("progress")
    assert {name: now[name] for name in ("started_us", "fresh_us", "reading_at_us")}.items() <= was.items()
    assert (now["claim"], now["spot"], now["newest"]) == (None, None, None)
    assert now["withdrawn"]["text"].startswith(f"pH {was['claim']['ph']:.2f} was claimed to be at or below 4.60 by an")
    assert remembered.pop("drift") is not None
    assert moved.pop("estimate") is None  # begun anew by the checks, at the next record
    assert moved.pop("thermometer")["good_c"] is None
    added = ("calibrated_us", "checked_us", "spotted_us", "unwatched_at_us", "record_at_us", "record_us", "guessed_us")
    assert [moved.pop(name) for name in added] == [None] * len(added)
    since_at_us = remembered.pop("stance")["since_at_us"]
    assert moved.pop("belief")["since_at_us"] == since_at_us
    assert (moved.pop("id"), moved.pop("ended_at_us")) == ("", None)
    assert [each.started_at_us for each in batches.records(store)] == [moved["started_at_us"]]
    assert json.loads(json.dumps(moved)) == remembered
    assert shown(carry) == ALARMS
    numbers = [
        made.id if made else None for made in (carry.electrode.calibration, carry.electrode.check, carry.electrode.spot)
    ]
    assert numbers == [1, 2, 3]
    assert carry.batch.started_us == 1_800_000_000
    own = queries.watches(store)["system"].alarms["broker-away"]
    assert (own.shown, own.occurrence) == (State.ACKNOWLEDGED, 2)
    assert [path.name for path in tmp_path.glob("*.backup")] == (["store.sqlite.0001.backup"] if store.path else [])


def test_all_that_waited_waits_still(store: Store) -> None:
    (command,) = queries.pending_commands(store)
    assert (command.kind, command.alarm, command.seq) == (CommandKind.ACKNOWLEDGE, "ph-high", 0)
    unsent = [event.id for event in queries.unsent_events(store, limit=99)]
    unhooked = [event.id for event in queries.untaken_events(store, "hook", undelivered=True)]
    assert (len(unsent), unhooked) == (4, unsent[1:])
    assert len(queries.retained_topics(store)) == 2
    (span,) = history.spans(store)
    assert (span.first, span.last, len(queries.entries(store, limit=999))) == (1, LAST, 213)


def test_the_next_records_go_on_from_it(store: Store, config: Config) -> None:
    before, unsent = queries.watches(store)["vat"], queries.unsent_events(store, limit=99)
    newest = queries.latest(store, "probe")
    watched = restore.watched(store, config, config.vats[0])
    with store.begin() as work:
        run = work.start_run(at_us=LAST_AT_US, elapsed_us=LAST_US, version="1", config_hash="")
        work.commit()
    acquisition = Acquisition(store, {"probe": watched})
    commit = Commit(store=store, run=run, event_of=partial(event_of, simulated=False))
    for tick in range(1, 4):
        read = Indication(
            probe="probe",
            at_us=LAST_AT_US + tick * POLL_US,
            elapsed_us=LAST_US + tick * POLL_US,
            potential_mv=float(newest.potential_mv[0]),
            temperature_c=float(newest.temperature_c[0]),
        )
        commit.add(acquisition.evaluate([read]), at_us=read.at_us)
    after = queries.watches(store)["vat"]
    assert after == watched.state.carry
    assert shown(after) == {**ALARMS, "ph-high": State.ACKNOWLEDGED, "claim-withdrawn": State.UNACKNOWLEDGED}
    assert after.batch.progress.withdrawn == before.batch.progress.withdrawn is not None
    known = after.electrode.estimate
    assert known is not None
    assert known.at_us == max(each.at_us for each in (after.electrode.check, after.electrode.spot) if each)
    told = queries.entries(store, limit=99, since_at_us=LAST_AT_US + 1)
    assert sorted((entry.cause, entry.alarm, entry.seq) for entry in told) == [
        (Cause.ACKNOWLEDGED, "ph-high", LAST + 1),
        (Cause.ANNUNCIATED, "claim-withdrawn", LAST + 1),
    ]
    assert queries.pending_commands(store) == []
    assert [event.id for event in queries.unsent_events(store, limit=99)][:4] == [event.id for event in unsent]
    assert len(queries.unsent_events(store, limit=99)) == 6
    records = queries.latest(store, "probe", count=4)
    assert records.seq.tolist() == [LAST, LAST + 1, LAST + 2, LAST + 3]
    assert set(records.since_at_us.tolist()) == set(newest.since_at_us.tolist())


def changed(old: sqlite3.Connection, carry: dict[str, Any]) -> None:
    """Let the old store remember this of the vat."""
    old.execute("UPDATE watch SET carry = ? WHERE vat = 'vat'", (json.dumps(carry),))


def doubt(old: sqlite3.Connection, *, belief: int, tests: int, reason: int) -> None:
    """Let the newest record of the old store be one that is not believed."""
    old.execute("DROP TRIGGER measurement_update")
    values = (belief, tests, reason, LAST_AT_US, LAST)
    old.execute("UPDATE measurement SET belief = ?, tests = ?, reason = ?, since_at_us = ? WHERE seq = ?", values)


@pytest.mark.parametrize(
    ("code", "record", "test", "reason"),
    [
        (2003, (2, QualityTests.OUT_OF_LIQUID, 0), QualityTests.OUT_OF_LIQUID, 0),  # the third of the older list
        (2004, (2, QualityTests.OUT_OF_LIQUID, 0), QualityTests.OUT_OF_LIQUID, 0),  # the fourth of the newer one
        (2002, (2, QualityTests.NOT_BACK | QualityTests.JUMP, 2), QualityTests.NOT_BACK, 0),
        (2102, (2, QualityTests.UNCALIBRATED, 2), QualityTests.NONE, 2),
    ],
)
def test_the_leading_test_is_found_whatever_list_its_place_was_in(
    old: sqlite3.Connection,
    remembered: dict[str, Any],
    sqlite_url: str,
    code: int,
    record: tuple[int, int, int],
    test: QualityTests,
    reason: int,
) -> None:
    doubt(old, belief=record[0], tests=record[1], reason=record[2])
    changed(old, {**remembered, "stance": {"code": code, "since_at_us": LAST_AT_US}})
    old.close()
    with Store.open(sqlite_url, simulated=False, migrate=True) as store:
        found = queries.watches(store)["vat"].electrode.belief
    expected = BeliefSince(belief=Belief.NOT_BELIEVED, test=test, reason=Reason(reason), since_at_us=LAST_AT_US)
    assert found == expected


def test_a_belief_of_another_record_than_the_newest_begins_anew(
    old: sqlite3.Connection, remembered: dict[str, Any], sqlite_url: str
) -> None:
    changed(old, {**remembered, "stance": {"code": 2003, "since_at_us": LAST_AT_US}})
    old.close()
    with Store.open(sqlite_url, simulated=False, migrate=True) as store:
        assert queries.watches(store)["vat"].electrode.belief is None


def test_what_an_older_version_did_not_write_yet_is_as_it_read_it(
    old: sqlite3.Connection, remembered: dict[str, Any], sqlite_url: str
) -> None:
    alarm = remembered["alarms"]["ph-high"]
    del alarm["raised"], alarm["told"]["digest"], alarm["told"]["facts"]["suspect"]
    del remembered["rehearsal"], remembered["progress"]["spot"], remembered["witness"]
    changed(old, {key: value for key, value in remembered.items() if key != "progress"})
    old.close()
    with Store.open(sqlite_url, simulated=False, migrate=True) as store:
        carry = queries.watches(store)["vat"]
    fresh = Carry(probe="probe")
    assert (carry.reported.rehearsal, carry.batch.progress) == (fresh.reported.rehearsal, fresh.batch.progress)
    assert (carry.trust, shown(carry)) == (TrustState(), ALARMS)


@pytest.mark.parametrize("what", ["out", "erratic"])
def test_an_upgrade_makes_no_probe_believed(
    old: sqlite3.Connection, remembered: dict[str, Any], store_url: str, what: str
) -> None:
    changed(old, {**remembered, "witness": {**remembered["witness"], what: True}})
    if store_url.startswith("postgresql"):
        copy(old, store_url)
    old.close()
    with Store.open(store_url, simulated=False, migrate=True) as store:
        trust = queries.watches(store)["vat"].trust
    assert trust.level is TrustLevel.LOST
    assert trust.loss == Loss(cause=TrustCause.JUMP, since_us=LAST_US, since_at_us=LAST_AT_US, before=None)
    assert (trust.losses_us, trust.unbroken_us, trust.unbroken_at_us) == ((LAST_US,), LAST_US, LAST_AT_US)


@pytest.mark.parametrize(
    ("test", "level"),
    [
        (QualityTests.OUT_OF_LIQUID, TrustLevel.LOST),
        (QualityTests.ERRATIC, TrustLevel.LOST),
        (QualityTests.FLAT_LINE, TrustLevel.EARNED),
    ],
)
def test_nor_one_that_was_not_believed_for_it(
    old: sqlite3.Connection, remembered: dict[str, Any], sqlite_url: str, test: QualityTests, level: TrustLevel
) -> None:
    doubt(old, belief=2, tests=test, reason=0)
    changed(old, {**remembered, "stance": {"code": 2004, "since_at_us": LAST_AT_US}})
    old.close()
    with Store.open(sqlite_url, simulated=False, migrate=True) as store:
        watches = queries.watches(store)
    assert (watches["vat"].trust.level, watches["system"].trust) == (level, TrustState())


@contextmanager
def claimed(store: Store, url: str) -> Iterator[None]:
    """Claim a store as that version did: on a server, in the session that reads."""
    if store.path is not None:
        store.claim()
        yield
        return
    with psycopg.connect(url) as session:
        session.execute("SELECT pg_try_advisory_lock(1986098295)")  # 0x76617477
        session.rollback()
        yield


def test_a_store_that_a_daemon_of_the_version_before_watches_with_is_not_migrated(
    old: sqlite3.Connection, store_url: str, tmp_path: Path
) -> None:
    if store_url.startswith("postgresql"):
        copy(old, store_url)
    old.close()
    engine = make_engine(parse(store_url), Access.READ, busy_s=1)
    with Store(engine, where="it", path=sqlite_path(parse(store_url))) as watched, claimed(watched, store_url):
        with pytest.raises(StoreError, match="Another `vatvigil run` watches with the store"):
            Store.open(store_url, simulated=False, migrate=True)
        with watched.reading() as connection:
            assert schema.revision(connection) == "0001"
    assert list(tmp_path.glob("*.backup")) == []
    with Store.open(store_url, simulated=False, migrate=True) as opened:
        assert set(queries.watches(opened)) == {"vat", "system"}


def test_what_has_no_place_in_the_new_store_is_not_dropped(
    old: sqlite3.Connection, remembered: dict[str, Any], sqlite_url: str, tmp_path: Path
) -> None:
    changed(old, {**remembered, "lid_open": True})
    with pytest.raises(StoreError, match=r"watch over `vat` remembers has a field `lid_open` .* would be lost"):
        Store.open(sqlite_url, simulated=False, migrate=True)
    with closing(old):
        assert old.execute("SELECT count(*) FROM watch").fetchone() == (2,)
    assert list(tmp_path.glob("*.backup")) == []


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("version = 3 WHERE part = 'windows'", r"`windows` .* \(version 3\) cannot be read: .*reads version 2"),
        ("part = 'weather' WHERE part = 'windows'", "`weather` .* is unknown here"),
        ("content = json_remove(content, '$.recent') WHERE part = 'windows'", "field recent is missing"),
        ("content = json_set(content, '$.depth', 1) WHERE part = 'windows'", "field depth is not known"),
        ("content = json_set(content, '$.warm.depth', 1) WHERE part = 'alarms'", "field warm.depth is not known"),
        ("content = json_set(content, '$.warm.base', 'odd') WHERE part = 'alarms'", "Invalid enum value 'odd'"),
        ("content = '[' WHERE part = 'batch'", "`batch` .* cannot be read"),
        ("probe = 'other' WHERE part = 'batch'", "is of another probe than the others"),
    ],
)
def test_a_part_that_is_not_of_this_version_is_refused(
    old: sqlite3.Connection, sqlite_url: str, change: str, says: str, tmp_path: Path
) -> None:
    old.close()
    Store.open(sqlite_url, simulated=False, migrate=True).close()
    with closing(sqlite3.connect(tmp_path / "store.sqlite", isolation_level=None)) as by_hand:
        by_hand.execute(f"UPDATE watch_part SET {change} AND vat = 'vat'")  # noqa: S608 - the words stand above
    with Store.open(sqlite_url, simulated=False) as store, pytest.raises(StoreError, match=says) as refusal:
        queries.watches(store)
    assert "written by a newer vatvigil or changed by hand: install that one, or put a backup" in str(refusal.value)


@pytest.mark.parametrize("name", PUBLISHED)
def test_a_migration_is_as_it_was_published(name: str) -> None:
    digest = sha256((VERSIONS / name).read_bytes()).hexdigest()
    assert digest == PUBLISHED[name], "a migration is history: write a new one instead"
