"""A store that hangs: the watch goes on without it, nothing is lost, and it ends when it is told to."""

import signal
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager

import psycopg
import pytest

from tests.e2e import hub_listener
from tests.e2e.test_store_trouble import locked
from tests.parts.daemon import BASE, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber
from tests.parts.postgres import Postgres
from tests.parts.waiting import wait_until

RESTLESS = Vat(run="quiet-night", alarms=hub_listener.RESTLESS)
END_S = 10.0


@contextmanager
def frozen(postgres: Postgres) -> Iterator[None]:
    postgres.freeze()
    try:
        yield
    finally:
        postgres.thaw()


def on_postgresql(here: Night, url: str) -> None:
    here.config_file.write_text(here.config_file.read_text().replace('path = "night.db"', f'url = "{url}"'))


def stored(url: str) -> list[int]:
    with psycopg.connect(url) as server:
        return [row[0] for row in server.execute("SELECT seq FROM measurement ORDER BY seq").fetchall()]


def beats(hub: Subscriber) -> int:
    return sum(message.topic == f"{BASE}/heartbeat" for message in hub.received)


def annunciated(hub: Subscriber, *, after: int = 0) -> int:
    return sum(event["cause"] == "annunciated" for event in hub_listener.events(hub)[after:])


@pytest.mark.slow
def test_a_server_that_hangs_holds_up_neither_alarms_nor_the_end(
    night: MakeNight, mosquitto: MakeMosquitto, postgres: Postgres, postgres_url: str
) -> None:
    broker = mosquitto()
    here = night(RESTLESS, speed=100, poll_s=10, starts_h=2.0, broker=broker.port, calibrated=False)
    on_postgresql(here, postgres_url)
    here.calibrate()
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",)) as hub:
        here.start()
        wait_until(lambda: annunciated(hub) > 1, 60)
        with frozen(postgres):
            heard, beaten = len(hub_listener.events(hub)), beats(hub)
            time.sleep(12.0)  # longer than the limit of a statement
            assert beats(hub) - beaten >= 9
            assert annunciated(hub, after=heard) >= 5
        before = len(stored(postgres_url))
        wait_until(lambda: len(stored(postgres_url)) > before + 50, 60)
        seqs = stored(postgres_url)
        assert seqs == list(range(1, len(seqs) + 1))
        check_that_no_event_is_there_twice(postgres_url, hub)
        with frozen(postgres):
            time.sleep(2.0)
            began = time.monotonic()
            assert here.stop() == 1  # it says that its last cycles were not stored
            assert time.monotonic() - began < END_S
    assert "were not stored" in here.log


def check_that_no_event_is_there_twice(url: str, hub: Subscriber) -> None:
    """Compare the journal with the events that were heard: an alarm's occurrences are there once and in order."""
    with psycopg.connect(url) as server:
        rows = server.execute(
            "SELECT occurrence FROM journal WHERE annunciates AND vat = 'marrow' ORDER BY id"
        ).fetchall()
    numbers = [row[0] for row in rows]
    assert numbers == list(range(1, len(numbers) + 1))
    heard = [e["occurrence"] for e in hub_listener.events(hub) if e["cause"] == "annunciated" and e["vat"] == "marrow"]
    assert heard == list(range(1, len(heard) + 1))


@pytest.mark.slow
def test_a_locked_store_makes_no_alarm_late(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    here = night(RESTLESS, speed=100, poll_s=10, starts_h=2.0, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",)) as hub:
        here.start()
        wait_until(lambda: annunciated(hub) > 1, 60)
        with locked(here):
            time.sleep(2.0)
            heard, beaten = len(hub.received), beats(hub)
            time.sleep(5.0)
            assert beats(hub) - beaten >= 4
            assert len(hub.received) - heard >= 30  # ten records a second, each with its measurement


@pytest.mark.slow
def test_a_backup_that_is_being_made_does_not_hold_up_the_end(night: MakeNight) -> None:
    here = night(RESTLESS, speed=100, poll_s=10, starts_h=2.0)
    here.start_and_watch()
    assert here.stop() == 0
    with closing(sqlite3.connect(here.folder / "night.db")) as database, database:
        database.execute("CREATE TABLE ballast (x BLOB)")
        database.executemany("INSERT INTO ballast VALUES (zeroblob(?))", [(1_000_000,)] * 600)
    text = here.config_file.read_text().replace("[store]", '[store]\nbackup_dir = "copies"')
    here.config_file.write_text(text)
    here.start_and_watch()
    here.until(lambda: any(here.folder.glob("copies/*.part")), "a backup to begin")
    began = time.monotonic()
    assert here.stop() == 0
    assert time.monotonic() - began < END_S
    assert not any(here.folder.glob("copies/*.sqlite"))


@pytest.mark.slow
def test_a_hangup_ends_nothing_and_is_answered(night: MakeNight) -> None:
    here = night(RESTLESS, speed=100, poll_s=10, starts_h=2.0)
    here.start_and_watch()
    assert here.process is not None
    here.process.send_signal(signal.SIGHUP)
    here.until(lambda: "SIGHUP: the watch goes on" in here.log, "an answer")
    here.watch(records=5)
    assert here.stop() == 0


@pytest.mark.slow
def test_a_second_daemon_is_refused_also_after_the_server_lost_the_lock(
    night: MakeNight, postgres: Postgres, postgres_url: str
) -> None:
    here, other = (night(RESTLESS, speed=100, poll_s=10, starts_h=2.0, calibrated=False) for _ in range(2))
    for each in (here, other):
        on_postgresql(each, postgres_url)
    here.start()
    wait_until(lambda: len(read_if_there(postgres_url)) > 3, 60)
    postgres.stop()
    postgres.start()
    before = len(stored(postgres_url))
    wait_until(lambda: len(stored(postgres_url)) > before + 3, 60)
    with psycopg.connect(postgres_url) as server:
        server.execute("SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory'")
    before = len(stored(postgres_url))
    wait_until(lambda: len(stored(postgres_url)) > before + 3, 60)
    other.start()
    assert other.process is not None
    assert other.process.wait(60) == 1
    assert "another" in other.log.lower()
    assert "Traceback" not in other.log
    seqs = stored(postgres_url)
    assert seqs == list(range(1, len(seqs) + 1))
    assert here.stop() == 0


def read_if_there(url: str) -> list[int]:
    try:
        return stored(url)
    except psycopg.errors.UndefinedTable:
        return []
