"""Keys as the widely used hub documents them: https://www.home-assistant.io/integrations/mqtt/ and its pages
sensor.mqtt, binary_sensor.mqtt, button.mqtt, event.mqtt, number.mqtt, text.mqtt (read 2026-11-25); facts tried on a
real hub: `logger/mqtt/entity.py`. Templates are rendered by jinja2, the language that the hub documents for them."""

import json
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from types import MappingProxyType, SimpleNamespace
from typing import Any

import jinja2
import jsonschema
import pytest

from logger.alarm.belief_words import Evidence
from logger.config import Config, MqttConfig, TargetConfig
from logger.model import AlarmState, Belief, Cause, Command, Entry, State
from logger.mqtt import discovery
from logger.mqtt.alarm_state import alarm_message
from logger.mqtt.commands import AcknowledgeAll, SpotReport, command_of
from logger.mqtt.entity import EntityFactory, Software
from logger.mqtt.event import event_of
from logger.mqtt.measurement import measurement_message
from logger.mqtt.messages import Incoming
from logger.mqtt.schemas import schema
from logger.mqtt.topics import Topics
from logger.structs import replace
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
    "value_template options",
    "binary_sensor": "state_topic value_template expire_after device_class",
    "button": "command_topic command_template payload_press retain",
    "event": "state_topic event_types value_template",
    "number": "command_topic command_template retain mode min max step unit_of_measurement device_class state_topic "
    "value_template",
    "text": "command_topic command_template retain min max state_topic value_template",
}
EVERY = "name unique_id object_id default_entity_id qos device origin availability entity_category enabled_by_default "
EVERY += "icon json_attributes_topic json_attributes_template"
NONE_STANDS: Mapping[str, int] = {}
WITH_TARGET = replace(CONFIG, vats=(replace(MARROW, target=TargetConfig()), TEASEL))
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
    assert content["state_topic"] == "vatvigil/vat/marrow/measurement"
    assert "json_attributes_topic" not in content  # the hub would store a row of them for each reading
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
    shown: dict[str, Any] = json.loads(rendered(content["json_attributes_template"], value_json=said))
    return shown


DROPPED = {"state", "icon", "friendly_name", "device_class", "unit_of_measurement", "available", "entity_category"}
DROPPED |= {"options", "name", "last_reset", "state_class"}
"""Attributes that the hub drops or covers, as tried on a real one."""


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("held", [True, False])
def test_the_hub_sees_of_an_alarm_how_it_stands_by_its_state(state: State, *, held: bool) -> None:
    content = announced()["homeassistant/sensor/vatvigil_marrow_alarm_ph-high/config"]
    standing = alarm_message(TOPICS, MARROW, alarm=PH_HIGH, state=AlarmState(base=state, occurrence=3, held=held))
    shown = rendered(content["value_template"], value_json=json.loads(standing.payload))
    assert shown == ("held" if held else state.value)
    assert shown in content["options"]
    seen = attributes(content, json.loads(standing.payload))
    assert (seen["occurrence"], seen["priority"]) == (3, "high")
    assert content["json_attributes_topic"] == standing.topic


def messages_sent() -> dict[str, dict[str, Any]]:
    return {message.topic: json.loads(message.payload) for message in everything_sent() if message.payload}


def test_every_attribute_is_one_that_the_hub_keeps_and_that_a_message_tells() -> None:
    sent_now = messages_sent()
    found = announced(WITH_TARGET)
    shown = [content for content in found.values() if content.get("json_attributes_topic") in sent_now]
    topics = {content["json_attributes_topic"].split("/")[-1] for content in shown}
    assert topics >= {"ph-high", "alarms", "measurement", "target", "health", "said"}
    for content in shown:
        seen = attributes(content, sent_now[content["json_attributes_topic"]])
        assert seen
        assert not seen.keys() & DROPPED


def test_every_state_is_one_of_the_words_that_the_hub_was_told() -> None:
    sent_now, enums = messages_sent(), 0
    for content in announced(WITH_TARGET).values():
        if content.get("state_topic") in sent_now and "options" in content:
            enums += 1
            assert (
                rendered(content["value_template"], value_json=sent_now[content["state_topic"]]) in content["options"]
            )
    assert enums > 6


