"""What every entity of the hub has in common: where it is announced, whose device it is, when it is available.

Law: pure. One entity, one retained topic `<prefix>/<component>/<unique_id>/config`; ids hold only letters, digits, -
and _; what is simulated says so in its id, its name and its device's name. Only the connectivity entity goes without
availability: it must be able to say 'off'.

Attributes that a hub drops or covers (tried on real ones): `state`, `icon`, `friendly_name`, `device_class`,
`unit_of_measurement`, `available`, `entity_category`, `options`. So a standing state is `how` there.
"""

from dataclasses import dataclass

from logger.config import AlarmConfig, VatConfig
from logger.mqtt.messages import Message
from logger.mqtt.payloads import json_text, kind_words
from logger.mqtt.topics import Topics, plain
from logger.watch.system import SYSTEM

Json = dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Software:
    """Who announces: the distribution's version and where its users find help (None: nowhere public)."""

    version: str
    support_url: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EntityFactory:
    """Makes the messages that announce entities."""

    topics: Topics
    maker: Software

    def of_vat(self, vat: VatConfig, component: str, *parts: str, **content: object) -> Message:
        """Return the announcement of an entity of a vat's device; `parts` name it beside the vat."""
        device = self._watch() if vat.id == SYSTEM else self._device(self._id(vat.id), vat.name)
        return self._message(component, self._id(vat.id, *parts), {**content, **self._availability(), "device": device})

    def of_watch(self, component: str, *parts: str, **content: object) -> Message:
        """Return the announcement of an entity of the watch's own device."""
        return self._message(component, self._id(*parts), {**content, **self._availability(), "device": self._watch()})

    def connectivity(self) -> Message:
        """Return the announcement of the entity that tells of silence."""
        content: Json = {
            "name": "Watch",
            "state_topic": self.topics.status,
            "value_template": "{{ value_json.status }}",
            "payload_on": "online",
            "payload_off": "offline",
            "device_class": "connectivity",
            "device": self._watch(),
        }
        return self._message("binary_sensor", self._id("watch"), content)

    def _message(self, component: str, unique_id: str, content: Json) -> Message:
        name = self._name(str(content["name"]))
        payload = {**content, "name": name, "unique_id": unique_id, "qos": 1, "origin": self._origin()}
        topic = f"{self.topics.discovery_prefix}/{component}/{unique_id}/config"
        return Message(topic=topic, payload=json_text(payload), retain=True)

    def _availability(self) -> Json:
        online = {
            "topic": self.topics.status,
            "value_template": "{{ value_json.status }}",
            "payload_available": "online",
            "payload_not_available": "offline",
        }
        return {"availability": [online]}

    def _watch(self) -> Json:
        return self._device(self.topics.node, "Vat watch")

    def _device(self, identifier: str, name: str) -> Json:
        return {
            "identifiers": [identifier],
            "name": self._name(name),
            "manufacturer": "vatvigil",
            "model": "Night watch over fermenting vats",
            "sw_version": self.maker.version,
        }

    def _origin(self) -> Json:
        help_at = {"support_url": self.maker.support_url} if self.maker.support_url else {}
        return {"name": "vatvigil", "sw_version": self.maker.version, **help_at}

    def _id(self, *parts: str) -> str:
        return "_".join([self.topics.node, *(plain(part) for part in parts)])

    def _name(self, name: str) -> str:
        return f"SIMULATED {name}" if self.topics.simulated else name


def alarm_words(vat: VatConfig, alarm: AlarmConfig) -> str:
    """Say what an alarm watches; where two of a vat watch the same, its id tells them apart."""
    is_alone = sum(other.kind is alarm.kind for other in vat.alarms) == 1
    return kind_words(alarm.kind) if is_alone else f"{kind_words(alarm.kind)} ({alarm.id})"
