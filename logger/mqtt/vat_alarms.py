"""Builds the retained message of what stands of all alarms of a vat, and declares its payload and its entities.

Law: pure; sent only when something in it changes, so it holds absolute times and no ages. Its state is retained and
must not expire. What a person must still answer counts as unacknowledged, also once it has returned; what quiet hours
hold does not, for nobody is to be woken by it. The alarms of a second probe stand here with those of its vat.

An event is lost by a hub that is away for seconds, and newer ones are after each restart of the broker: this message
then brings what stands.
"""

from collections.abc import Iterable, Iterator, Mapping
from enum import StrEnum
from typing import Annotated

from msgspec import Meta

from logger.alarm.lifecycle import priority
from logger.config import AlarmConfig, Priority, VatConfig
from logger.model import AlarmState, State
from logger.mqtt.entity import DIAGNOSTIC, Entity, Scope, Value, attributes, is_main
from logger.mqtt.messages import Message
from logger.mqtt.payloads import (
    Name,
    Occurrence,
    Payload,
    PayloadKind,
    PhoneLines,
    PriorityWord,
    Simulated,
    Time,
    json_text,
    rfc3339_or_none,
)
from logger.mqtt.topics import PATTERNS, Topics
from logger.structs import Struct
from logger.watch.system import SYSTEM


class Worst(StrEnum):
    """How the worst alarm of a vat stands, the least first."""

    NONE = "none"
    SHELVED = "shelved"
    """A person silenced it: shelved, or out of service."""
    ACKNOWLEDGED = "acknowledged"
    HELD = "held"
    """Quiet hours hold it: it is told when they end."""
    UNACKNOWLEDGED = "unacknowledged"


_WORST: Mapping[State, Worst] = {
    State.NORMAL: Worst.NONE,
    State.SUPPRESSED: Worst.NONE,
    State.SHELVED: Worst.SHELVED,
    State.OUT_OF_SERVICE: Worst.SHELVED,
    State.ACKNOWLEDGED: Worst.ACKNOWLEDGED,
    State.LATCHED_ACKNOWLEDGED: Worst.ACKNOWLEDGED,
    State.UNACKNOWLEDGED: Worst.UNACKNOWLEDGED,
    State.RETURNED: Worst.UNACKNOWLEDGED,
    State.LATCHED_UNACKNOWLEDGED: Worst.UNACKNOWLEDGED,
}
_TO_ANSWER = (Worst.HELD, Worst.UNACKNOWLEDGED)
_URGENCY, _BADNESS = list(Priority)[::-1], list(Worst)

AlarmName = Annotated[
    str,
    Meta(min_length=1, description="Its id; of a second probe after the name of its watch: `marrow-reference/blind`"),
]


class StandingAlarmPayload(Payload, frozen=True, kw_only=True):
    """An alarm that stands, or that a person silenced."""

    alarm: AlarmName
    how: Annotated[State, Meta(description="Its state")]
    held: bool
    priority: PriorityWord
    occurrence: Occurrence
    since: Time | None


class AlarmsPayload(Payload, frozen=True, kw_only=True):
    """What stands of all alarms of a vat, or of the system."""

    vat: Annotated[Name | None, Meta(description="null: the system")]
    worst: Annotated[
        Worst, Meta(description="unacknowledged also once it has returned; held: quiet hours hold it, nobody was told")
    ]
    priority: Annotated[PriorityWord | None, Meta(description="The highest of those that stand so; null: none stands")]
    since: Annotated[Time | None, Meta(description="RFC 3339, UTC: of the newest of these")]
    lines: Annotated[PhoneLines, Meta(description="The newest text of that one for a telephone")]
    stands: tuple[StandingAlarmPayload, ...]
    occurrences: Annotated[
        Mapping[str, Annotated[int, Meta(ge=1)]],
        Meta(description="Those that wait to be acknowledged, by alarm: send them to `command/<vat>/acknowledge`"),
    ]
    simulated: Simulated


KIND = PayloadKind(
    name="alarms",
    form=AlarmsPayload,
    topics=(PATTERNS.alarms("<vat>"), PATTERNS.alarms(SYSTEM)),
    retained=True,
)