def test_temperature_is_in_celsius_and_expires_after_its_own_polls() -> None:
    content = announced()["homeassistant/sensor/vatvigil_teasel_temperature/config"]
    assert (content["device_class"], content["unit_of_measurement"], content["expire_after"]) == (
        "temperature",
        "°C",
        180,
    )


def test_what_stands_does_not_expire() -> None:
    found = announced()
    for name in ("sensor/vatvigil_marrow_worst_alarm", "binary_sensor/vatvigil_marrow_problem"):
        content = found[f"homeassistant/{name}/config"]
        assert "expire_after" not in content
        assert content["state_topic"] == "vatvigil/vat/marrow/alarms"
        assert content["availability"] == AVAILABILITY
    assert found["homeassistant/binary_sensor/vatvigil_marrow_problem/config"]["device_class"] == "problem"


def test_silence_shows_within_two_beats_and_a_beat_is_no_state() -> None:
    content = announced()["homeassistant/binary_sensor/vatvigil_heartbeat/config"]
    assert (content["device_class"], content["state_topic"]) == ("connectivity", "vatvigil/heartbeat")
    assert content["expire_after"] == 130  # two beats of 60 s, and ten seconds
    assert (content["value_template"], content["availability"]) == ("ON", AVAILABILITY)


def test_the_signal_of_an_alarm_stays_available_so_that_a_restart_is_no_alarm() -> None:
    assert "availability" not in announced()["homeassistant/event/vatvigil_marrow_event/config"]


def ids(config: Config) -> set[str]:
    """Return the ids that people see of what is enabled."""
    return {c["default_entity_id"] for c in announced(config).values() if c.get("enabled_by_default", True)}


MAIN = {
    *(
        f"sensor.vatvigil_marrow_{name}"
        for name in ("ph", "temperature", "belief", "worst_alarm", "target", "forecast")
    ),
    "binary_sensor.vatvigil_marrow_problem",
    "event.vatvigil_marrow_alarm",
    *(f"button.vatvigil_marrow_{name}" for name in ("acknowledge_all", "stirred", "probe_out", "probe_in", "started")),
    *(f"number.vatvigil_marrow_{name}" for name in ("topped_up", "spot_meter", "spot_strip")),
    "text.vatvigil_marrow_note",
}
DIAGNOSTIC = {
    *(f"sensor.vatvigil_marrow_{name}" for name in ("u", "probe", "target_probability")),
    "binary_sensor.vatvigil_heartbeat",
    "sensor.vatvigil_system_alarms",
}
OF_WATCH = {"button.vatvigil_acknowledge_all"}


def test_a_vat_has_seventeen_entities_five_for_who_looks_closer_and_the_watch_a_button() -> None:
    one = replace(WITH_TARGET, vats=WITH_TARGET.vats[:1])
    assert (len(MAIN), len(DIAGNOSTIC)) == (17, 5)
    assert ids(one) == MAIN | DIAGNOSTIC | OF_WATCH
    diagnostic = {c["default_entity_id"] for c in announced(one).values() if is_diagnostic(c)}
    assert diagnostic == DIAGNOSTIC


def is_diagnostic(content: dict[str, Any]) -> bool:
    return content.get("entity_category") == "diagnostic" and content.get("enabled_by_default", True)


def test_a_second_probe_adds_its_ph_its_belief_and_its_condition() -> None:
    second = replace(TEASEL, id="marrow-reference", name="Marrow (reference)", reference_of="marrow")
    added = ids(replace(CONFIG, vats=(MARROW, second))) - ids(replace(CONFIG, vats=(MARROW,)))
    assert added == {f"sensor.vatvigil_marrow_reference_{name}" for name in ("ph", "belief", "probe")}


def test_an_entity_keeps_its_ids_under_a_new_name_of_its_vat() -> None:
    before, after = announced(), announced(replace(CONFIG, vats=(replace(MARROW, name="Old marrow"), TEASEL)))
    assert before.keys() == after.keys()
    for topic, content in before.items():
        assert [content[key] for key in IDS] == [after[topic][key] for key in IDS]
    assert after["homeassistant/sensor/vatvigil_marrow_ph/config"]["device"]["name"] == "Old marrow"


IDS = ("unique_id", "object_id", "default_entity_id")


