"""Builds the outbox events of journal entries, and declares their payload and the entities that signal them.

Law: pure. A hub ignores an event while it is down, so the standing states are the truth, not the events.
"""

from collections.abc import Callable, Iterable, Mapping
from hashlib import blake2s
from typing import Annotated

import msgspec
from msgspec import Meta

from logger.config import Priority
from logger.model import Cause, Digest, Entry, Event, State, VatFacts
from logger.mqtt.entity import Entity, is_main
from logger.mqtt.payloads import (
    Count,
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
    rfc3339_or_none,
)
from logger.mqtt.topics import PATTERNS
from logger.structs import Struct

_NOT_WORTH_AN_EVENT = {Cause.DELAY_RESTARTED, Cause.NOTED, Cause.RUN_STARTED, Cause.TESTED, Cause.ARCHIVED}
EVENT_CAUSES = tuple(cause for cause in Cause if cause not in _NOT_WORTH_AN_EVENT)
"""The causes of entries that make an event."""
_ONCE_A_RECORD = {
    Cause.ANNUNCIATED,
    Cause.RETURNED,
    Cause.ACKNOWLEDGED,
    Cause.RESET,
    Cause.REMINDER,
    Cause.REALARM,
    Cause.RAISED,
    Cause.RELEASED,
}

NewestBelievedPh = Annotated[float | None, Meta(description="The newest believed reading")]
UOfThat = Annotated[float | None, Meta(description="Its standard uncertainty (k = 1)")]
Times = Annotated[int, Meta(ge=1)]


class FactsPayload(Payload, frozen=True, kw_only=True):
    """What was known of the vat then."""

    believed: bool
    belief: Annotated[str, Meta(description="Why, or why not")]
    ph: NewestBelievedPh
    u: UOfThat
    ph_at: Time | None
    deadline_at: Annotated[
        Time | None, Meta(description="When the target of the batch is due, while that is to come")
    ] = None
    temperature_c: float | None
    rate_ph_per_h: Annotated[float | None, Meta(description="Negative while the pH falls")]
    u_rate_ph_per_h: UOfThat
    rate_over_h: Annotated[float | None, Meta(description="Hours that it was seen over")]


class DigestPayload(Payload, frozen=True, kw_only=True):
    """The morning summary (cause digest)."""

    since: Time
    ph: NewestBelievedPh
    u: UOfThat
    ph_at: Time | None
    lowest_ph: Annotated[float | None, Meta(description="Of the believed ten-minute medians")]
    lowest_at: Time | None
    highest_ph: float | None
    highest_at: Time | None
    annunciated: Annotated[Mapping[str, Times], Meta(description="By alarm, how often")]
    held: Annotated[Mapping[str, Times], Meta(description="By alarm, how often in quiet hours")]
    returned: Annotated[Mapping[str, Times], Meta(description="By alarm, how often")]
    standing: Annotated[tuple[Name, ...], Meta(description="Alarms that stand now")]
    records: Count
    believed: Count
    gaps: Annotated[Count, Meta(description="Times without a reading longer than the probe's max_gap_s")]
    gap_s: Annotated[float, Meta(ge=0)]
    marks: Annotated[Mapping[str, Times], Meta(description="By what a person said that was done, how often")]
    todo: Annotated[tuple[Name, ...], Meta(description="What needs doing at the probe")]


class EventPayload(Payload, frozen=True, kw_only=True):
    """What just happened to a vat or to the watch; drop a repeated event_id."""

    event_id: Annotated[str, Meta(min_length=1, pattern=r"^[0-9]{8}T[0-9]{6}\.[0-9]{6}Z-")]
    cause: Name
    vat: Name | None
    alarm: Name | None
    occurrence: Occurrence | None
    reminder: Count
    annunciates: Annotated[bool, Meta(description="A new occurrence: a person must be told")]
    at: Time
    priority: PriorityWord | None
    value: Annotated[float | None, Meta(description="pH or Celsius")]
    u: StandardUncertainty
    setpoint: Annotated[float | None, Meta(description="pH or Celsius")]
    probability: Annotated[
        Probability | None,
        Meta(description="That pH is above the setpoint (ph-high), or that a claim holds, by value and u"),
    ]
    before: State | None
    after: State | None
    by: str
    text: str
    since: Annotated[Time | None, Meta(description="Since when the condition is what it is, its delay included")]
    lines: Annotated[
        PhoneLines,
        Meta(
            description="The text for a telephone, empty where a person need not be told: what, whether to believe it, "
            "what to do first"
        ),
    ]
    facts: FactsPayload | None
    digest: DigestPayload | None
    simulated: Simulated


KIND = PayloadKind(
    name="event",
    form=EventPayload,
    topics=(PATTERNS.event("<vat>"), PATTERNS.event("")),
)
TOLD = (Cause.ANNUNCIATED, Cause.REMINDER, Cause.RAISED, Cause.RELEASED, Cause.REALARM)
"""What the hub's event entity tells: a person is to be told of it."""
_TOLD_WORDS = [cause.value for cause in TOLD]
ENTITIES = (
    Entity(
        component="event",
        key=("event",),
        seen_as="alarm",
        shows="when a person was last to be told of an alarm, with all that the event tells",
        content={
            "name": "Alarm",
            "icon": "mdi:bell-ring",
            "event_types": _TOLD_WORDS,
            "state_topic": lambda scope: scope.topics.event(scope.vat.id),
            "value_template": (  # the hub ignores an empty one
                f"{{{{ dict(value_json, event_type=value_json.cause) | tojson if value_json.cause in {_TOLD_WORDS} "
                "else '' }}"
            ),
        },
        is_of=is_main,
        is_always_available=True,  # coming back after a restart of the hub would look like an alarm
    ),
)


