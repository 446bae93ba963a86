"""Announces to a home-automation hub which entities exist: retained JSON, one topic an entity.

Law: pure; the entities are rows that stand beside the payloads they show. A standing alarm never expires at the hub, a
measurement always does; a hub that was away reads retained topics and is at the present truth. What matters each day is
a small set a vat; the entities of each single alarm exist, disabled, for who wants them.

The buttons that acknowledge are announced anew whenever what stands changes, after the state that shows it and the
event that tells it: a hub without templates sends what was announced. Topics that the broker retains for us are
remembered in the store; what left the configuration is cleared (`removed.py`).
"""

import math
from collections.abc import Iterable, Mapping, Sequence

from logger.config import AlarmConfig, Config, VatConfig
from logger.mqtt import alarm_state, controls, event, forecast, health, measurement, status, target, vat_alarms
from logger.mqtt.entity import Entity, EntityFactory, Scope, alarm_words
from logger.mqtt.messages import Message
from logger.watch import system

OF_WATCH = (*status.ENTITIES, *vat_alarms.WATCH_ENTITIES, *controls.WATCH_ENTITIES)
OF_VAT = (
    *measurement.ENTITIES,
    *vat_alarms.ENTITIES,
    *event.ENTITIES,
    *health.ENTITIES,
    *target.ENTITIES,
    *forecast.ENTITIES,
    *controls.ENTITIES,
)
OF_ALARM = (*alarm_state.ENTITIES, *controls.ALARM_ENTITIES)
POLLS_UNTIL_STALE = 3
"""A measurement older than this many polls is stale at the hub (common practice, no source)."""
BEATS_UNTIL_STALE, _BEAT_MARGIN_S = 2, 10
"""A heartbeat is missed after two beats and a margin for the way (common practice, no source)."""
_SHORTEST_STALE_S = 3


def announcements(config: Config, factory: EntityFactory, *, occurrences: Mapping[str, int]) -> list[Message]:
    """Return all discovery messages; `occurrences`: the one now standing, by `<vat>/<alarm>` (absent: 0).

    The watch comes first: the vats name its device. Empty where the configuration names no discovery prefix.
    """
    if factory.topics.discovery_prefix is None:
        return []
    own = system.vat_of(config)
    messages = _messages(factory, OF_WATCH, _watch_scope(config, factory))
    for vat in config.vats:
        scope = Scope(topics=factory.topics, vat=vat, id_parts=(vat.id,), stale_s=stale_s(config, vat))
        messages += _messages(factory, OF_VAT, scope)
    for vat in (*config.vats, own):
        for alarm in vat.alarms:
            occurrence = occurrences.get(f"{vat.id}/{alarm.id}", 0)
            messages += _messages(factory, OF_ALARM, _alarm_scope(factory, vat, alarm, occurrence=occurrence))
    return messages


def alarm_buttons(factory: EntityFactory, vat: VatConfig, alarm: AlarmConfig, *, occurrence: int) -> list[Message]:
    """Return the buttons that acknowledge and shelve `occurrence`; send them anew at each annunciation."""
    return _messages(factory, controls.ALARM_ENTITIES, _alarm_scope(factory, vat, alarm, occurrence=occurrence))


def acknowledge_all(factory: EntityFactory, vat: VatConfig, occurrences: Mapping[str, int]) -> list[Message]:
    """Return the button that acknowledges all these of a vat, or of the system."""
    is_system = vat.id == system.SYSTEM
    id_parts = () if is_system else (vat.id,)
    scope = Scope(topics=factory.topics, vat=vat, id_parts=id_parts, occurrences=occurrences)
    return _messages(factory, controls.WATCH_ENTITIES if is_system else (controls.ACKNOWLEDGE_ALL,), scope)


def _watch_scope(config: Config, factory: EntityFactory) -> Scope:
    beat_s = config.mqtt.heartbeat_s if config.mqtt else 0.0
    stale = math.ceil(BEATS_UNTIL_STALE * beat_s) + _BEAT_MARGIN_S
    return Scope(topics=factory.topics, vat=system.vat_of(config), id_parts=(), stale_s=stale)


def _alarm_scope(factory: EntityFactory, vat: VatConfig, alarm: AlarmConfig, *, occurrence: int) -> Scope:
    return Scope(
        topics=factory.topics,
        vat=vat,
        id_parts=(vat.id, "alarm", alarm.id),
        alarm=alarm.id,
        alarm_words=alarm_words(vat, alarm),
        occurrence=occurrence,
    )


def _messages(factory: EntityFactory, entities: Sequence[Entity], scope: Scope) -> list[Message]:
    return [factory.message(entity, scope) for entity in entities if entity.is_of(scope.vat)]


def stale_s(config: Config, vat: VatConfig) -> int:
    """Return after how many real seconds a vat's measurement is stale at the hub."""
    speed = config.simulation.speed if config.simulation else 1.0
    return max(_SHORTEST_STALE_S, math.ceil(POLLS_UNTIL_STALE * config.probe(vat.probe).poll_s / speed))


def retained(messages: Iterable[Message]) -> list[str]:
    """Return the topics that must be remembered to clear what leaves the configuration by a later start."""
    return sorted({message.topic for message in messages if message.retain and message.payload})