def test_each_single_alarm_is_there_for_who_wants_it_and_disabled() -> None:
    of_alarms = [content for content in announced().values() if "_alarm_" in content["unique_id"]]
    alarms = sum(len(vat.alarms) for vat in (*CONFIG.vats, system.vat_of(CONFIG)))
    assert len(of_alarms) == 4 * alarms  # its state; acknowledge, shelve, unshelve
    assert {content["enabled_by_default"] for content in of_alarms} == {False}


def test_the_devices_of_the_vats_stand_below_the_watch_which_comes_first() -> None:
    contents = [*announced().values()]
    watch = contents[0]["device"]
    assert (watch["name"], watch["identifiers"], "via_device" in watch) == ("Vat watch", ["vatvigil"], False)
    vats = [content["device"] for content in contents if content["device"] != watch]
    assert {(device["name"], device["via_device"]) for device in vats} == {
        ("Marrow", "vatvigil"),
        ("Teasel", "vatvigil"),
    }


def test_the_system_s_alarms_are_those_of_the_watch_itself() -> None:
    found = announced()
    content = found["homeassistant/sensor/vatvigil_system_alarm_broker-away/config"]
    assert (content["name"], content["state_topic"]) == ("Alarm broker away", "vatvigil/system/alarm/broker-away")
    assert content["device"] == found["homeassistant/binary_sensor/vatvigil_heartbeat/config"]["device"]
    button = found["homeassistant/button/vatvigil_system_alarm_broker-away_acknowledge/config"]
    assert button["command_topic"] == "vatvigil/command/system/broker-away/acknowledge"
    assert found["homeassistant/sensor/vatvigil_system_alarms/config"]["state_topic"] == "vatvigil/system/alarms"


def test_the_button_carries_the_occurrence_that_stands_and_the_command_is_understood() -> None:
    content = announced(occurrences={"marrow/ph-high": 3})[
        "homeassistant/button/vatvigil_marrow_alarm_ph-high_acknowledge/config"
    ]
    assert json.loads(content["payload_press"]) == {"occurrence": 3}
    assert (content["command_topic"], content["retain"], content["qos"]) == (
        "vatvigil/command/marrow/ph-high/acknowledge",
        False,
        1,
    )
    jsonschema.validate(json.loads(content["payload_press"]), schema("acknowledge"))


SHOWN = {"occurrence": 4, "occurrences": {"ph-high": 4, "no-data": 1}}


@pytest.mark.parametrize(("shown", "occurrence"), [(SHOWN, 4), ({}, 3)], ids=["what the hub shows", "as announced"])
def test_a_press_means_what_the_hub_shows_not_what_was_announced(shown: dict[str, Any], occurrence: int) -> None:
    buttons = [
        announced(occurrences={"marrow/ph-high": 3})[
            "homeassistant/button/vatvigil_marrow_alarm_ph-high_acknowledge/config"
        ],
        json.loads(discovery.acknowledge_all(FRAME, MARROW, {"ph-high": 3})[0].payload),
    ]
    single, every = (json.loads(rendered(one["command_template"], attributes=shown)) for one in buttons)
    assert single == {"occurrence": occurrence}
    assert every["occurrences"] == shown.get("occurrences", {"ph-high": 3})


def test_a_new_occurrence_replaces_the_buttons_on_their_topics() -> None:
    third, fourth = ([*discovery.alarm_buttons(FRAME, MARROW, PH_HIGH, occurrence=number)] for number in (3, 4))
    assert [message.topic for message in third] == [message.topic for message in fourth]
    renewed = [old.payload != new.payload for old, new in zip(third, fourth, strict=True)]
    assert renewed == [True, True, False]  # to unshelve speaks of no occurrence


