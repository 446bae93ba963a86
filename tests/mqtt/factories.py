"""A small cellar of invented vats, and a line to a broker driven as the service drives it."""

import json
import queue
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import jsonschema
import msgspec
import numpy as np
import pytest

from logger.alarm.belief_words import Evidence
from logger.config import (
    AlarmConfig,
    AlarmKind,
    Config,
    MqttConfig,
    Priority,
    ProbeConfig,
    Simulation,
    TargetConfig,
    VatConfig,
)
from logger.daemon.publisher import Publisher
from logger.model import Carry, Cause, Command, CommandKind, Entry, Event, Measurements
from logger.mqtt import said
from logger.mqtt.client import Client
from logger.mqtt.delivery import Delivery
from logger.mqtt.entity import Software
from logger.mqtt.event import event_of
from logger.mqtt.forecast import forecast_message
from logger.mqtt.measurement import measurement_message
from logger.mqtt.messages import Incoming, Message, NetworkEvent
from logger.mqtt.schemas import schema
from logger.mqtt.status import heartbeat_message, status_message
from logger.mqtt.target import target_message
from logger.mqtt.topics import Topics
from logger.structs import replace

PH_HIGH = AlarmConfig(id="ph-high", kind=AlarmKind.PH_HIGH, setpoint=4.6, deadband=0.05, priority=Priority.HIGH)
NO_DATA = AlarmConfig(id="no-data", kind=AlarmKind.NO_DATA)
MARROW = VatConfig(id="marrow", name="Marrow", probe="marrow-probe", alarms=(PH_HIGH, NO_DATA))
TEASEL = VatConfig(id="teasel", name="Teasel", probe="teasel-probe", alarms=(PH_HIGH,))
CONFIG = Config(
    store_url="sqlite://",
    probes=(ProbeConfig(id="marrow-probe", port="/dev/a"), ProbeConfig(id="teasel-probe", port="/dev/b", poll_s=60)),
    vats=(MARROW, TEASEL),
    mqtt=MqttConfig(),
)
SIMULATED = replace(CONFIG, simulation=Simulation(speed=60.0))
NOTED = Command(id=1, at_us=0, kind=CommandKind.NOTE, vat="marrow", note="skimmed", by="mqtt")
STORE = "6f1d0c2b9a487e35"
TOPICS = Topics.of(MqttConfig(), simulated=False)
AT_US = 1_795_572_600_123_456
"""2026-11-25T02:10:00.123456Z, by GNU date: `date -u -d @1795572600`."""


def measurements(**values: float) -> Measurements:
    """Return one record; fields not given are those of a good one."""
    good = {
        "seq": 7,
        "at_us": AT_US,
        "elapsed_us": 0,
        "potential_mv": 151.2,
        "temperature_c": 20.125,
        "reason": 0,
        "reference_ph": float("nan"),
        "reference_u": float("nan"),
        "ph": 4.71234,
        "u": 0.061,
        "quality": 1,
        "tests": 0,
        "previous_spike": 2,
        "calibration": 3,
        "belief": 0,
        "since_at_us": AT_US,
        "check": 0,
        "spot": 0,
    }
    measured = ("potential_mv", "temperature_c", "reference_ph", "reference_u", "ph", "u")
    columns = {name: np.array([v], float if name in measured else int) for name, v in {**good, **values}.items()}
    return Measurements(**columns)


def event(number: int, vat: str = "marrow", **words: object) -> Event:
    """Return the outbox event of that number, with such words of its payload."""
    payload = msgspec.json.encode({"event_id": f"event-{number}", **words}).decode()
    return Event(id=f"event-{number}", at_us=number, vat=vat, payload=payload)


def reminder(number: int, occurrence: int = 1, *, cause: str = "reminder", alarm: str = "ph-high") -> Event:
    """Return the outbox event of that number: a reminder of an occurrence."""
    return event(number, cause=cause, alarm=alarm, occurrence=occurrence, annunciates=False)


