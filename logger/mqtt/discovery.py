"""What tells a home-automation hub which entities exist: retained JSON, one topic an entity.

Law: pure; the component form. A standing alarm never expires at the hub, a measurement always does; a hub that was
away reads retained topics and is at the present truth. Keys as documented for the hub's MQTT discovery:
https://www.home-assistant.io/integrations/mqtt/ and its pages for each component (also read by other hubs).

The buttons of an alarm carry the occurrence in their payload and are announced anew at each annunciation, so a late
press cannot silence the next occurrence. Topics that the broker retains for us are remembered in the store; what left
the configuration is cleared at the next start.
"""

import math
from collections.abc import Iterable, Iterator, Mapping

from logger.config import AlarmConfig, Config, VatConfig
from logger.model import Belief, Health
from logger.mqtt import controls
from logger.mqtt.entity import EntityFactory, Json, alarm_words
from logger.mqtt.messages import Message
from logger.mqtt.payloads import EVENT_CAUSES
from logger.watch import system

HOW = "how"
"""What a standing state is called among the attributes: the hub drops or covers one that is named `state`, `icon`,
`friendly_name`, `device_class`, `unit_of_measurement`, `available`, `entity_category` or `options`."""
POLLS_UNTIL_STALE = 3
"""A measurement older than this many polls is stale at the hub [CP]."""
_SHORTEST_STALE_S = 3


def announcements(config: Config, frame: EntityFactory, *, occurrences: Mapping[str, int]) -> list[Message]:
    """Return all discovery messages; `occurrences`: the one now standing, by `<vat>/<alarm>` (absent: 0).

    Empty where the configuration names no discovery prefix.
    """
    if frame.topics.discovery_prefix is None:
        return []
    found = [frame.connectivity(), _system_events(frame)]
    for vat in config.vats:
        found += _sensors(frame, vat, stale_s=stale_s(config, vat))
        found += [_health(frame, vat), _events(frame, vat), *_target(frame, vat)]
        found += [] if vat.reference_of else controls.of_vat(frame, vat)  # what a person says is of the vat itself
    for vat in (*config.vats, system.vat_of(config)):
        for alarm in vat.alarms:
            found.append(_standing(frame, vat, alarm))
            occurrence = occurrences.get(f"{vat.id}/{alarm.id}", 0)
            found += controls.of_alarm(frame, vat, alarm, occurrence=occurrence)
    return found


def stale_s(config: Config, vat: VatConfig) -> int:
    """Return after how many real seconds a vat's measurement is stale at the hub."""
    speed = config.simulation.speed if config.simulation else 1.0
    return max(_SHORTEST_STALE_S, math.ceil(POLLS_UNTIL_STALE * config.probe(vat.probe).poll_s / speed))


def ghosts(old: Iterable[str], new: Iterable[str]) -> list[Message]:
    """Return the empty retained messages that remove what was retained once and is configured no more."""
    gone = set(old) - set(new)
    return [Message(topic=topic, payload="", retain=True) for topic in sorted(gone)]


def retained(messages: Iterable[Message]) -> list[str]:
    """Return the topics that must be remembered to find `ghosts` at a later start."""
    return sorted({message.topic for message in messages if message.retain and message.payload})


def _sensors(frame: EntityFactory, vat: VatConfig, *, stale_s: int) -> Iterator[Message]:
    """Yield pH (the hub's class has no unit), its U, temperature, verdict; pH that is not believed shows as unknown."""
    state = frame.topics.measurement(vat.id)
    common: Json = {"state_topic": state, "state_class": "measurement", "expire_after": stale_s}
    ph: Json = {"device_class": "ph", "suggested_display_precision": 2, "json_attributes_topic": state}
    yield frame.of_vat(vat, "sensor", "ph", name="pH", value_template=_believed("ph"), **ph, **common)
    u: Json = {"suggested_display_precision": 2, "entity_category": "diagnostic"}
    template = _believed("expanded_uncertainty_ph")
    yield frame.of_vat(vat, "sensor", "u", name="Uncertainty of pH (k = 2)", value_template=template, **u, **common)
    warm: Json = {"device_class": "temperature", "unit_of_measurement": "°C", "suggested_display_precision": 1}
    template = "{{ value_json.temperature_c if value_json.quality != 'fail' else none }}"
    yield frame.of_vat(vat, "sensor", "temperature", name="Temperature", value_template=template, **warm, **common)
    said: Json = {"state_topic": state, "expire_after": stale_s}  # never unknown: it says why there is no pH
    yield frame.of_vat(
        vat, "sensor", "verdict", name="Verdict", value_template="{{ value_json.verdict[:255] }}", **said
    )


def _believed(key: str) -> str:
    return f"{{{{ value_json.{key} if value_json.belief == '{Belief.BELIEVED.word}' else none }}}}"


def _standing_attributes(topic: str) -> Json:
    """Return the keys that show a payload as attributes, its `state` also under a name that the hub keeps."""
    template = f"{{{{ dict(value_json, {HOW}=value_json.state) | tojson }}}}"
    return {"json_attributes_topic": topic, "json_attributes_template": template}


def _health(frame: EntityFactory, vat: VatConfig) -> Message:
    """Return the condition of the vat's probe, retained, with its findings as attributes."""
    state = frame.topics.health(vat.probe)
    return frame.of_vat(
        vat,
        "sensor",
        "probe",
        name="Probe",
        state_topic=state,
        value_template="{{ value_json.status }}",
        device_class="enum",
        options=[status.value for status in Health],
        json_attributes_topic=state,
        entity_category="diagnostic",
    )


def _target(frame: EntityFactory, vat: VatConfig) -> list[Message]:
    """Return whether the target is shown, and the sentence; retained, so neither expires."""
    if vat.target is None:
        return []
    state = frame.topics.target(vat.id)
    shown = "{{ 'ON' if value_json.state == 'shown' and not value_json.above_again else 'OFF' }}"
    probability = "{{ (100 * value_json.conformance_probability) | round(1) if value_json.believed else none }}"
    common = {"state_topic": state, **_standing_attributes(state)}
    chance = {"unit_of_measurement": "%", "value_template": probability, "suggested_display_precision": 1}
    return [
        frame.of_vat(vat, "binary_sensor", "target", name="Target measured", value_template=shown, **common),
        frame.of_vat(vat, "sensor", "target_probability", name="Target probability", **chance, **common),
    ]


def _standing(frame: EntityFactory, vat: VatConfig, alarm: AlarmConfig) -> Message:
    """Return the problem entity of an alarm: its state is retained and must not expire."""
    state = frame.topics.alarm(vat.id, alarm.id)
    return frame.of_vat(
        vat,
        "binary_sensor",
        alarm.id,
        name=f"Alarm {alarm_words(vat, alarm)}",
        state_topic=state,
        value_template="{{ 'ON' if value_json.standing else 'OFF' }}",
        device_class="problem",
        **_standing_attributes(state),
    )


def _events(frame: EntityFactory, vat: VatConfig) -> Message:
    """Return the momentary signal of a vat; a hub ignores it while it is down, so the standing alarms are the truth."""
    return frame.of_vat(vat, "event", "event", name="Event", **_signal(frame.topics.event(vat.id)))


def _system_events(frame: EntityFactory) -> Message:
    return frame.of_watch("event", "event", name="Event", **_signal(frame.topics.event("")))


def _signal(topic: str) -> Json:
    return {
        "state_topic": topic,
        "event_types": [cause.value for cause in EVENT_CAUSES],
        "value_template": "{{ dict(value_json, event_type=value_json.cause) | tojson }}",
    }