def rendered(template: str, *, attributes: Mapping[str, Any] = MappingProxyType({}), **values: object) -> str:
    """Render a template as the hub does for an entity with these attributes."""
    now, this = datetime.fromtimestamp(AT_US / 1e6, UTC), SimpleNamespace(attributes=attributes)
    environment = jinja2.Environment(autoescape=False)  # noqa: S701 - no HTML
    return environment.from_string(template).render(utcnow=lambda: now, this=this, **values)


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
        payloads = [*pressed(content, VALUES.get(component, content.get("payload_press")))]
        if content.get("unit_of_measurement") == "L":
            payloads = [rendered(content["command_template"], value=4.5).encode()]
        if content["command_topic"].endswith(ALL):
            payloads = [rendered(content["command_template"], attributes=SHOWN_OF[content["command_topic"]]).encode()]
        for payload in payloads:
            incoming = Incoming(content["command_topic"], payload)
            asked = command_of(incoming, TOPICS, vats=(*CONFIG.vats, system.vat_of(CONFIG)), at_us=AT_US)
            assert not isinstance(asked, Entry), asked.text
            seen.append(asked)
    commands = [asked for asked in seen if isinstance(asked, Command)]
    assert {asked.note for asked in commands if asked.kind == "note"} == {VALUES["text"]}
    spots = {(asked.ph, asked.u_ph, asked.instrument) for asked in seen if isinstance(asked, SpotReport)}
    assert spots == {(4.71, 0.05, "meter"), (4.71, 0.2, "strip"), (4.71, 0.2, "")}
    marks = {(asked.note, asked.litres) for asked in commands if asked.kind == "mark"}
    assert marks == {*((mark, None) for mark in ("probe-out", "probe-in", "stirred", "started")), ("topped-up", 4.5)}
    assert {asked.kind for asked in commands} == {"acknowledge", "shelve", "unshelve", "mark", "note"}
    every = [asked for asked in seen if isinstance(asked, AcknowledgeAll)]
    assert [[command.alarm for command in asked.commands] for asked in every] == [
        ["broker-away"],
        ["no-data", "ph-high"],
        ["ph-high"],
    ]
    dated = [asked for asked in seen if asked.delivery.startswith("at-")]
    undated = ("/acknowledge",)
    assert len(dated) == sum(not content["command_topic"].endswith(undated) for content in found.values())


ALL = ("command/marrow/acknowledge", "command/teasel/acknowledge", "command/system/acknowledge")
SHOWN_OF = {
    "vatvigil/command/marrow/acknowledge": {"occurrences": {"ph-high": 4, "no-data": 1}},
    "vatvigil/command/teasel/acknowledge": {"occurrences": {"ph-high": 2}},
    "vatvigil/command/system/acknowledge": {"occurrences": {"broker-away": 1}},
}


@pytest.mark.parametrize(("name", "field", "value"), [("mark_topped-up", "litres", 4.0), ("spot_meter", "meter", 4.71)])
def test_a_box_shows_what_was_entered_and_then_nothing_so_that_the_same_can_be_entered_again(
    name: str, field: str, value: float
) -> None:
    content = announced()[f"homeassistant/number/vatvigil_marrow_{name}/config"]
    assert content["state_topic"] == "vatvigil/vat/marrow/said"
    assert rendered(content["value_template"], value_json={field: value}) == str(value)
    assert rendered(content["value_template"], value_json={}) == "None"  # the hub takes it for unknown


def test_the_signal_tells_what_a_person_is_to_be_told_and_nothing_else() -> None:
    content = announced()["homeassistant/event/vatvigil_marrow_event/config"]
    told = set()
    for cause in Cause:
        event = event_of(Entry(seq=1, at_us=AT_US, vat="marrow", cause=cause, text='a "text"'), simulated=False)
        said = event and rendered(content["value_template"], value_json=json.loads(event.payload))
        if said:  # the hub ignores an empty one
            shown = json.loads(said)
            assert (shown["event_type"] in content["event_types"], shown["text"]) == (True, 'a "text"')
            told.add(cause)
    assert told == {Cause.ANNUNCIATED, Cause.REMINDER, Cause.RAISED, Cause.RELEASED, Cause.REALARM}
    assert content["state_topic"] == "vatvigil/vat/marrow/event"


def test_two_alarms_that_watch_the_same_are_told_apart() -> None:
    second = replace(PH_HIGH, id="harder")
    vat = replace(MARROW, alarms=(PH_HIGH, second))
    names = [content["name"] for content in announced(replace(CONFIG, vats=(vat,))).values()]
    assert "Alarm pH high (ph-high)" in names
    assert "Alarm pH high (harder)" in names
    assert len(set(names)) == len(names) - 1  # the watch has a button as the vat has


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
