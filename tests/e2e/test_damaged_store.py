"""The store damaged under a running watch, by others: it goes on, says so, and gives no number twice."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.e2e import hub_listener
from tests.parts.daemon import BASE, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber
from tests.parts.waiting import wait_until

RESTLESS = Vat(run="quiet-night", alarms=hub_listener.RESTLESS)
Harm = Callable[[Path], None]


def log_deleted(path: Path) -> None:
    path.with_name(f"{path.name}-wal").unlink()


def log_cut_short(path: Path) -> None:
    os.truncate(path.with_name(f"{path.name}-wal"), 0)


def file_cut_short(path: Path) -> None:
    os.truncate(path, 8192)


def occurrences(hub: Subscriber) -> list[int]:
    heard = hub_listener.events(hub)
    return [e["occurrence"] for e in heard if e["cause"] == "annunciated" and e["vat"] == "marrow"]


def renewed(hub: Subscriber) -> list[str]:
    return [e["text"] for e in hub_listener.events(hub) if e["alarm"] == "store-renewed" and e["annunciates"]]


@pytest.mark.slow
@pytest.mark.parametrize("harm", [log_deleted, log_cut_short, file_cut_short])
def test_a_store_that_is_damaged_under_the_watch_does_not_end_it(
    night: MakeNight, mosquitto: MakeMosquitto, harm: Harm
) -> None:
    broker = mosquitto()
    here = night(RESTLESS, speed=100, poll_s=10, starts_h=2.0, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",)) as hub:
        here.start_and_watch(records=20)
        harm(here.folder / "night.db")
        wait_until(lambda: bool(renewed(hub)), 60)
        before = len(occurrences(hub))
        wait_until(lambda: len(occurrences(hub)) > before + 5, 60)
        assert occurrences(hub) == list(range(1, len(occurrences(hub)) + 1))
        assert here.stop() == 0
        check_store(here)


def check_store(here: Night) -> None:
    assert here.rows("PRAGMA integrity_check") == [("ok",)]
    seqs = [row[0] for row in here.rows("SELECT seq FROM measurement ORDER BY seq")]
    assert seqs == list(range(seqs[0], seqs[-1] + 1))
    assert here.rows("SELECT count(*) FROM journal WHERE alarm = 'store-renewed' AND annunciates") == [(1,)]
    here.start_and_watch(records=5)
    assert here.stop() == 0
