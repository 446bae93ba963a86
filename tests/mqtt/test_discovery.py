"""Keys as the widely used hub documents them: https://www.home-assistant.io/integrations/mqtt/ and its pages
sensor.mqtt, binary_sensor.mqtt, button.mqtt, event.mqtt, number.mqtt, text.mqtt (read 2026-11-25); facts tried on a
real hub: `logger/mqtt/entity.py`. Templates are rendered by jinja2, the language that the hub documents for them."""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import jinja2
import jsonschema
import pytest

from logger.alarm.belief_words import Evidence
from logger.config import Config, MqttConfig, TargetConfig
from logger.model import AlarmState, Belief, Cause, Command, Entry, State
from logger.mqtt import discovery
from logger.mqtt.alarm_state import alarm_message
from logger.mqtt.commands import SpotReport, command_of
from logger.mqtt.entity import EntityFactory, Software
from logger.mqtt.event import event_of
from logger.mqtt.measurement import measurement_message
from logger.mqtt.messages import Incoming, Message
from logger.mqtt.schemas import schema
from logger.mqtt.topics import Topics
from logger.watch import system
from tests.mqtt.factories import (
    AT_US,
    CONFIG,
    MARROW,
    PH_HIGH,
    SIMULATED,
    TEASEL,
    TOPICS,
    everything_sent,
    measurements,
    read_payload,
)

MAKER = Software(version="0.1.0", support_url="https://help.example/vatvigil")
FRAME = EntityFactory(topics=TOPICS, software=MAKER)
ALLOWED = {
    # by component, what its page documents beside what every entity may have
    "sensor": "state_topic state_class expire_after device_class unit_of_measurement suggested_display_precision "
    "value_template json_attributes_topic json_attributes_template options",
    "binary_sensor": "state_topic value_template payload_on payload_off device_class json_attributes_topic "
    "json_attributes_template",
    "button": "command_topic command_template payload_press retain",
    "event": "state_topic event_types value_template",
    "number": "command_topic command_template retain mode min max step unit_of_measurement",
    "text": "command_topic command_template retain min max",
}
EVERY = "name unique_id qos device origin availability entity_category"
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
    messages = discovery.announcements(config, EntityFactory(topics=topics, software=MAKER), occurrences=occurrences)
    assert all(message.retain for message in messages)
    return {message.topic: json.loads(message.payload) for message in messages}


@pytest.mark.parametrize("config", [CONFIG, SIMULATED])
def test_each_entity_has_what_the_hub_needs(config: Config) -> None:
    found = announced(config)
    for topic, content in found.items():
        jsonschema.Draft202012Validator(schema("discovery")).validate(content)
        assert re.fullmatch(rf"homeassistant/({'|'.join(ALLOWED)})/[a-zA-Z0-9_-]+/config", topic)
        assert topic.split("/")[2] == content["unique_id"]
        assert set(content) <= {*ALLOWED[topic.split("/")[1]].split(), *EVERY.split()}
    assert len({content["unique_id"] for content in found.values()}) == len(found)


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


def sent(belief: Belief, **values: float) -> dict[str, Any]:
    rows = measurements(belief=belief, **values)
    message = measurement_message(TOPICS, MARROW.id, probe=MARROW.probe, rows=rows, evidence=Evidence())
    return read_payload(message.payload, "measurement")


@pytest.mark.parametrize("belief", Belief)
def test_a_ph_that_is_not_believed_is_sent_and_is_no_ph_of_the_hub(belief: Belief) -> None:
    said, found = sent(belief), announced()
    assert (said["ph"], said["expanded_uncertainty_ph"], said["belief"]) == (4.7123, 0.122, belief.word)
    shown = [
        rendered(found[f"homeassistant/sensor/vatvigil_marrow_{name}/config"]["value_template"], value_json=said)
        for name in ("ph", "u", "temperature")
    ]
    # The hub takes the text None for unknown: sensor.mqtt, value_template.
    assert shown == (["4.7123", "0.122"] if belief is Belief.BELIEVED else ["None", "None"]) + ["20.125"]


def attributes(content: dict[str, Any], said: dict[str, Any]) -> dict[str, Any]:
    """Return what the hub keeps of a payload as attributes; what it drops or covers was tried on a real hub."""
    given = json.loads(rendered(content.get("json_attributes_template", "{{ value_json | tojson }}"), value_json=said))
    return {key: value for key, value in given.items() if key not in DROPPED}


DROPPED = [
    "state",
    "icon",
    "friendly_name",
    "device_class",
    "unit_of_measurement",
    "available",
    "entity_category",
    "options",
]


@pytest.mark.parametrize("state", State)
def test_the_hub_sees_of_an_alarm_whether_it_is_acknowledged(state: State) -> None:
    content = announced()["homeassistant/binary_sensor/vatvigil_marrow_ph-high/config"]
    standing = alarm_message(TOPICS, MARROW, alarm=PH_HIGH, state=AlarmState(base=state, occurrence=3))
    seen = attributes(content, json.loads(standing.payload))
    assert (seen["how"], seen["occurrence"], seen["priority"]) == (state.value, 3, "high")
    assert content["json_attributes_topic"] == standing.topic


def test_nothing_that_a_payload_tells_is_lost_among_the_attributes() -> None:
    messages = {message.topic: message for message in everything_sent() if message.payload}
    found = announced(replace(CONFIG, vats=(replace(MARROW, target=TargetConfig()), TEASEL)))
    shown = [content for content in found.values() if content.get("json_attributes_topic") in messages]
    assert {content["json_attributes_topic"].split("/")[-1] for content in shown} >= {"ph-high", "target", "health"}
    for content in shown:
        said = json.loads(messages[content["json_attributes_topic"]].payload)
        lost = {key: value for key, value in said.items() if key in DROPPED}
        assert [value for value in lost.values() if value not in attributes(content, said).values()] == []


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


