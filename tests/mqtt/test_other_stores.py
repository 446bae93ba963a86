"""Two stores at one broker: each is told of the other, and neither where they are kept apart."""

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from queue import SimpleQueue

import pytest

from logger import settings
from logger.config import Config, MqttConfig
from logger.daemon.clock import ClockReading
from logger.daemon.publisher import Publisher
from logger.model import Carry
from logger.mqtt.entity import Software
from logger.mqtt.messages import Connected, Disconnected, Incoming, NetworkEvent
from logger.mqtt.other_stores import OtherStores
from logger.mqtt.status import heartbeat_message, status_message
from logger.structs import replace
from tests.mqtt.factories import AT_US, CONFIG, TOPICS
from tests.parts.mosquitto import MakeMosquitto

SECOND_US = 1_000_000
OWN, OTHER, ABOUT = "store-a", "store-b", ("base_topic", "client_id")


def others() -> OtherStores:
    made = OtherStores(config=MqttConfig(), topics=TOPICS, store=OWN)
    made.handle(Connected(), 0)
    return made


def status(store: str, *, online: bool = True) -> Incoming:
    message = status_message(TOPICS, online=online, store=store)
    return Incoming(message.topic, message.payload.encode(), retain=True)


def beat(store: str) -> Incoming:
    message = heartbeat_message(TOPICS, at_us=0, store=store, believed_age_s={}, waiting=0, oldest_at_us=None)
    return Incoming(message.topic, message.payload.encode())


def is_told(found: OtherStores, now_s: float) -> bool:
    trouble = found.trouble(round(now_s * SECOND_US)) or ""
    return all(name in trouble for name in ABOUT)


@pytest.mark.parametrize("happening", [beat(OTHER), Disconnected("Gone.", taken_over=True)], ids=["beat", "take-over"])
def test_another_that_lives_is_told_at_once_and_until_it_was_silent_for_three_beats(happening: NetworkEvent) -> None:
    found = others()
    found.handle(happening, 500 * SECOND_US)
    found.handle(Connected(), 501 * SECOND_US)
    assert is_told(found, 500)
    assert is_told(found, 679.9)
    assert found.trouble(681 * SECOND_US) == ""


def test_a_status_retained_of_a_store_that_is_no_more_is_no_other_but_one_after_ours_is() -> None:
    found = others()
    found.handle(status(OTHER, online=False), 0)
    found.handle(status(OWN), 1)
    assert not is_told(found, 1)
    found.handle(status(OTHER, online=False), 2 * SECOND_US)  # of one that came and went, or was thrown out by us
    assert is_told(found, 2)


@pytest.mark.parametrize(
    "happening",
    [status(OWN), beat(OWN), Disconnected("Gone."), Incoming(TOPICS.heartbeat, b"\xff{"), Incoming(TOPICS.status, b"")],
)
def test_what_is_our_own_or_nothing_of_ours_is_no_other(happening: NetworkEvent) -> None:
    found = others()
    found.handle(status(OWN), 0)
    found.handle(happening, 1)
    assert not is_told(found, 1)


def test_nothing_is_known_before_it_listened_long_enough_or_without_a_broker() -> None:
    found = others()
    assert [found.trouble(second * SECOND_US) for second in (0, 179, 180)] == [None, None, ""]
    found.handle(Disconnected("Gone."), 200 * SECOND_US)
    assert found.trouble(1000 * SECOND_US) is None


@dataclass(slots=True, kw_only=True)
class Running:
    """A hub's side of a daemon, its loop driven by hand."""

    hub: Publisher
    happenings: "SimpleQueue[NetworkEvent]"
    seen: list[NetworkEvent] = field(default_factory=list)

    def turn(self) -> None:
        now_us = time.monotonic_ns() // 1000
        while not self.happenings.empty():
            self.seen.append(self.happenings.get())
            self.hub.handle(self.seen[-1], now_us)
        self.hub.publish_heartbeat({}, 0, None, now=ClockReading(at_us=AT_US, elapsed_us=0), now_us=now_us)
        self.hub.delivery.pump(now_us)

    @property
    def is_told(self) -> bool:
        return is_told(self.hub.others, time.monotonic())


@contextmanager
def running(config: Config, store: str) -> Iterator[Running]:
    happenings: SimpleQueue[NetworkEvent] = SimpleQueue()
    assert config.mqtt is not None
    hub = Publisher(config=config, mqtt=config.mqtt, software=Software(version="0"), store=store, post=happenings.put)
    hub.start({vat.id: Carry(probe=vat.probe) for vat in hub.vats}, [], retained=[], at_us=AT_US)
    try:
        yield Running(hub=hub, happenings=happenings)
    finally:
        hub.client.stop()


def run_until(both: Sequence[Running], condition: Callable[[], bool], seconds: float = 20.0) -> bool:
    end = time.monotonic() + seconds
    while not condition() and time.monotonic() < end:
        for one in both:
            one.turn()
        time.sleep(0.01)
    return condition()


@pytest.mark.parametrize("protocol", [5, pytest.param(311, marks=pytest.mark.slow)])
@pytest.mark.parametrize("ids", [("vatvigil", "vatvigil"), ("one", "two")], ids=["same id", "own ids"])
def test_two_stores_on_one_base_topic_are_both_told(
    mosquitto: MakeMosquitto, ids: tuple[str, str], protocol: int
) -> None:
    mqtt = MqttConfig(port=mosquitto().port, protocol=protocol, heartbeat_s=1.0)
    configs = [replace(CONFIG, mqtt=replace(mqtt, client_id=name)) for name in ids]
    with running(configs[0], OWN) as one, running(configs[1], OTHER) as two:
        assert run_until([one, two], lambda: one.is_told and two.is_told), (one.seen[-9:], two.seen[-9:])


FILE = """
{head}
[store]
path = "night.db"
[mqtt]
port = {port}
heartbeat_s = 1
[probe.p]
port = "/dev/null"
[vat.v]
probe = "p"
"""


def test_a_real_and_a_simulated_watch_without_names_of_their_own_stay_apart(
    mosquitto: MakeMosquitto, tmp_path: Path
) -> None:
    file, port = tmp_path / "vatvigil.toml", mosquitto().port
    configs = []
    for head in ("", "[simulation]"):
        file.write_text(FILE.format(head=head, port=port))
        configs.append(settings.load(file, environ={}))
    assert [config.mqtt and config.mqtt.client_id for config in configs] == ["vatvigil", "vatvigil-simulated"]
    with running(configs[0], OWN) as real, running(configs[1], OTHER) as simulated:
        both = [real, simulated]
        assert run_until(both, lambda: all(one.hub.delivery.connected and one.hub.delivery.settled for one in both))
        assert not run_until(both, lambda: any(one.is_told for one in both), seconds=1.5)
        assert not [seen for one in both for seen in one.seen if isinstance(seen, Disconnected)]


@pytest.mark.parametrize("topic", TOPICS.own)
def test_what_is_no_message_of_a_watch_ends_nothing(topic: str) -> None:
    found = others()
    for payload in (b'{"store":' + b"[" * 100_000, b"\xff", b"", b"9" * 100_000, b'{"store":1}'):
        found.handle(Incoming(topic, payload), 0)
    assert not is_told(found, 1)
