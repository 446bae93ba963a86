"""Declares what an entity of the hub is, and builds the message that announces it.

Law: pure. One entity, one retained topic `<prefix>/<component>/<unique_id>/config`; ids hold only letters, digits, -
and _; what is simulated says so in its id, its name and its device's name. Keys as documented for the hub's MQTT
discovery: https://www.home-assistant.io/integrations/mqtt/ and its pages for each component (also read by other hubs).

An entity follows the ids of its vat and alarm, never their names: a new name keeps id and history. For the id that
people see both `object_id` and `default_entity_id` are sent: older cores know the one, newer ones warn without the
other. The form with one topic a device is not sent: older cores do not read it.
"""

import re
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from logger.config import AlarmConfig, VatConfig
from logger.mqtt.messages import Message
from logger.mqtt.payloads import Name, Payload, PayloadKind, json_text
from logger.mqtt.topics import PATTERNS, Topics, plain
from logger.structs import Struct, field
from logger.watch.system import SYSTEM


class Scope(Struct, frozen=True, kw_only=True):
    """What an entity is announced for: the watch, a vat, or an alarm of a vat or of the system."""

    topics: Topics
    vat: VatConfig
    """Of the watch and of the system's alarms: the system."""
    id_parts: tuple[str, ...]
    """The parts of the entity's id between the installation's and its own."""
    stale_s: int = 0
    """A measurement of the vat, or a heartbeat, is stale after so many real seconds."""
    alarm: str = ""
    """The id of the alarm."""
    alarm_words: str = ""
    occurrence: int = 0
    """The one of the alarm that stands now; 0: none."""
    occurrences: Mapping[str, int] = field(default_factory=dict)
    """Those that stand unacknowledged now, by alarm."""


Value = str | int | float | bool | list[str] | Callable[[Scope], str | int]
"""Of a key of an announcement: fixed, or computed for what the entity is announced for."""
DIAGNOSTIC: Mapping[str, Value] = {"entity_category": "diagnostic"}


def _every(_vat: VatConfig) -> bool:
    return True


def is_main(vat: VatConfig) -> bool:
    """Tell whether a vat is no second probe of another: what a person says, and what stands, is of the vat itself."""
    return not vat.reference_of


class Entity(Struct, frozen=True, kw_only=True):
    """A row of an entity: it stands beside the payload that it shows, or the command that it sends."""

    component: str
    key: tuple[str, ...] = ()
    """Ends the entity's unique id; empty: the alarm's id does."""
    seen_as: str = ""
    """Ends the id that people see, where that is not the key."""
    shows: str
    """For the help: what it shows or sends, in a clause."""
    content: Mapping[str, Value]
    """Its name and its other keys, in the order of the wire."""
    is_of: Callable[[VatConfig], bool] = _every
    """Which vats have it."""
    is_always_available: bool = False

    @property
    def last_parts(self) -> tuple[str, ...]:
        """Return the last parts of the id that people see."""
        return (self.seen_as,) if self.seen_as else self.key


def attributes(topic: Callable[[Scope], str], **values: str) -> Mapping[str, Value]:
    """Return the keys that show these expressions of a payload as attributes, each under its name.

    The hub drops or covers one that is named `state`, `icon`, `friendly_name`, `device_class`, `unit_of_measurement`,
    `available`, `entity_category` or `options`. It stores a row whenever one changes: none may hold an age.
    """
    pairs = ", ".join(f"'{name}': {expression}" for name, expression in values.items())
    return {"json_attributes_topic": topic, "json_attributes_template": f"{{{{ {{{pairs}}} | tojson }}}}"}


EntityId = Annotated[str, Meta(pattern="^[a-zA-Z0-9_-]+$")]


class DevicePayload(Payload, frozen=True, kw_only=True):
    """The device of an entity: a vat, or the watch itself."""

    identifiers: Annotated[tuple[EntityId, ...], Meta(min_length=1)]
    name: str
    manufacturer: str
    model: str
    sw_version: str
    via_device: Annotated[EntityId, Meta(description="The watch, of a vat")] | UnsetType = UNSET


class OriginPayload(Payload, frozen=True, kw_only=True):
    """The software that announces an entity."""

    name: str
    sw_version: str
    support_url: Annotated[str, Meta(extra_json_schema={"format": "uri"})] | UnsetType = UNSET


class AvailabilityPayload(msgspec.Struct, kw_only=True):
    """Where the watch says whether it is there."""

    topic: str
    value_template: str = "{{ value_json.status }}"
    payload_available: str = "online"
    payload_not_available: str = "offline"


