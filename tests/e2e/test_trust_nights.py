"""Faults of a probe on the real daemon and broker: what the hub holds and hears of each, and what `status` says.

The replay of the same faults by the hundred is a bench (`tests/bench/bench_trust.py`).
"""

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pytest

from tests.e2e import hub_listener
from tests.parts.daemon import BASE, EPOCH, EPOCH_US, HOUR_S, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
EARLY_H, BEGINS_H, SOON_H = 0.8, 2.0, 1.5
"""Each fault begins then, and is told so soon: air is noisier for some windows before it is told from a top-up."""
POLL_S = 30.0
SPEEDS = (2400.0, 1000.0, 300.0)
"""A night runs as fast as the machine keeps up with: one that skipped more than a tick in ten runs again, slower."""
READ = 0.9
NEAR_ZERO = "near 0 mV, as a cracked bulb"
NO_VAT = "which no vat does by itself"
SENTENCES = {
    "trust-lost": "the probe is not to be trusted",
    "trust-doubted": "something is odd about the probe or the vat",
}


@dataclass(frozen=True, slots=True)
class Told:
    """What a fault is told by; `beside`: which other alarms may have come of it too."""

    fault: str
    phrase: str
    alarm: str = "trust-lost"
    beside: frozenset[str] = frozenset()

    @property
    def level(self) -> str:
        return self.alarm.removeprefix("trust-")


TOLD = (
    Told("offset@2:25", NO_VAT),
    Told("buffer-glass@2:4.01", "it is what a buffer of pH 4.01 reads"),
    Told("cracked-bulb@2", NEAR_ZERO),
    Told("still-air@2:4", "the probe seems to hang in air", beside=frozenset({"trust-doubted"})),
    Told("dry-junction@2", NO_VAT, beside=frozenset({"blind"})),
    Told("range-changed@2:10", NO_VAT),
    Told("unit-changed@2:0.001", NEAR_ZERO),
    Told("connector-flapping@2:0.35", "readings lie far apart again and again", beside=frozenset({"blind"})),
    Told("heater-leakage-2-h@2:40", NO_VAT),
    Told("rinse-glass@2", NO_VAT),
    Told("thermometer-fixed@2:85", "the thermometer shows no temperature of a vat", alarm="trust-doubted"),
    Told("defaults-restored@2:30", NO_VAT),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was heard of a night until it was looked at: events at the hub, what the hub holds, and `status`."""

    heard: list[dict[str, Any]]
    standing: dict[str, dict[str, Any]]
    trust: str
    code: int
    status: dict[str, Any]


@pytest.mark.parametrize("told", TOLD, ids=lambda told: told.fault.partition("@")[0])
def test_a_fault_is_told_at_the_hub_and_by_status(night: MakeNight, mosquitto: MakeMosquitto, told: Told) -> None:
    def is_told(here: Night, hub: Subscriber) -> None:
        here.until(lambda: any(event["alarm"] == told.alarm for event in annunciated(hub)), f"{told.alarm} at the hub")

    seen = watched(night, mosquitto, "--fault", told.fault, until=is_told)
    (event,) = [event for event in seen.heard if event["alarm"] == told.alarm]
    assert told.phrase in event["text"]
    assert {event["alarm"] for event in seen.heard} - told.beside == {told.alarm}
    assert BEGINS_H < hour(event["at"]) < BEGINS_H + SOON_H
    kept = seen.standing[told.alarm]
    assert (kept["state"], kept["standing"]) == ("unacknowledged", True)
    assert SENTENCES[told.alarm] in kept["lines"][0]
    assert seen.trust == told.level
    assert (seen.code, seen.status["trust"]["level"]) == (3, told.level)
    assert told.phrase in seen.status["trust"]["sentence"]


def test_a_refrigerator_is_told_by_nothing(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    def is_over(here: Night, _hub: Subscriber) -> None:
        here.until_hour(BEGINS_H + 1.0)

    seen = watched(night, mosquitto, "--disturbance", "refrigerator-20-min:1", until=is_over)
    assert seen.heard == []
    assert [kept for kept in seen.standing.values() if kept["standing"]] == []
    assert seen.trust == "earned"
    assert (seen.code, seen.status["trust"]["level"]) == (0, "earned")


def watched(
    night: MakeNight, mosquitto: MakeMosquitto, *effects: str, until: Callable[[Night, Subscriber], None]
) -> Seen:
    """Return what was seen of a night with these effects, at a speed that the machine kept up with."""
    for speed in SPEEDS:
        broker = mosquitto()
        with Subscriber(port=broker.port, filters=(f"{BASE}/vat/marrow/event",), name="hub") as hub:
            here = begun(night, broker.port, speed, *effects)
            if here is None:
                continue
            until(here, hub)
            seen = looked_at(here, hub, broker.port)
        if share_read(here) >= READ:
            return seen
        here.stop()
    pytest.fail(f"the machine does not keep up with {SPEEDS[-1]:g} times the speed of a night")


def looked_at(here: Night, hub: Subscriber, port: int) -> Seen:
    heard = annunciated(hub)
    code, status = said(here)
    trust = hub_listener.retained(port)[f"{BASE}/probe/marrow-probe/health"]["trust"]
    return Seen(heard=heard, standing=hub_listener.standing(port), trust=trust, code=code, status=status)


def begun(night: MakeNight, port: int, speed: float, *effects: str) -> Night | None:
    """Return a night that is watched an hour and more before its fault, None if the machine starts it too unevenly.

    Nor is it watched for long before it begins: until then the simulated probe stands still, as a frozen one does.
    """
    head_s = 4.0
    for _ in range(4):
        here = night(
            Vat(run="normal-night", alarms="", effects=effects), broker=port, head_s=head_s, speed=speed, poll_s=POLL_S
        )
        here.start_and_watch()
        if abs(first_hour(here)) < EARLY_H:
            return here
        here.stop()
        head_s += first_hour(here) * HOUR_S / speed
    return None


def first_hour(here: Night) -> float:
    """Return the hour of the first record, below 0 before the night begins."""
    return float((here.rows("SELECT min(at_us) FROM measurement")[0][0] - EPOCH_US) / 1e6 / HOUR_S)


def share_read(here: Night) -> float:
    """Return how many of the ticks since the first record have one."""
    count, passed_us = here.rows("SELECT count(*), max(elapsed_us) - min(elapsed_us) FROM measurement")[0]
    return float((count - 1) * POLL_S * 1e6 / passed_us)


def hour(at: str) -> float:
    return (datetime.fromisoformat(at) - datetime.fromisoformat(EPOCH)).total_seconds() / HOUR_S


def annunciated(hub: Subscriber) -> list[dict[str, Any]]:
    return [event for event in hub_listener.events(hub) if event["annunciates"]]


def said(here: Night) -> tuple[int, dict[str, Any]]:
    """Return the exit code of `vatvigil status`, and what it says of the vat."""
    command = [sys.executable, "-P", "-m", "logger", "status", "-c", str(here.config_file), "--json"]
    done = subprocess.run(command, check=False, stdout=subprocess.PIPE, text=True, cwd=here.folder)
    return done.returncode, json.loads(done.stdout)["vats"][0]
