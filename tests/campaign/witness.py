"""A witness that knows nothing of the program: paho hears, sqlite3 or psycopg reads, and both accounts are compared.

Law: what was seen committed must be there unchanged at the end; what was heard must be stored under the same number;
what is stored must have been heard; where the alarm path was said to be open, no silence lasts longer than `HUNG_S`.
"""

import json
import sqlite3
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Self

import psycopg
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

HUNG_S = 5.0
RECORDS = "SELECT seq, probe, at_us, elapsed_us, potential_mv, temperature_c, reason FROM measurement ORDER BY seq"
JOURNAL = "SELECT id, at_us, vat, alarm, cause, occurrence, text FROM journal ORDER BY id"
OUTBOX = "SELECT event_id, payload FROM outbox ORDER BY id"
Rows = list[tuple[Any, ...]]
Select = Callable[[str], Rows]


def in_file(path: Path) -> Select:
    """Return what asks a store in a file."""

    def select(statement: str) -> Rows:
        with closing(sqlite3.connect(f"file:{path}?mode=rw", uri=True, timeout=30)) as store:
            store.execute("PRAGMA query_only=ON")
            return store.execute(statement).fetchall()

    return select


def in_server(url: str) -> Select:
    """Return what asks a store in a server."""

    def select(statement: str) -> Rows:
        with psycopg.connect(url, connect_timeout=5) as server:
            return server.execute(statement.encode()).fetchall()

    return select


@dataclass(slots=True)
class Count:
    """What went wrong, by kind; `why` says it in words."""

    lost: int = 0
    doubled: int = 0
    unheard: int = 0
    hung: int = 0
    why: list[str] = field(default_factory=list)

    def add(self, kind: str, number: int, why: object) -> None:
        """Count what is wrong."""
        if number:
            setattr(self, kind, getattr(self, kind) + number)
            self.why.append(f"{kind} {number}: {str(why)[:600]}")


@dataclass(slots=True)
class Witness:
    """Hears everything below a base topic, and looks into the store now and then. Use as a context manager."""

    port: int
    base: str
    heard: list[tuple[float, str, bytes]] = field(default_factory=list)
    """Steady time (s), topic, payload of each message that was not retained."""
    open_s: list[tuple[float, float]] = field(default_factory=list)
    """Stretches of steady time (s) in which the alarm path was open."""
    committed: dict[str, Rows] = field(default_factory=dict)
    gone: Rows = field(default_factory=list)
    """Rows that a look had seen and a later one did not find."""
    _events: dict[str, dict[str, Any]] = field(default_factory=dict)
    _paho: Client = field(init=False)
    _back: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Self:
        """Connect, and stay connected whatever becomes of the broker."""
        self._paho = Client(CallbackAPIVersion.VERSION2, client_id="witness", protocol=MQTTProtocolVersion.MQTTv5)
        self._paho.on_connect = lambda *_: self._listen()
        self._paho.on_disconnect = lambda *_: self._back.clear()
        self._paho.on_subscribe = lambda *_: self._back.set()
        self._paho.on_message = self._hear
        self._paho.reconnect_delay_set(1, 1)
        kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call] # paho leaves it without types
        kept.SessionExpiryInterval = 3600
        self._paho.connect("127.0.0.1", self.port, clean_start=False, properties=kept)
        self._paho.loop_start()
        self.wait_until_back()
        return self

    def __exit__(self, *_: object) -> None:
        """Disconnect."""
        self._paho.disconnect()
        self._paho.loop_stop()

    def _listen(self) -> None:
        self._paho.subscribe(f"{self.base}/#", qos=1)

    def wait_until_back(self) -> None:
        """Wait until it hears again."""
        assert self._back.wait(20)

    def say(self, topic: str, payload: str | bytes, *, qos: int = 1) -> None:
        """Publish something below the base topic."""
        self._paho.publish(f"{self.base}/{topic}", payload, qos=qos).wait_for_publish(10)

    def _hear(self, _paho: Client, _data: object, message: MQTTMessage) -> None:
        if message.retain:
            return
        if message.topic.endswith("/event"):
            event = json.loads(message.payload)
            self._events[event["event_id"]] = event
        self.heard.append((time.monotonic(), message.topic, bytes(message.payload)))

    @contextmanager
    def alarm_path_open(self) -> Iterator[None]:
        """Mark a stretch in which nothing excuses a silence."""
        began_s = time.monotonic()
        yield
        self.open_s.append((began_s, time.monotonic()))

    @contextmanager
    def excused(self) -> Iterator[None]:
        """Mark a stretch in which a silence is the fault itself."""
        yield

    @property
    def events(self) -> list[dict[str, Any]]:
        """Return the events heard, repeats of one id dropped."""
        return list(self._events.copy().values())

    @property
    def occurrences(self) -> list[int]:
        """Return the occurrences of the vat's alarm that were annunciated, in order of hearing."""
        return [e["occurrence"] for e in self.events if e["cause"] == "annunciated" and e["vat"]]

    def look(self, select: Select) -> None:
        """Remember all that is committed now, and what of it was there before and is gone or changed."""
        now = {statement: select(statement) for statement in (RECORDS, JOURNAL)}
        for statement, rows in self.committed.items():
            there = set(now[statement])
            self.gone += [row for row in rows if row not in there]
        self.committed = now

    def verdict(self, select: Select) -> Count:
        """Compare all accounts."""
        count = Count()
        self.look(select)
        count.add("lost", len(self.gone), self.gone)
        self.gone.clear()
        numbers = [row[0] for row in self.committed[RECORDS]]
        gaps = set(range(numbers[0], numbers[-1] + 1)) - set(numbers) if numbers else set()
        count.add("lost", len(gaps), sorted(gaps))
        count.add("doubled", len(numbers) - len(set(numbers)), "numbers of records")
        _compare_annunciations(count, self.events, select(OUTBOX))
        silences = self.silences()
        count.add("hung", len(silences), silences)
        return count

    def silences(self) -> list[float]:
        """Return the silences (s) that nothing excuses; they are told once."""
        found = list(self._silences())
        self.open_s.clear()
        return found

    def _silences(self) -> Iterator[float]:
        for began_s, ended_s in self.open_s:
            times = [began_s, *(at for at, _, _ in self.heard if began_s <= at <= ended_s), ended_s]
            yield from (b - a for a, b in pairwise(times) if b - a > HUNG_S)


def _compare_annunciations(count: Count, heard: list[dict[str, Any]], outbox: Rows) -> None:
    stored = {name: json.loads(payload) for name, payload in outbox}
    mine = {e["event_id"]: e for e in heard if e["cause"] == "annunciated"}
    ours = {name: event for name, event in stored.items() if event["cause"] == "annunciated"}
    count.add("doubled", len(missing := sorted(mine.keys() - ours.keys())), f"heard, not stored: {missing}")
    count.add("unheard", len(missing := sorted(ours.keys() - mine.keys())), f"stored, not heard: {missing}")
    names: dict[tuple[str, str, int], set[str]] = defaultdict(set)
    for event in {**ours, **mine}.values():
        names[(event["vat"], event["alarm"], event["occurrence"])].add(event["event_id"])
    twice = {key: found for key, found in names.items() if len(found) > 1}
    count.add("doubled", len(twice), twice)
