"""The store locked by somebody else, or its disk full, while alarms happen: they go out; later nothing is missing."""

import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

import pytest

from tests.e2e import hub_listener
from tests.e2e.vat_history import check_that_a_replay_tells_the_same
from tests.parts.daemon import BASE, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber

HOLDER = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=30)
connection.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.read()
"""
Trouble = Callable[[Night], AbstractContextManager[None]]
AT_ONCE = """\
[system.alarm.store-unwritable]
on_delay_s = 0
"""
CALM = Vat(run="quiet-night", alarms=hub_listener.RESTLESS.replace("window_s = 0", "window_s = 60") + AT_ONCE)


@contextmanager
def locked(here: Night) -> Iterator[None]:
    command = [sys.executable, "-c", HOLDER, str(here.folder / "night.db")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        yield
        holder.communicate()


@contextmanager
def full(here: Night) -> Iterator[None]:
    """Let no file of the daemon grow: as on a full disk, only that the error has another number (setrlimit(2))."""
    assert here.process is not None
    pid, unlimited = here.process.pid, resource.prlimit(here.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (1024, unlimited[1]))
    yield
    resource.prlimit(pid, resource.RLIMIT_FSIZE, unlimited)


def causes(hub: Subscriber, *, after: int = 0) -> list[str]:
    return [event["cause"] for event in hub_listener.events(hub)[after:] if event["vat"]]


def unwritable(hub: Subscriber) -> list[str]:
    """Return what the alarm on the store told."""
    return [event["cause"] for event in hub_listener.events(hub) if event["alarm"] == "store-unwritable"]


def check_a_night_with_trouble(here: Night, hub: Subscriber, trouble: Trouble) -> None:
    here.start_and_watch(records=5)
    here.until(lambda: "annunciated" in causes(hub), "a first alarm")
    with trouble(here):
        here.until(lambda: unwritable(hub) == ["annunciated"], "word that the store takes nothing")
        assert hub_listener.own(hub.port)["store-unwritable"]["state"] == "unacknowledged"
        heard, stored = len(hub_listener.events(hub)), here.count("measurement")
        here.until(lambda: causes(hub, after=heard).count("annunciated") >= 1, "an alarm while the store takes nothing")
        assert here.count("measurement") == stored
    here.until(lambda: unwritable(hub)[:2] == ["annunciated", "returned"], "word that the store takes everything again")
    here.watch()
    assert hub_listener.own(hub.port)["store-unwritable"]["state"] == "returned-unacknowledged"
    assert here.stop() == 0
    here.until(lambda: set(hub_listener.sent(here)) <= set(hub_listener.ids(hub)), "every event")
    assert hub_listener.ids(hub) == hub_listener.sent(here)
    seqs = [row[0] for row in here.rows("SELECT seq FROM measurement ORDER BY seq")]
    assert seqs == list(range(1, len(seqs) + 1))
    told = here.rows("SELECT cause FROM journal WHERE alarm = 'store-unwritable' ORDER BY id")
    assert told == [("annunciated",), ("returned",)] * (len(told) // 2)
    assert here.rows("SELECT count(*) FROM journal WHERE cause = 'records-lost'") == [(0,)]
    check_that_a_replay_tells_the_same(here, CALM)


@pytest.mark.slow
def test_a_locked_store_holds_up_neither_alarms_nor_records(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    here = night(CALM, speed=400, poll_s=10, starts_h=2.0, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",)) as hub:
        check_a_night_with_trouble(here, hub, locked)


@pytest.mark.slow
def test_a_full_disk_holds_up_neither_alarms_nor_records(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    here = night(CALM, speed=400, poll_s=10, starts_h=2.0, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",)) as hub:
        check_a_night_with_trouble(here, hub, full)