@dataclass(slots=True)
class Line:
    """Client and delivery joined by a queue, as in the service."""

    client: Client
    delivery: Delivery
    happenings: "queue.SimpleQueue[NetworkEvent]"
    incoming: list[Incoming] = field(default_factory=list)
    seen: list[NetworkEvent] = field(default_factory=list)
    delivered: list[str] = field(default_factory=list)
    ages_us: int = 0
    """Added to the clock, to make the delivery wait less."""

    def turn(self, seconds: float = 0.05) -> None:
        """Do one round of the service's loop."""
        self.delivery.pump(self.now_us)
        try:
            happening = self.happenings.get(timeout=seconds)
        except queue.Empty:
            return
        self.seen.append(happening)
        if isinstance(happening, Incoming):
            self.incoming.append(happening)
        self.delivery.handle(happening, self.now_us)
        self.delivered += self.delivery.take_delivered()

    def run_until(self, condition: Callable[[], bool], seconds: float = 20.0) -> None:
        """Go on until a condition holds."""
        end = time.monotonic() + seconds
        while not condition():
            assert time.monotonic() < end, f"waited {seconds} s in vain; {self.seen[-5:]}; {self.delivery.trouble}"
            self.turn()

    def settle(self) -> None:
        """Go on until everything is sent and answered."""
        self.run_until(lambda: self.delivery.connected and self.delivery.settled)

    def count_sent(self) -> list[Message]:
        """Return a list into which goes, from now on, each message that the network takes."""
        sent: list[Message] = []
        publish = self.delivery.publish

        def counted(message: Message) -> int | None:
            mid = publish(message)
            if mid is not None:
                sent.append(message)
            return mid

        self.delivery.publish = counted
        return sent

    @property
    def now_us(self) -> int:
        return time.monotonic_ns() // 1000 + self.ages_us


@contextmanager
def line(port: int, *, start: bool = True, **options: Any) -> Iterator[Line]:  # noqa: ANN401 - fields of MqttConfig
    """Make a line to a broker on this machine; `options` are those of MqttConfig."""
    config = replace(MqttConfig(host="localhost", port=port), **options)
    topics = Topics.of(config, simulated=False)
    happenings: queue.SimpleQueue[NetworkEvent] = queue.SimpleQueue()
    will = status_message(topics, online=False, store=STORE)
    client = Client(config=config, will=will, subscriptions=topics.subscriptions, post=happenings.put)
    delivery = Delivery(topics=topics, publish=client.publish, reconnect=client.reconnect)
    delivery.put(status_message(topics, online=True, store=STORE))
    if start:
        client.start()
    try:
        yield Line(client, delivery, happenings)
    finally:
        client.stop()


def retained(topic: str, payload: str) -> Message:
    """Return a standing message."""
    return Message(topic=topic, payload=payload, retain=True)


def everything_sent() -> list[Message]:
    """Return one message on each topic of ours: what stands at a start, and what comes and goes."""
    hub = Publisher(config=CONFIG, mqtt=MqttConfig(), software=Software(version="0.1.0"), store=STORE, post=print)
    hub.publish_standing({vat.id: Carry(probe=vat.probe) for vat in hub.vats}, at_us=AT_US)
    entries = [Entry(seq=0, at_us=AT_US, vat=vat, cause=Cause.REFUSED, text="no") for vat in ("marrow", "")]
    made = [happened for entry in entries if (happened := event_of(entry, simulated=False))]
    beat = heartbeat_message(TOPICS, at_us=AT_US, store=STORE, believed_age_s={}, waiting=0, oldest_at_us=None)
    reading = measurement_message(TOPICS, MARROW.id, probe=MARROW.probe, rows=measurements(), evidence=Evidence())
    moments = [Message(topic=TOPICS.event(one.vat), payload=one.payload) for one in made]
    noted, _ = said.taken(TOPICS, NOTED, at_us=AT_US)
    answers = [noted, said.refused(TOPICS, entries[1])]
    foreseen = forecast_message(TOPICS, replace(MARROW, target=TargetConfig()), Carry(probe=MARROW.probe))
    aimed = target_message(TOPICS, replace(MARROW, target=TargetConfig()), Carry(probe=MARROW.probe), at_us=AT_US)
    shown = [each for each in (aimed, foreseen) if each]
    return [*hub.delivery.standing, *moments, beat, reading, *answers, *shown]


def read_payload(payload: str, kind: str) -> dict[str, Any]:
    """Parse as strict JSON (no NaN) and hold it to its schema, by the jsonschema library."""

    def refuse(word: str) -> None:
        pytest.fail(f"{word} is no JSON (RFC 8259, 6)")

    content: dict[str, Any] = json.loads(payload, parse_constant=refuse)
    jsonschema.Draft202012Validator(schema(kind)).validate(content)
    return content
