"""Builds the retained message of an alarm's standing state, and declares its payload and the entity that shows it."""

import math
from typing import Annotated

from msgspec import Meta

from logger.alarm.lifecycle import priority
from logger.config import AlarmConfig, AlarmKind, VatConfig
from logger.measure.conformance import conformance_probability
from logger.model import AlarmState, State
from logger.mqtt.entity import DIAGNOSTIC, Entity, Scope, attributes
from logger.mqtt.messages import Message
from logger.mqtt.payloads import (
    COVERAGE_FACTOR,
    Name,
    Occurrence,
    Payload,
    PayloadKind,
    PhoneLines,
    PriorityWord,
    Probability,
    Simulated,
    StandardUncertainty,
    Time,
    json_text,
    number,
    rfc3339,
)
from logger.mqtt.topics import PATTERNS, Topics
from logger.watch.system import SYSTEM


class AlarmPayload(Payload, frozen=True, kw_only=True):
    """The standing state of an alarm."""

    vat: Annotated[Name | None, Meta(description="null: the system")]
    alarm: Name
    state: State
    standing: Annotated[bool, Meta(description="A person must still see it")]
    occurrence: Occurrence
    since: Time | None
    held: Annotated[bool, Meta(description="Quiet hours hold this occurrence: nobody was told, no event was sent")]
    priority: PriorityWord
    text: Name
    lines: Annotated[
        PhoneLines,
        Meta(
            description="The newest text for a telephone while it stands: what, whether to believe it, what to do first"
        ),
    ]
    value: Annotated[float | None, Meta(description="pH or Celsius that last annunciated, null when not standing")]
    u: StandardUncertainty
    setpoint: Annotated[float | None, Meta(description="pH or Celsius, null for instrument alarms")]
    probability: Annotated[
        Probability | None, Meta(description="That pH is above the setpoint (ph-high), by value and u")
    ]
    simulated: Simulated


KIND = PayloadKind(
    name="alarm",
    form=AlarmPayload,
    topics=(PATTERNS.alarm("<vat>", "<alarm>"), PATTERNS.alarm(SYSTEM, "<alarm>")),
    retained=True,
)


def _topic(scope: Scope) -> str:
    return scope.topics.alarm(scope.vat.id, scope.alarm)


HELD = "held"
"""The state of an alarm at the hub while quiet hours hold it."""
ENTITIES = (
    Entity(
        component="sensor",
        shows="its state: one of the nine, or held by quiet hours",
        content={
            "name": lambda scope: f"Alarm {scope.alarm_words}",
            "icon": "mdi:bell",
            "device_class": "enum",
            "options": [*(state.value for state in State), HELD],
            "state_topic": _topic,
            "value_template": f"{{{{ '{HELD}' if value_json.held else value_json.state }}}}",
            "enabled_by_default": False,
            **DIAGNOSTIC,
            **attributes(
                _topic,
                priority="value_json.priority",
                since="value_json.since",
                occurrence="value_json.occurrence",
                lines="value_json.lines",
            ),
        },
    ),
)
"""Of each alarm. Its state is retained and must not expire."""


def alarm_message(topics: Topics, vat: VatConfig, *, alarm: AlarmConfig, state: AlarmState) -> Message:
    """Return the retained standing state of one alarm; its value is the one that last annunciated."""
    standing = state.shown.is_standing
    content = AlarmPayload(
        vat=None if vat.id == SYSTEM else vat.id,
        alarm=alarm.id,
        state=state.shown,
        standing=standing,
        occurrence=state.occurrence,
        since=rfc3339(state.since_at_us) if state.since_at_us else None,
        held=state.held,
        priority=priority(state, alarm),
        text=_sentence(vat, alarm, state=state),
        lines=state.told.lines if standing and state.told else (),
        value=number(state.value, 4) if standing else None,
        u=number(state.u, 4) if standing else None,
        setpoint=alarm.setpoint,
        probability=_probability(alarm, state) if standing else None,
        simulated=topics.simulated,
    )
    return Message(topic=topics.alarm(vat.id, alarm.id), payload=json_text(content), retain=True)


def _probability(alarm: AlarmConfig, state: AlarmState) -> float | None:
    """Return that pH was above the setpoint when it annunciated, by its value and u; None of other kinds."""
    if alarm.kind is not AlarmKind.PH_HIGH or state.value is None or state.u is None or alarm.setpoint is None:
        return None
    return number(conformance_probability(state.value, state.u, low=alarm.setpoint), 4)


def _sentence(vat: VatConfig, alarm: AlarmConfig, *, state: AlarmState) -> str:
    what = f"{vat.name}: {alarm.kind.row.title} ({state.shown.value.replace('-', ' ')})"
    if not state.shown.is_standing or state.value is None or not math.isfinite(state.value):
        return f"{what}."
    unit = alarm.kind.row.unit or ""
    spread = "" if state.u is None or not math.isfinite(state.u) else f" (U {COVERAGE_FACTOR * state.u:.2f}, k = 2)"
    limit = "" if alarm.setpoint is None else f", setpoint {alarm.setpoint:.2f}{unit}"
    return f"{what}: {state.value:.2f}{unit}{spread}{limit}."