def _topic(scope: Scope) -> str:
    return scope.topics.alarms(scope.vat.id)


def _worst(name: str) -> Mapping[str, Value]:
    return {
        "name": name,
        "device_class": "enum",
        "options": [worst.value for worst in Worst],
        "icon": "mdi:bell-alert",
        "state_topic": _topic,
        "value_template": "{{ value_json.worst }}",
        **attributes(
            _topic,
            priority="value_json.priority",
            since="value_json.since",
            lines="value_json.lines",
            stands="value_json.stands",
            occurrences="value_json.occurrences",
        ),
    }


ENTITIES = (
    Entity(
        component="sensor",
        key=("worst_alarm",),
        shows="how the worst alarm stands; attributes: its lines, all that stands",
        content=_worst("Worst alarm"),
        is_of=is_main,
    ),
    Entity(
        component="binary_sensor",
        key=("problem",),
        shows="on while an alarm waits to be acknowledged",
        content={
            "name": "Problem",
            "device_class": "problem",
            "state_topic": _topic,
            "value_template": f"{{{{ 'ON' if value_json.worst == '{Worst.UNACKNOWLEDGED}' else 'OFF' }}}}",
        },
        is_of=is_main,
    ),
)
WATCH_ENTITIES = (
    Entity(
        component="sensor",
        key=("system_alarms",),
        shows="how the worst alarm of the watch itself stands",
        content={**_worst("System alarms"), **DIAGNOSTIC},
    ),
)


class _Standing(Struct, frozen=True):
    """An alarm that is not silent by itself, and how it stands."""

    name: str
    config: AlarmConfig
    state: AlarmState

    @property
    def worst(self) -> Worst:
        worst = _WORST[self.state.shown]
        return Worst.HELD if self.state.held and worst is Worst.UNACKNOWLEDGED else worst

    @property
    def priority(self) -> Priority:
        return priority(self.state, self.config)

    @property
    def rank(self) -> tuple[int, int, int]:
        """Return by what the worst is found: how it stands, its priority, the newest."""
        return _BADNESS.index(self.worst), _URGENCY.index(self.priority), self.state.since_at_us

    @property
    def payload(self) -> StandingAlarmPayload:
        return StandingAlarmPayload(
            alarm=self.name,
            how=self.state.shown,
            held=self.state.held,
            priority=self.priority,
            occurrence=self.state.occurrence,
            since=rfc3339_or_none(self.state.since_at_us or None),
        )


Watched = tuple[VatConfig, Mapping[str, AlarmState]]
"""A watch, and the states of its alarms."""


def alarms_payload(vat: VatConfig, watches: Iterable[Watched], *, simulated: bool) -> AlarmsPayload:
    """Return what stands of a vat (or the system): of its own watch and of that over its second probe."""
    standing = [one for watch, states in watches for one in _standing(watch, states)]
    worst = max(standing, key=lambda one: one.rank, default=None)
    return AlarmsPayload(
        vat=None if vat.id == SYSTEM else vat.id,
        worst=worst.worst if worst else Worst.NONE,
        priority=worst.priority if worst else None,
        since=worst.payload.since if worst else None,
        lines=worst.state.told.lines if worst and worst.state.told else (),
        stands=tuple(one.payload for one in standing),
        occurrences={one.name: one.state.occurrence for one in standing if one.worst in _TO_ANSWER},
        simulated=simulated,
    )


def alarms_message(topics: Topics, vat: VatConfig, content: AlarmsPayload) -> Message:
    """Return the retained message."""
    return Message(topic=topics.alarms(vat.id), payload=json_text(content), retain=True)


def _standing(vat: VatConfig, states: Mapping[str, AlarmState]) -> Iterator[_Standing]:
    for alarm in vat.alarms:
        state = states.get(alarm.id, AlarmState())
        if _WORST[state.shown] is not Worst.NONE:
            yield _Standing(f"{vat.id}/{alarm.id}" if vat.reference_of else alarm.id, alarm, state)
