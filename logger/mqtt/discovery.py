"""What tells a home-automation hub which entities exist: retained JSON, one topic an entity.

Law: pure; the component form `<prefix>/<component>/<unique_id>/config`. Ids hold only letters, digits, - and _. A
standing alarm never expires at the hub, a measurement always does. Keys as documented for the hub's MQTT discovery:
https://www.home-assistant.io/integrations/mqtt/ (also read by other hubs).
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from logger.config import AlarmConfig, Config, VatConfig
from logger.mqtt.messages import Message
from logger.mqtt.payloads import json_text, kind_words
from logger.mqtt.topics import Topics, plain

POLLS_UNTIL_STALE = 3
"""A measurement older than this many polls is stale at the hub [CP]."""
_SHORTEST_STALE_S = 3

Json = dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Maker:
    """Who announces: the distribution's version and where its users find help (None: nowhere public)."""

    version: str
    support_url: str | None = None


def announcements(config: Config, topics: Topics, *, maker: Maker, occurrences: Mapping[str, int]) -> list[Message]:
    """Return all discovery messages; `occurrences`: the one now standing, by `<vat>/<alarm>` (absent: 0).

    Empty where the configuration names no discovery prefix.
    """
    if topics.discovery_prefix is None:
        return []
    found = [_connectivity(topics, maker)]
    for vat in config.vats:
        found += _sensors(topics, vat, maker=maker, stale_s=stale_s(config, vat))
        for alarm in vat.alarms:
            found.append(_standing(topics, vat, alarm=alarm, maker=maker))
            occurrence = occurrences.get(f"{vat.id}/{alarm.id}", 0)
            found.append(acknowledge_button(topics, vat, alarm=alarm, occurrence=occurrence, maker=maker))
    return found


def stale_s(config: Config, vat: VatConfig) -> int:
    """Return after how many real seconds a vat's measurement is stale at the hub."""
    speed = config.simulation.speed if config.simulation else 1.0
    return max(_SHORTEST_STALE_S, math.ceil(POLLS_UNTIL_STALE * config.probe(vat.probe).poll_s / speed))


def acknowledge_button(topics: Topics, vat: VatConfig, *, alarm: AlarmConfig, occurrence: int, maker: Maker) -> Message:
    """Return the button that acknowledges `occurrence`; send it anew at each annunciation.

    So a press that comes late carries the old occurrence and cannot acknowledge the new one.
    """
    content = {
        "name": f"Acknowledge {kind_words(alarm.kind)}",
        "command_topic": topics.acknowledge(vat.id, alarm.id),
        "payload_press": json_text({"occurrence": occurrence}),
        "retain": False,
        **_availability(topics),
    }
    unique_id = _id(topics, vat.id, alarm.id, "acknowledge")
    return _config(topics, "button", unique_id=unique_id, content=_of_vat(topics, vat, maker=maker, content=content))


def ghosts(old: Iterable[str], new: Iterable[str]) -> list[Message]:
    """Return the empty retained messages that remove what was retained once and is configured no more."""
    gone = set(old) - set(new)
    return [Message(topic=topic, payload="", retain=True) for topic in sorted(gone)]


def retained(messages: Iterable[Message]) -> list[str]:
    """Return the topics that must be remembered to find `ghosts` at a later start."""
    return sorted({message.topic for message in messages if message.retain and message.payload})


def _connectivity(topics: Topics, maker: Maker) -> Message:
    """Return the entity that tells of silence; it has no availability of its own, so it can say 'off'."""
    content: Json = {
        "name": "Watch",
        "state_topic": topics.status,
        "value_template": "{{ value_json.status }}",
        "payload_on": "online",
        "payload_off": "offline",
        "device_class": "connectivity",
        "device": _device(topics.node, _name(topics, "Vat watch"), maker=maker),
        "origin": _origin(maker),
    }
    return _config(topics, "binary_sensor", unique_id=_id(topics, "watch"), content=content)


def _sensors(topics: Topics, vat: VatConfig, *, maker: Maker, stale_s: int) -> list[Message]:
    """Return pH (the hub's class has no unit) and temperature; a reading that failed its tests shows as unknown."""
    state = topics.measurement(vat.id)
    common: Json = {
        "state_topic": state,
        "state_class": "measurement",
        "expire_after": stale_s,
        **_availability(topics),
    }
    ph = {
        "name": "pH",
        "device_class": "ph",
        "suggested_display_precision": 2,
        "value_template": _value_template("ph"),
        "json_attributes_topic": state,
        **common,
    }
    temperature = {
        "name": "Temperature",
        "device_class": "temperature",
        "unit_of_measurement": "°C",
        "suggested_display_precision": 1,
        "value_template": _value_template("temperature_c"),
        **common,
    }
    return [
        _config(
            topics,
            "sensor",
            unique_id=_id(topics, vat.id, suffix),
            content=_of_vat(topics, vat, maker=maker, content=content),
        )
        for suffix, content in (("ph", ph), ("temperature", temperature))
    ]


def _value_template(key: str) -> str:
    return f"{{{{ value_json.{key} if value_json.quality != 'fail' else none }}}}"


def _standing(topics: Topics, vat: VatConfig, *, alarm: AlarmConfig, maker: Maker) -> Message:
    """Return the problem entity of an alarm: its state is retained and must not expire."""
    state = topics.alarm(vat.id, alarm.id)
    content = {
        "name": f"Alarm {kind_words(alarm.kind)}",
        "state_topic": state,
        "value_template": "{{ 'ON' if value_json.standing else 'OFF' }}",
        "device_class": "problem",
        "json_attributes_topic": state,
        **_availability(topics),
    }
    unique_id = _id(topics, vat.id, alarm.id)
    return _config(
        topics, "binary_sensor", unique_id=unique_id, content=_of_vat(topics, vat, maker=maker, content=content)
    )


def _of_vat(topics: Topics, vat: VatConfig, *, maker: Maker, content: Json) -> Json:
    device = _device(_id(topics, vat.id), _name(topics, vat.name), maker=maker)
    return {**content, "device": device, "origin": _origin(maker)}


def _config(topics: Topics, component: str, *, unique_id: str, content: Json) -> Message:
    name = _name(topics, str(content["name"]))
    payload = {**content, "name": name, "unique_id": unique_id, "qos": 1}
    topic = f"{topics.discovery_prefix}/{component}/{unique_id}/config"
    return Message(topic=topic, payload=json_text(payload), retain=True)


def _availability(topics: Topics) -> Json:
    return {
        "availability": [
            {
                "topic": topics.status,
                "value_template": "{{ value_json.status }}",
                "payload_available": "online",
                "payload_not_available": "offline",
            }
        ]
    }


def _device(identifier: str, name: str, *, maker: Maker) -> Json:
    return {
        "identifiers": [identifier],
        "name": name,
        "manufacturer": "vatvigil",
        "model": "Night watch over fermenting vats",
        "sw_version": maker.version,
    }


def _origin(maker: Maker) -> Json:
    help_at = {"support_url": maker.support_url} if maker.support_url else {}
    return {"name": "vatvigil", "sw_version": maker.version, **help_at}


def _id(topics: Topics, *parts: str) -> str:
    return "_".join([topics.node, *(plain(part) for part in parts)])


def _name(topics: Topics, name: str) -> str:
    return f"SIMULATED {name}" if topics.simulated else name