def test_the_system_s_alarms_are_problems_of_the_watch_itself() -> None:
    found = announced()
    content = found["homeassistant/binary_sensor/vatvigil_system_broker-away/config"]
    assert (content["name"], content["state_topic"]) == ("Alarm broker away", "vatvigil/system/alarm/broker-away")
    assert content["device"] == found["homeassistant/binary_sensor/vatvigil_watch/config"]["device"]
    button = found["homeassistant/button/vatvigil_system_broker-away_acknowledge/config"]
    assert button["command_topic"] == "vatvigil/command/system/broker-away/acknowledge"


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


def test_a_new_occurrence_replaces_both_buttons_on_their_topics() -> None:
    third, fourth = ([*discovery.alarm_buttons(FRAME, MARROW, PH_HIGH, occurrence=number)] for number in (3, 4))
    assert [message.topic for message in third] == [message.topic for message in fourth]
    assert [old.payload != new.payload for old, new in zip(third, fourth, strict=True)] == [True, True]


def rendered(template: str, **values: object) -> str:
    now = datetime.fromtimestamp(AT_US / 1e6, UTC)
    return jinja2.Environment(autoescape=False).from_string(template).render(utcnow=lambda: now, **values)  # noqa: S701 - no HTML


def pressed(content: dict[str, Any], value: object) -> Iterator[bytes]:
    """Yield what a hub sends for an entity of `content`: one that knows templates, and one that does not."""
    if "command_template" in content:
        yield rendered(content["command_template"], value=value).encode()
    yield str(value).encode()


VALUES = {"text": 'stirred "twice", Gläser & <lids>', "number": 4.71}


def test_whatever_the_hub_sends_by_an_entity_is_understood() -> None:
    found = {topic: content for topic, content in announced().items() if "command_topic" in content}
    seen = []
    for topic, content in found.items():
        assert content["retain"] is False
        component = topic.split("/")[1]
        if "litres" in content.get("command_template", ""):
            payload = rendered(content["command_template"], value=4.5).encode()
            command = command_of(Incoming(content["command_topic"], payload), TOPICS, vats=CONFIG.vats, at_us=AT_US)
            assert isinstance(command, Command)
            assert (command.note, command.litres) == ("topped-up", 4.5)
            continue
        for payload in pressed(content, VALUES.get(component, content.get("payload_press"))):
            incoming = Incoming(content["command_topic"], payload)
            asked = command_of(incoming, TOPICS, vats=(*CONFIG.vats, system.vat_of(CONFIG)), at_us=AT_US)
            assert not isinstance(asked, Entry), asked.text
            seen.append(asked)
    notes = {asked.note for asked in seen if isinstance(asked, Command) and asked.kind == "note"}
    assert notes == {VALUES["text"]}
    spots = {(asked.ph, asked.u_ph, asked.instrument) for asked in seen if isinstance(asked, SpotReport)}
    assert spots == {(4.71, 0.05, "meter"), (4.71, 0.2, "strip"), (4.71, 0.2, "")}
    dated = [asked for asked in seen if asked.delivery.startswith("at-")]
    assert len(dated) == sum("command_template" in content for content in found.values()) - len(CONFIG.vats)
    marks = {asked.note for asked in seen if isinstance(asked, Command) and asked.kind == "mark"}
    assert marks == {"probe-out", "probe-in", "stirred", "started"}


def test_every_event_that_can_happen_is_one_that_the_hub_was_told_of() -> None:
    content = announced()["homeassistant/event/vatvigil_marrow_event/config"]
    for cause in Cause:
        event = event_of(Entry(seq=1, at_us=AT_US, vat="marrow", cause=cause, text='a "text"'), simulated=False)
        if event:
            said = json.loads(rendered(content["value_template"], value_json=json.loads(event.payload)))
            assert said["event_type"] in content["event_types"]
            assert said["text"] == 'a "text"'
    assert content["state_topic"] == "vatvigil/vat/marrow/event"
    assert announced()["homeassistant/event/vatvigil_event/config"]["state_topic"] == "vatvigil/event"


def test_two_alarms_that_watch_the_same_are_told_apart() -> None:
    second = replace(PH_HIGH, id="harder")
    vat = replace(MARROW, alarms=(PH_HIGH, second))
    names = [content["name"] for content in announced(replace(CONFIG, vats=(vat,))).values()]
    assert "Alarm pH high (ph-high)" in names
    assert "Alarm pH high (harder)" in names
    assert len(set(names)) == len(names) - 1  # the watch has an event as the vat has


def test_the_probe_shows_its_condition_and_its_findings() -> None:
    content = announced()["homeassistant/sensor/vatvigil_marrow_probe/config"]
    assert content["state_topic"] == content["json_attributes_topic"] == "vatvigil/probe/marrow-probe/health"
    assert (content["device_class"], "good" in content["options"], len(content["options"])) == ("enum", True, 5)


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
    messages = discovery.announcements(CONFIG, FRAME, occurrences={})
    old = [*discovery.retained(messages), "vatvigil/vat/gone/alarm/ph-high"]
    kept = [message for message in messages if "teasel" not in message.topic]
    gone = discovery.ghosts(old, discovery.retained(kept))
    assert [message.topic for message in gone] == sorted(
        {topic for topic in old if "teasel" in topic} | {"vatvigil/vat/gone/alarm/ph-high"}
    )
    assert {(message.payload, message.retain) for message in gone} == {("", True)}
    assert discovery.retained([*gone, Message(topic="x", payload="not retained")]) == []
