"""Our own messages, built from the model's objects.

Law: pure. JSON in UTF-8, times RFC 3339 in UTC with Z, an unknown number is null and never NaN, every payload says
whether it is simulated. Each matches its schema in `schemas/`.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from hashlib import blake2s

import msgspec

from logger.alarm import belief_words
from logger.alarm.belief_words import Evidence
from logger.alarm.lifecycle import priority
from logger.config import AlarmConfig, AlarmKind, Priority, VatConfig
from logger.measure.conformance import conformance_probability
from logger.model import (
    AlarmState,
    Belief,
    Cause,
    Entry,
    Event,
    Health,
    Measurements,
    Notification,
    Quality,
    QualityTests,
)
from logger.mqtt.messages import Message
from logger.mqtt.topics import Topics
from logger.watch.system import SYSTEM

COVERAGE_FACTOR = 2
"""k of the expanded uncertainty U = k u, about 95 % (JCGM 100:2008, 6.2.1 and 6.3.3)."""

_HOW = QualityTests.OWN_PH | QualityTests.ASSUMED_TEMPERATURE
"""What is told of a reading beside its quality."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NOT_WORTH_AN_EVENT = {Cause.DELAY_RESTARTED, Cause.NOTED, Cause.RUN_STARTED, Cause.TESTED}
EVENT_CAUSES = tuple(cause for cause in Cause if cause not in _NOT_WORTH_AN_EVENT)
"""Of what an event may tell."""
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


def rfc3339(at_us: int) -> str:
    """Return UTC microseconds as RFC 3339 with Z and all six decimals."""
    moment = _EPOCH + timedelta(microseconds=at_us)
    return moment.replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def json_text(content: Mapping[str, object]) -> str:
    """Return an object as JSON text."""
    return msgspec.json.encode(content).decode()


