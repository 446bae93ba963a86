"""The example of the broker's access rules, tried on a real broker with every topic that there is."""

from pathlib import Path

import pytest

from logger.config import MqttConfig
from logger.mqtt import connection_test
from logger.mqtt.messages import Incoming, PublishRefused
from tests.mqtt.factories import TOPICS, Line, everything_sent, line
from tests.parts.mosquitto import MakeMosquitto, Mosquitto, Subscriber
from tests.parts.waiting import wait_until

RULES = (Path(__file__).parents[2] / "config_examples" / "mosquitto-acl.conf").read_text()
USERS = {user: f"{user}-word" for user in ("vatvigil", "hub", "display", "stranger")}
COMMANDS = [TOPICS.acknowledge("marrow", "ph-high"), TOPICS.shelve("marrow", "ph-high")]
COMMANDS += [TOPICS.acknowledge_all("marrow"), TOPICS.unshelve("marrow", "ph-high")]
COMMANDS += [TOPICS.mark("marrow"), TOPICS.note("marrow"), TOPICS.spot("marrow")]


@pytest.fixture
def broker(mosquitto: MakeMosquitto) -> Mosquitto:
    return mosquitto(acl=RULES, passwords=USERS)


def user(broker: Mosquitto, name: str) -> Subscriber:
    return Subscriber(port=broker.port, name=name, filters=("vatvigil/#",), username=name, password=USERS[name])


def watch(broker: Mosquitto) -> MqttConfig:
    return MqttConfig(port=broker.port, username="vatvigil", password=USERS["vatvigil"])


def test_the_watch_may_say_everything_and_the_others_see_it(broker: Mosquitto) -> None:
    messages = everything_sent()
    with (
        user(broker, "display") as display,
        user(broker, "stranger") as stranger,
        line(broker.port, username="vatvigil", password=USERS["vatvigil"]) as ours,
    ):
        for message in messages:
            ours.delivery.put(message)
        ours.settle()
        assert [happened for happened in ours.seen if isinstance(happened, PublishRefused)] == []
        assert ours.delivery.trouble == ""
        own = {message.topic for message in messages if message.topic.startswith("vatvigil/")}
        wait_until(lambda: own == {message.topic for message in display.received}, 10)
        assert stranger.received == []
        with Subscriber(
            port=broker.port, name="hub", filters=("#",), username="hub", password=USERS["hub"]
        ) as hub:  # the hub may not subscribe to everything, but reads each of these
            retained = {message.topic for message in messages if message.retain}
            wait_until(lambda: retained <= {message.topic for message in hub.received}, 10)


def received(ours: Line, count: int) -> list[tuple[str, bytes]]:
    ours.run_until(lambda: len(ours.incoming) >= count)
    return [(incoming.topic, incoming.payload) for incoming in ours.incoming if isinstance(incoming, Incoming)]


def test_only_the_hub_may_command(broker: Mosquitto) -> None:
    with line(broker.port, username="vatvigil", password=USERS["vatvigil"]) as ours:
        ours.settle()
        for name in ("display", "stranger", "hub"):
            with user(broker, name) as sender:
                for topic in (*COMMANDS, "homeassistant/status"):
                    sender.publish(topic, name)
        expected = [(topic, b"hub") for topic in (*COMMANDS, "homeassistant/status")]
        assert received(ours, len(expected)) == expected


def test_nobody_but_the_watch_speaks_for_it_and_nobody_without_a_name_gets_in(broker: Mosquitto) -> None:
    with user(broker, "hub") as hub, user(broker, "display") as display:
        for sender in (hub, display):
            for message in everything_sent():
                sender.publish(message.topic, "forged", retain=True)
    with user(broker, "hub") as later:
        later.publish(COMMANDS[0], "last")
        later.wait_for(COMMANDS[0])
        assert [message.payload for message in later.received] == ["last"]
    assert "Not authorized" in connection_test.trouble(MqttConfig(port=broker.port), name="visitor")
    assert not connection_test.trouble(watch(broker), name="visitor")


def test_the_watch_hears_whether_another_uses_its_topics(broker: Mosquitto) -> None:
    password = USERS["vatvigil"]
    with Subscriber(port=broker.port, filters=TOPICS.own, username="vatvigil", password=password) as watch:
        for topic in TOPICS.own:
            watch.publish(topic, "{}")
            watch.wait_for(topic)
