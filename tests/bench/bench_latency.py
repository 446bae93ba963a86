"""From the byte that crosses a setpoint to the subscriber, through the real daemon and a real broker."""

import json
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from tests.bench import bare_poller
from tests.bench.processes import (
    SETPOINT_PH,
    Swinging,
    configured,
    daemon,
    running,
    spread,
    wait_for_records,
)
from tests.parts.mosquitto import MakeMosquitto, Received, Subscriber
from tests.parts.waiting import wait_until
from tests.series import millivolts

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]
POLL_S = 0.5
CROSSINGS = 30
COMMITS = 200


class Stamped(Subscriber):
    """A subscriber that notes when each message came, `time.monotonic_ns`."""

    def __init__(self, port: int) -> None:
        super().__init__(port=port)
        self.at_ns: list[int] = []

    def _on_message(self, *told: object) -> None:
        self.at_ns.append(time.monotonic_ns())
        Subscriber._on_message(self, *told)  # type: ignore[arg-type]  # noqa: SLF001 - the same method, a base with slots

    def times_ns(self) -> list[int]:
        """Return when the crossings arrived."""
        return [at for at, message in zip(self.at_ns, list(self.received), strict=False) if is_crossing(message)]


def test_from_the_crossing_byte_to_the_subscriber(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with Stamped(broker.port) as heard:
        bare = bare_ms(tmp_path / "bare", broker.port, heard)
        ours = daemon_ms(tmp_path / "ours", broker.port, heard)
    commits = [commit_ms(tmp_path / "ours" / "store.sqlite", number) for number in range(COMMITS)]
    print(f"\ncrossing byte to subscriber, poll {POLL_S} s, eight alarms; median / 95th percentile in ms")
    for name, values in (("daemon", ours), ("bare", bare), ("a durable commit", commits)):
        middle, most = spread(values)
        print(f"{name:>17} {middle:7.2f} / {most:7.2f}   of {len(values)}")
    floor = 3 * spread(bare)[0] + spread(commits)[0]
    middle, most = (each / floor for each in spread(ours))
    print(f"over 3 x bare + a commit (medians): {middle:.2f} / {most:.2f}, aims 1.5 / 2")


def bare_ms(folder: Path, broker: int, heard: Stamped) -> list[float]:
    folder.mkdir()
    level_v = millivolts(SETPOINT_PH) / 1000.0
    with Swinging(folder / "port") as peer:
        told = [str(peer.link), str(POLL_S), str(level_v), str(broker)]
        with running([sys.executable, str(bare_poller.__file__), *told], folder):
            return crossings_ms(peer, heard)


def daemon_ms(folder: Path, broker: int, heard: Stamped) -> list[float]:
    with Swinging(folder.with_suffix(".port")) as peer:
        config = configured(folder, port=peer.link, broker=broker, poll_s=POLL_S)
        with daemon(config):
            wait_for_records(config)
            return crossings_ms(peer, heard)


def crossings_ms(peer: Swinging, heard: Stamped) -> list[float]:
    """Wait for crossings; return how long each took to arrive, in ms. One that the quality tests held is left out."""
    begin = len(heard.times_ns())
    wait_until(lambda: len(heard.times_ns()) >= begin + CROSSINGS, 4 * CROSSINGS * 2 * peer.HOLD * POLL_S)
    arrived, crossed = heard.times_ns()[begin:], list(peer.crossed_ns)
    return [(at - max(c for c in crossed if c < at)) / 1e6 for at in arrived if any(c < at for c in crossed)]


def is_crossing(message: Received) -> bool:
    if message.topic == bare_poller.TOPIC:
        return True
    return message.topic.endswith("/event") and json.loads(message.payload)["cause"] == "annunciated"


def commit_ms(store: Path, number: int) -> float:
    """Return how long one durable one-row commit takes by the bare driver in the daemon's own database."""
    with closing(sqlite3.connect(store, isolation_level=None)) as bare:
        bare.execute("PRAGMA synchronous=FULL")
        begin = time.perf_counter()
        bare.execute("BEGIN IMMEDIATE")
        bare.execute("INSERT INTO meta VALUES (?, '')", (f"bench {number}",))
        bare.execute("COMMIT")
        return (time.perf_counter() - begin) * 1e3
