"""What is configured no more is cleared at the broker, and at a hub that was away meanwhile.

That a hub keeps what was emptied while it was down, and that announcing it again and emptying it two seconds later
removes it, was seen on a real hub core: tests/campaign_hub/README.md.
"""

import json
from dataclasses import dataclass, field

from logger.mqtt import discovery
from logger.mqtt.messages import Message
from logger.mqtt.removed import AGAIN_US, RemovedTopics
from tests.mqtt.factories import CONFIG
from tests.mqtt.test_discovery import FRAME

OLD = [message.topic for message in discovery.announcements(CONFIG, FRAME, occurrences={})]
NEW = [topic for topic in OLD if "teasel" not in topic]
STATE = "vatvigil/vat/gone/alarm/ph-high"


@dataclass(slots=True)
class Broker:
    """What was set of each topic last, and what the broker does not have yet."""

    put: list[Message] = field(default_factory=list)
    waiting: set[str] = field(default_factory=set)

    def removed(self) -> RemovedTopics:
        return RemovedTopics(
            put=self.put.append, is_sent=lambda topic: topic not in self.waiting, device_of=FRAME.device_of
        )


def test_what_left_the_configuration_is_emptied_and_nothing_else() -> None:
    broker = Broker()
    broker.removed().clear([*OLD, STATE], NEW)
    assert {message.topic for message in broker.put} == {*OLD, STATE} - {*NEW}
    assert {(message.payload, message.retain) for message in broker.put} == {("", True)}


def test_a_hub_that_starts_is_told_of_it_once_more_and_two_seconds_later_that_it_is_gone() -> None:
    broker = Broker()
    removed = broker.removed()
    removed.clear([*OLD, STATE], NEW)
    gone = len(broker.put)
    broker.put.clear()
    removed.hub_started()
    for message in broker.put:
        component, unique_id = message.topic.split("/")[-3:-1]
        content = json.loads(message.payload)
        assert content["unique_id"] == unique_id
        assert content["device"] == {"identifiers": ["vatvigil_teasel"]}
        assert ("state_topic" if component in ("sensor", "binary_sensor", "event") else "command_topic") in content
    assert len(broker.put) == gone - 1  # a state has no entity of its own
    broker.put.clear()
    removed.follow(0)
    removed.follow(AGAIN_US - 1)
    assert (broker.put, removed.is_done) == ([], False)
    removed.follow(AGAIN_US)
    assert {message.payload for message in broker.put} == {""}
    removed.follow(AGAIN_US)
    assert removed.is_done


def test_the_device_of_every_entity_is_found_by_its_unique_id() -> None:
    for message in discovery.announcements(CONFIG, FRAME, occurrences={}):
        content = json.loads(message.payload)
        assert [FRAME.device_of(content["unique_id"])] == content["device"]["identifiers"]
    before = ("vatvigil_watch", "vatvigil_event", "vatvigil_system_broker-away_shelve")
    assert {FRAME.device_of(unique_id) for unique_id in before} == {"vatvigil"}
    assert FRAME.device_of("another_marrow_ph") is None


def test_the_two_seconds_begin_when_the_broker_has_the_announcements_and_the_end_waits_for_it_too() -> None:
    broker = Broker()
    removed = broker.removed()
    removed.clear(OLD, NEW)
    removed.hub_started()
    broker.put.clear()
    broker.waiting = {*OLD}
    removed.follow(0)
    removed.follow(10 * AGAIN_US)
    assert broker.put == []
    broker.waiting = set()
    removed.follow(11 * AGAIN_US)
    removed.follow(12 * AGAIN_US)
    assert broker.put
    broker.waiting = {*OLD}
    removed.follow(13 * AGAIN_US)
    assert not removed.is_done
    broker.waiting = set()
    removed.follow(13 * AGAIN_US)
    assert removed.is_done


def test_without_anything_removed_a_start_of_the_hub_asks_for_nothing() -> None:
    broker = Broker()
    removed = broker.removed()
    removed.clear(NEW, NEW)
    removed.hub_started()
    removed.follow(10 * AGAIN_US)
    assert (broker.put, removed.is_done) == ([], False)