class DiscoveryPayload(msgspec.Struct, kw_only=True):
    """An entity for the hub; its other keys are those of its component, as the hub documents them."""

    unique_id: EntityId
    object_id: Annotated[str, Meta(pattern="^[a-z0-9_]+$", description="Ends the id that people see")]
    default_entity_id: Annotated[str, Meta(pattern="^[a-z_]+[.][a-z0-9_]+$", description="The same for newer hubs")]
    name: Name
    qos: Literal[1]
    device: DevicePayload
    origin: OriginPayload
    availability: Annotated[tuple[AvailabilityPayload, ...], Meta(min_length=1)] | UnsetType = UNSET
    state_topic: str | UnsetType = UNSET
    command_topic: str | UnsetType = UNSET


KIND = PayloadKind(
    name="discovery",
    form=DiscoveryPayload,
    topics=(f"{PATTERNS.discovery_prefix}/<component>/<unique_id>/config",),
    more={"anyOf": [{"required": ["state_topic"]}, {"required": ["command_topic"]}]},
    retained=True,
)


class Software(Struct, frozen=True, kw_only=True):
    """Who announces: the distribution's version and where its users find help (None: nowhere public)."""

    version: str
    support_url: str | None = None


_OF_WATCH = ("acknowledge_all",)
"""Ends of unique ids of the watch that look like those of a vat; no id of a vat holds an underscore."""


class EntityFactory(Struct, frozen=True, kw_only=True):
    """Builds the messages that announce entities."""

    topics: Topics
    software: Software

    def message(self, entity: Entity, scope: Scope) -> Message:
        """Return the announcement of an entity."""
        content = {key: value(scope) if callable(value) else value for key, value in entity.content.items()}
        unique_id = "_".join([self.topics.node, *map(plain, (*scope.id_parts, *entity.key))])
        payload = {
            **content,
            "name": self._name(str(content["name"])),
            **({} if entity.is_always_available else {"availability": [self._availability()]}),
            "device": self._device(scope.vat),
            "unique_id": unique_id,
            **self._seen_id(entity, scope),
            "qos": 1,
            "origin": self._origin(),
        }
        topic = f"{self.topics.discovery_prefix}/{entity.component}/{unique_id}/config"
        return Message(topic=topic, payload=json_text(payload), retain=True)

    def device_of(self, unique_id: str) -> str | None:
        """Return the identifier of the device of an entity by the entity's unique id; None: it is not of this node."""
        rest = unique_id.removeprefix(f"{self.topics.node}_")
        vat, _, more = rest.partition("_")
        if rest == unique_id:
            return None
        return self.topics.node if not more or vat == SYSTEM or rest in _OF_WATCH else f"{self.topics.node}_{vat}"

    def _seen_id(self, entity: Entity, scope: Scope) -> Mapping[str, Any]:
        object_id = entity_slug(self.topics.node, *scope.id_parts, *entity.last_parts)
        return {"object_id": object_id, "default_entity_id": f"{entity.component}.{object_id}"}

    def _availability(self) -> AvailabilityPayload:
        return AvailabilityPayload(topic=self.topics.status)

    def _device(self, vat: VatConfig) -> DevicePayload:
        is_watch = vat.id == SYSTEM
        return DevicePayload(
            identifiers=(self.topics.node if is_watch else f"{self.topics.node}_{plain(vat.id)}",),
            name=self._name("Vat watch" if is_watch else vat.name),
            manufacturer="vatvigil",
            model="Night watch over fermenting vats",
            sw_version=self.software.version,
            via_device=UNSET if is_watch else self.topics.node,
        )

    def _origin(self) -> OriginPayload:
        return OriginPayload(
            name="vatvigil", sw_version=self.software.version, support_url=self.software.support_url or UNSET
        )

    def _name(self, name: str) -> str:
        return f"SIMULATED {name}" if self.topics.simulated else name


def entity_slug(*parts: str) -> str:
    """Return the id that people see: small letters, digits and single underscores, as the hub would make it."""
    return re.sub(r"[^a-z0-9]+", "_", "_".join(parts).lower()).strip("_")


def alarm_words(vat: VatConfig, alarm: AlarmConfig) -> str:
    """Say what an alarm watches; where two of a vat watch the same, its id tells them apart."""
    is_alone = sum(other.kind is alarm.kind for other in vat.alarms) == 1
    return alarm.kind.row.title if is_alone else f"{alarm.kind.row.title} ({alarm.id})"
