"""Builds the status (also the will) and the heartbeat of the watch, and declares the entity that tells of silence."""

from collections.abc import Mapping
from typing import Annotated, Literal

from msgspec import Meta

from logger.mqtt.entity import DIAGNOSTIC, Entity
from logger.mqtt.messages import Message
from logger.mqtt.payloads import Count, Payload, PayloadKind, Simulated, Time, json_text, rfc3339
from logger.mqtt.topics import PATTERNS, Topics

StoreId = Annotated[str, Meta(description="Tells the store whose watch this is from every other")]
Seconds = Annotated[float, Meta(ge=0)]


class StatusPayload(Payload, frozen=True, kw_only=True):
    """Whether the watch is there; offline is also the will."""

    status: Literal["online", "offline"]
    store: StoreId
    simulated: Simulated


class OutboxPayload(Payload, frozen=True, kw_only=True):
    """What waits for the broker."""

    waiting: Annotated[Count, Meta(description="Events not yet accepted by the broker")]
    oldest_age_s: Seconds | None


class HeartbeatPayload(Payload, frozen=True, kw_only=True):
    """How old what the watch knows is, and what waits for the broker."""

    at: Time
    store: StoreId
    believed_age_s: Annotated[
        Mapping[str, Seconds | None],
        Meta(description="By vat: age (s) of the newest believed reading, null: there was none"),
    ]
    outbox: OutboxPayload
    simulated: Simulated


STATUS = PayloadKind(
    name="status",
    form=StatusPayload,
    topics=(PATTERNS.status,),
    retained=True,
)
HEARTBEAT = PayloadKind(
    name="heartbeat",
    form=HeartbeatPayload,
    topics=(PATTERNS.heartbeat,),
)
ENTITIES = (
    Entity(
        component="binary_sensor",
        key=("heartbeat",),
        shows="on; unavailable when nothing was heard for two beats, and when the broker says that the watch is gone",
        content={
            "name": "Heartbeat",
            "device_class": "connectivity",
            **DIAGNOSTIC,
            "state_topic": lambda scope: scope.topics.heartbeat,
            "value_template": "ON",
            "expire_after": lambda scope: scope.stale_s,
        },
    ),
)
"""A beat as a state of its own would store a row each minute."""


def status_message(topics: Topics, *, online: bool, store: str) -> Message:
    """Return the availability message; the one with `online` False is also the will. `store`: whose watch it is."""
    content = StatusPayload(status="online" if online else "offline", store=store, simulated=topics.simulated)
    return Message(topic=topics.status, payload=json_text(content), retain=True)


def heartbeat_message(
    topics: Topics,
    *,
    at_us: int,
    store: str,
    believed_age_s: Mapping[str, float | None],
    waiting: int,
    oldest_at_us: int | None,
) -> Message:
    """Return the heartbeat: by vat the age (s) of its newest believed reading, and what waits in the outbox."""
    oldest_age_s = None if oldest_at_us is None else max(0.0, (at_us - oldest_at_us) / 1e6)
    content = HeartbeatPayload(
        at=rfc3339(at_us),
        store=store,
        believed_age_s=believed_age_s,
        outbox=OutboxPayload(waiting=waiting, oldest_age_s=oldest_age_s),
        simulated=topics.simulated,
    )
    return Message(topic=topics.heartbeat, payload=json_text(content))