def number(value: float | None, digits: int) -> float | None:
    """Return a number rounded for reading; None where it is unknown or not finite."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits)


def status(topics: Topics, *, online: bool, store: str) -> Message:
    """Return the availability message; the one with `online` False is also the will. `store`: whose watch it is."""
    word = "online" if online else "offline"
    return Message(topic=topics.status, payload=json_text(_said(topics, status=word, store=store)), retain=True)


def heartbeat(
    topics: Topics,
    *,
    at_us: int,
    store: str,
    believed_age_s: Mapping[str, float | None],
    waiting: int,
    oldest_at_us: int | None,
    expiry_s: int | None = None,
) -> Message:
    """Return the heartbeat: by vat the age (s) of its newest believed reading, and what waits in the outbox."""
    oldest_age_s = None if oldest_at_us is None else max(0.0, (at_us - oldest_at_us) / 1e6)
    content = _said(
        topics,
        at=rfc3339(at_us),
        store=store,
        believed_age_s=believed_age_s,
        outbox={"waiting": waiting, "oldest_age_s": oldest_age_s},
    )
    return Message(topic=topics.heartbeat, payload=json_text(content), expiry_s=expiry_s)


def measurement(
    topics: Topics, vat: str, *, probe: str, rows: Measurements, evidence: Evidence, expiry_s: int | None = None
) -> Message:
    """Return the last of `rows`: pH with U (k = 2), temperature in C, quality, verdict. Raises IndexError for no rows.

    `evidence`: calibration and checks that the last row names.
    """
    u = number(rows.u[-1], 6)
    calibration = int(rows.calibration[-1])
    content = _said(
        topics,
        vat=vat,
        probe=probe,
        at=rfc3339(int(rows.at_us[-1])),
        ph=number(rows.ph[-1], 4),
        expanded_uncertainty_ph=None if u is None else number(COVERAGE_FACTOR * u, 4),
        coverage_factor=COVERAGE_FACTOR,
        temperature_c=number(rows.temperature_c[-1], 3),
        quality=quality_word(int(rows.quality[-1])),
        calibration=calibration or None,
        belief=Belief(int(rows.belief[-1])).word,
        verdict_since=rfc3339(int(rows.since_at_us[-1])),
        verdict=belief_words.sentence(rows, evidence),
        **({"marks": marks} if (marks := _marks(int(rows.tests[-1]))) else {}),
    )
    return Message(topic=topics.measurement(vat), payload=json_text(content), expiry_s=expiry_s)


def _marks(tests: int) -> list[str]:
    """Say how a reading came about that is not the usual one: whose pH it is, by which temperature."""
    return [str(mark.name).lower().replace("_", "-") for mark in QualityTests(tests) & _HOW]


def quality_word(quality: int) -> str:
    """Say a quality flag: pass, not-evaluated, suspect, fail or missing."""
    return Quality(quality).name.lower().replace("_", "-")


def alarm_state(topics: Topics, vat: VatConfig, *, alarm: AlarmConfig, state: AlarmState) -> Message:
    """Return the retained standing state of one alarm; its value is the one that last annunciated."""
    standing = state.shown.is_standing
    content = _said(
        topics,
        vat=None if vat.id == SYSTEM else vat.id,
        alarm=alarm.id,
        state=state.shown.value,
        standing=standing,
        occurrence=state.occurrence,
        since=rfc3339(state.since_at_us) if state.since_at_us else None,
        held=state.held,
        priority=str(priority(state, alarm)),
        text=_sentence(vat, alarm, state=state),
        lines=state.told.lines if standing and state.told else (),
        value=number(state.value, 4) if standing else None,
        u=number(state.u, 4) if standing else None,
        setpoint=alarm.setpoint,
        probability=_probability(alarm, state) if standing else None,
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


def health(topics: Topics, probe: str, *, status: Health, findings: Sequence[str]) -> Message:
    """Return the retained condition of a probe (status: NAMUR NE 107), with one sentence a finding."""
    content = _said(topics, probe=probe, status=status.value, findings=list(findings))
    return Message(topic=topics.health(probe), payload=json_text(content), retain=True)


def event_of(entry: Entry, *, simulated: bool) -> Event | None:
    """Return the outbox event of a journal entry; None for an entry that is for the record only.

    What quiet hours hold is told by the standing state and by the morning summary.
    """
    if entry.held or entry.cause in _NOT_WORTH_AN_EVENT:
        return None
    identity = event_id(entry)
    content = {
        "event_id": identity,
        "cause": entry.cause.value,
        "vat": entry.vat or None,
        "alarm": entry.alarm or None,
        "occurrence": entry.occurrence,
        "reminder": entry.reminder,
        "annunciates": entry.annunciates,
        "at": rfc3339(entry.at_us),
        "priority": entry.priority or None,
        "value": number(entry.value, 4),
        "u": number(entry.u, 4),
        "setpoint": number(entry.setpoint, 4),
        "probability": number(entry.probability, 4),
        "before": entry.before.value if entry.before else None,
        "after": entry.after.value if entry.after else None,
        "by": entry.by,
        "text": entry.text,
        "since": _moment(entry.since_at_us),
        "lines": [] if entry.told is None else entry.told.lines,
        "facts": _facts(entry.told),
        "digest": _digest(entry.told),
        "simulated": simulated,
    }
    return Event(id=identity, at_us=entry.at_us, vat=entry.vat, payload=json_text(content))


def events_of(entries: Iterable[Entry], event_of: Callable[[Entry], Event | None]) -> list[Event]:
    """Return the events of entries in order; what is said twice in the same words at one moment is one event."""
    events = [event for entry in entries if (event := event_of(entry))]
    return list({event.id: event for event in events}.values())


def _facts(told: Notification | None) -> dict[str, object] | None:
    if told is None or told.facts is None:
        return None
    facts = told.facts
    return {
        "believed": facts.believed,
        "belief": facts.belief,
        "ph": number(facts.ph, 4),
        "u": number(facts.u, 4),
        "ph_at": _moment(facts.ph_at_us),
        "deadline_at": _moment(facts.deadline_at_us),
        "temperature_c": number(facts.temperature_c, 3),
        "rate_ph_per_h": number(facts.rate_ph_per_h, 4),
        "u_rate_ph_per_h": number(facts.u_rate_ph_per_h, 4),
        "rate_over_h": number(facts.rate_over_h, 2),
    }


def _digest(told: Notification | None) -> dict[str, object] | None:
    if told is None or told.digest is None:
        return None
    found = told.digest
    (lowest, lowest_at), (highest, highest_at) = (each or (None, None) for each in (found.lowest, found.highest))
    return {
        "since": rfc3339(found.since_at_us),
        "ph": number(found.ph, 4),
        "u": number(found.u, 4),
        "ph_at": _moment(found.ph_at_us),
        "lowest_ph": number(lowest, 4),
        "lowest_at": _moment(lowest_at),
        "highest_ph": number(highest, 4),
        "highest_at": _moment(highest_at),
        "annunciated": found.annunciated,
        "held": found.held,
        "returned": found.returned,
        "standing": found.standing,
        "records": found.records,
        "believed": found.believed,
        "gaps": found.gaps,
        "gap_s": found.gap_s,
        "marks": found.marks,
        "todo": found.todo,
    }


def _moment(at_us: int | None) -> str | None:
    return None if at_us is None else rfc3339(at_us)


class _Urgent(msgspec.Struct):
    priority: str | None
    by: str


def is_urgent(event: Event) -> bool:
    """Tell whether an event is of high priority and not what a person did: it must not wait for the broker."""
    said = msgspec.json.decode(event.payload, type=_Urgent)
    return said.priority == Priority.HIGH and not said.by


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


def _said(topics: Topics, **content: object) -> dict[str, object]:
    return {**content, "simulated": topics.simulated}