def event_of(entry: Entry, *, simulated: bool) -> Event | None:
    """Return the outbox event of a journal entry; None for an entry that is for the record only.

    What quiet hours hold is told by the standing state and by the morning summary.
    """
    if entry.held or entry.cause in _NOT_WORTH_AN_EVENT:
        return None
    identity, notification = event_id(entry), entry.told
    content = EventPayload(
        event_id=identity,
        cause=entry.cause.value,
        vat=entry.vat or None,
        alarm=entry.alarm or None,
        occurrence=entry.occurrence,
        reminder=entry.reminder,
        annunciates=entry.annunciates,
        at=rfc3339(entry.at_us),
        priority=entry.priority or None,
        value=number(entry.value, 4),
        u=number(entry.u, 4),
        setpoint=number(entry.setpoint, 4),
        probability=number(entry.probability, 4),
        before=entry.before,
        after=entry.after,
        by=entry.by,
        text=entry.text,
        since=rfc3339_or_none(entry.since_at_us),
        lines=notification.lines if notification else (),
        facts=_facts(notification.facts) if notification and notification.facts else None,
        digest=_digest(notification.digest) if notification and notification.digest else None,
        simulated=simulated,
    )
    return Event(id=identity, at_us=entry.at_us, vat=entry.vat, payload=json_text(content))


def events_of(entries: Iterable[Entry], event_of: Callable[[Entry], Event | None]) -> list[Event]:
    """Return the events of entries in order; entries of one moment with the same words make one event."""
    events = [event for entry in entries if (event := event_of(entry))]
    return list({event.id: event for event in events}.values())


def _facts(facts: VatFacts) -> FactsPayload:
    return FactsPayload(
        believed=facts.believed,
        belief=facts.belief,
        ph=number(facts.ph, 4),
        u=number(facts.u, 4),
        ph_at=rfc3339_or_none(facts.ph_at_us),
        deadline_at=rfc3339_or_none(facts.deadline_at_us),
        temperature_c=number(facts.temperature_c, 3),
        rate_ph_per_h=number(facts.rate_ph_per_h, 4),
        u_rate_ph_per_h=number(facts.u_rate_ph_per_h, 4),
        rate_over_h=number(facts.rate_over_h, 2),
    )


def _digest(digest: Digest) -> DigestPayload:
    (lowest, lowest_at), (highest, highest_at) = (each or (None, None) for each in (digest.lowest, digest.highest))
    return DigestPayload(
        since=rfc3339(digest.since_at_us),
        ph=number(digest.ph, 4),
        u=number(digest.u, 4),
        ph_at=rfc3339_or_none(digest.ph_at_us),
        lowest_ph=number(lowest, 4),
        lowest_at=rfc3339_or_none(lowest_at),
        highest_ph=number(highest, 4),
        highest_at=rfc3339_or_none(highest_at),
        annunciated=digest.annunciated,
        held=digest.held,
        returned=digest.returned,
        standing=digest.standing,
        records=digest.records,
        believed=digest.believed,
        gaps=digest.gaps,
        gap_s=digest.gap_s,
        marks=digest.marks,
        todo=digest.todo,
    )


class _Urgency(msgspec.Struct):
    priority: str | None
    by: str


def is_urgent(event: Event) -> bool:
    """Tell whether an event is of high priority and not what a person did: it must not wait for the broker."""
    urgency = msgspec.json.decode(event.payload, type=_Urgency)
    return urgency.priority == Priority.HIGH and not urgency.by


class _Reminding(msgspec.Struct):
    cause: str = ""
    alarm: str | None = None
    occurrence: int | None = None
    annunciates: bool = False


class Reminder(Struct, frozen=True):
    """That an event reminds of an occurrence."""

    of: tuple[str, str | None, int | None]
    """Vat, alarm and occurrence."""
    can_be_superseded: bool
    """A newer one tells all that it does: it is not the first word of the occurrence, nor of its raised priority."""


def reminder_in(event: Event) -> Reminder | None:
    """Return of what an event reminds; None: it is no reminder."""
    read = msgspec.json.decode(event.payload, type=_Reminding)
    if read.cause not in (Cause.REMINDER, Cause.RAISED):
        return None
    return Reminder((event.vat, read.alarm, read.occurrence), read.cause == Cause.REMINDER and not read.annunciates)


def event_id(entry: Entry) -> str:
    """Name an event by the entry alone, so that a restart or a replay gives it the same name.

    An occurrence annunciates, returns or is acknowledged once a record, so these parts name it; whatever else (marks,
    shelvings, refusals) may come twice before one record is told apart by a digest of its words.
    """
    stamp = rfc3339(entry.at_us).replace("-", "").replace(":", "")
    parts = [stamp, entry.vat or "system", entry.alarm]
    parts += [str(entry.occurrence)] if entry.occurrence is not None else []
    parts += [entry.cause.value]
    parts += [f"r{entry.reminder}"] if entry.reminder else []
    parts += [str(entry.seq)] if entry.seq else []
    words = f"{entry.by}\0{entry.text}".encode(errors="surrogatepass")
    parts += [] if entry.cause in _ONCE_A_RECORD else [blake2s(words, digest_size=4).hexdigest()]
    return "-".join(part for part in parts if part)
