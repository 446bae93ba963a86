"""Keys as the widely used hub documents them: https://www.home-assistant.io/integrations/mqtt/ and its pages
sensor.mqtt, binary_sensor.mqtt, button.mqtt (read 2026-11-25); facts tried on a real hub: DEVELOPERS.md."""

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import jsonschema
import pytest

from logger.config import Config, MqttConfig
from logger.mqtt import discovery
from logger.mqtt.messages import Message
from logger.mqtt.schemas import schema
from logger.mqtt.topics import Topics
from tests.mqtt.cellar import CONFIG, MARROW, PH_HIGH, SIMULATED, TOPICS

MAKER = discovery.Maker(version="0.1.0", support_url="https://help.example/vatvigil")
NONE_STANDS: Mapping[str, int] = {}
AVAILABILITY = [
    {
        "topic": "vatvigil/status",
        "value_template": "{{ value_json.status }}",
        "payload_available": "online",
        "payload_not_available": "offline",
    }
]


def announced(config: Config = CONFIG, occurrences: Mapping[str, int] = NONE_STANDS) -> dict[str, dict[str, Any]]:
    assert config.mqtt is not None
    topics = Topics.of(config.mqtt, simulated=config.simulated)
    messages = discovery.announcements(config, topics, maker=MAKER, occurrences=occurrences)
    assert all(message.retain for message in messages)
    return {message.topic: json.loads(message.payload) for message in messages}


@pytest.mark.parametrize("config", [CONFIG, SIMULATED])
def test_each_entity_has_what_the_hub_needs(config: Config) -> None:
    found = announced(config)
    for topic, content in found.items():
        jsonschema.Draft202012Validator(schema("discovery")).validate(content)
        assert re.fullmatch(r"homeassistant/(sensor|binary_sensor|button)/[a-zA-Z0-9_-]+/config", topic)
        assert topic.split("/")[2] == content["unique_id"]
    assert len({content["unique_id"] for content in found.values()}) == len(found) == 1 + 2 * 2 + 3 * 2


def test_the_ph_sensor_has_the_class_ph_no_unit_and_expires() -> None:
    content = announced()["homeassistant/sensor/vatvigil_marrow_ph/config"]
    assert content["device_class"] == "ph"
    assert "unit_of_measurement" not in content
    assert content["state_class"] == "measurement"
    assert content["expire_after"] == 30  # three polls of 10 s
    assert content["state_topic"] == content["json_attributes_topic"] == "vatvigil/vat/marrow/measurement"
    assert content["availability"] == AVAILABILITY
    assert content["origin"] == {
        "name": "vatvigil",
        "sw_version": "0.1.0",
        "support_url": "https://help.example/vatvigil",
    }


def test_temperature_is_in_celsius_and_expires_after_its_own_polls() -> None:
    content = announced()["homeassistant/sensor/vatvigil_teasel_temperature/config"]
    assert (content["device_class"], content["unit_of_measurement"], content["expire_after"]) == (
        "temperature",
        "°C",
        180,
    )


def test_a_standing_alarm_is_a_problem_that_does_not_expire() -> None:
    content = announced()["homeassistant/binary_sensor/vatvigil_marrow_ph-high/config"]
    assert content["device_class"] == "problem"
    assert "expire_after" not in content
    assert content["state_topic"] == "vatvigil/vat/marrow/alarm/ph-high"
    assert content["availability"] == AVAILABILITY


def test_silence_has_an_entity_that_is_always_available() -> None:
    content = announced()["homeassistant/binary_sensor/vatvigil_watch/config"]
    assert content["device_class"] == "connectivity"
    assert [key for key in content if key.startswith("availability")] == []
    assert (content["payload_on"], content["payload_off"]) == ("online", "offline")


def test_the_button_carries_the_occurrence_that_stands_and_the_command_is_understood() -> None:
    content = announced(occurrences={"marrow/ph-high": 3})[
        "homeassistant/button/vatvigil_marrow_ph-high_acknowledge/config"
    ]
    assert json.loads(content["payload_press"]) == {"occurrence": 3}
    assert (content["command_topic"], content["retain"], content["qos"]) == (
        "vatvigil/command/marrow/ph-high/acknowledge",
        False,
        1,
    )
    jsonschema.validate(json.loads(content["payload_press"]), schema("acknowledge"))


def test_a_new_occurrence_replaces_the_button_on_its_topic() -> None:
    third, fourth = (
        discovery.acknowledge_button(TOPICS, MARROW, alarm=PH_HIGH, occurrence=number, maker=MAKER) for number in (3, 4)
    )
    assert third.topic == fourth.topic
    assert third.payload != fourth.payload


def test_what_is_simulated_says_so_in_names_and_ids() -> None:
    for topic, content in announced(SIMULATED).items():
        assert content["name"].startswith("SIMULATED ")
        assert content["device"]["name"].startswith("SIMULATED ")
        assert content["unique_id"].startswith("SIMULATED_")
        assert topic.split("/")[2].startswith("SIMULATED_")
        assert content["device"]["identifiers"][0].startswith("SIMULATED_")


def test_accelerated_time_expires_in_real_seconds() -> None:
    content = announced(SIMULATED)["homeassistant/sensor/SIMULATED_vatvigil_teasel_ph/config"]
    assert content["expire_after"] == 3  # three polls of 60 s at sixty times the speed


def test_without_a_prefix_no_hub_is_told() -> None:
    assert announced(replace(CONFIG, mqtt=MqttConfig(discovery_prefix=None))) == {}


def test_ghosts_are_what_was_retained_and_is_configured_no_more() -> None:
    messages = discovery.announcements(CONFIG, TOPICS, maker=MAKER, occurrences={})
    old = [*discovery.retained(messages), "vatvigil/vat/gone/alarm/ph-high"]
    kept = [message for message in messages if "teasel" not in message.topic]
    gone = discovery.ghosts(old, discovery.retained(kept))
    assert [message.topic for message in gone] == sorted(
        {topic for topic in old if "teasel" in topic} | {"vatvigil/vat/gone/alarm/ph-high"}
    )
    assert {(message.payload, message.retain) for message in gone} == {("", True)}
    assert discovery.retained([*gone, Message(topic="x", payload="not retained")]) == []
