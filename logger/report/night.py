"""Gather what happened at a vat in a night: the facts behind `vatvigil night`, and the curve of any span.

Law: reads only, and of the records only those of the span. It says what was journalled, in the words of then; what is
to be done is what the morning summary says (`alarm/digest.py`), and only of a night that has just been.

A night is 18:00 to 08:00 by the clock of [people]: it holds the hours in which nobody looks, and the quiet hours of
most. Common practice, no source.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from operator import attrgetter
from zoneinfo import ZoneInfo

from logger.alarm import digest, quiet_hours
from logger.alarm.lifecycle import Now
from logger.config import AlarmKind, Config, PeopleConfig, ProbeConfig, Signal, VatConfig
from logger.measure.windows import COVERAGE
from logger.model import Carry, Cause, Check, CheckKind, Entry
from logger.mqtt.event import event_id
from logger.report.curve import AlarmMark, Curve, CurveFrame, CurveMoment, CurvePoint, MomentKind, Setpoint
from logger.report.reduction import reduce
from logger.store import Store, history, queries
from logger.store.queries import Sent
from logger.units import HOUR_US

BEGIN_MIN, END_MIN = 18 * 60, 8 * 60
RECENT_US = 24 * HOUR_US
"""What is to be done is said of a night that ended no longer ago than this."""
MOST_ENTRIES = 100_000
WAYS = {"broker": "mqtt", "hook": "hook", "push": "push"}
"""The ways out, and where each is configured."""
_CLAIMS = (Cause.MEASURED_AT_TARGET,)
_DONE = {
    Cause.MARKED: MomentKind.MARK,
    Cause.ATTENDED: MomentKind.MARK,
    Cause.CALIBRATED: MomentKind.CALIBRATION,
    Cause.CHECKED: MomentKind.CHECK,
    Cause.NOTED: MomentKind.NOTE,
}
"""What people do, and as what a picture numbers it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NightEvent:
    """Something that happened at a time (UTC, microseconds)."""

    at_us: int
    what: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSummary:
    """What became of one occurrence of an alarm in a span."""

    alarm: str
    """Its name; that of an alarm of the watch itself after `system`."""
    priority: str
    came_us: int
    held: bool
    """Quiet hours held it: nobody was told."""
    sent: tuple[Sent, ...]
    """The ways out that took the event of its coming."""
    acknowledged: NightEvent | None
    returned_us: int | None
    text: str
    """What was told when it came."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """What happened at a vat in a span."""

    curve: Curve
    claims: tuple[NightEvent, ...]
    """Claims on the target and what ended them, oldest first."""
    alarms: tuple[AlarmSummary, ...]
    marks: tuple[NightEvent, ...]
    todo: tuple[str, ...] | None
    """None: it is too long ago."""
    ways: tuple[str, ...]
    """The ways out that are configured."""


def night_of(people: PeopleConfig, *, at_us: int, evening: date | None = None) -> tuple[int, int]:
    """Return begin and end (UTC, microseconds) of the night that began on an evening; None: the last that has begun."""
    zone = ZoneInfo(people.zone)
    if evening is None:
        today = quiet_hours.local(at_us, zone).date()
        has_begun = quiet_hours.instant(today, BEGIN_MIN, zone) <= at_us
        evening = today if has_begun else today - timedelta(days=1)
    end_us = quiet_hours.instant(evening + timedelta(days=1), END_MIN, zone)
    return quiet_hours.instant(evening, BEGIN_MIN, zone), end_us


def curve_of(config: Config, store: Store, vat: VatConfig, *, since_us: int, until_us: int, probe: str = "") -> Curve:
    """Return the curve of a span of a vat; `probe`: of another probe than the vat's present one."""
    configured = {one.id: one for one in config.probes}.get(probe or vat.probe, ProbeConfig(id=probe, port=""))
    entries = entries_of(store, vat.id, since_us=since_us, until_us=until_us)
    frame = CurveFrame(
        vat=vat.id,
        name=vat.name,
        probe=configured.id,
        simulated=config.simulated,
        since_us=since_us,
        until_us=until_us,
        max_gap_s=configured.limits.max_gap_s,
        ph_setpoints=tuple(ph_setpoints(vat)),
        temperature_setpoints=tuple(_setpoints(vat, Signal.TEMPERATURE)),
        alarms=tuple(alarm_marks(entries)),
        moments=tuple(moments_of(vat, entries)),
        checks=tuple(readings_of(queries.checks(store, configured.id), vat.id, since_us, until_us)),
        elsewhere=tuple(store.elsewhere(vat.id, since_us, until_us)),
    )
    pieces = history.between(store, vat=vat.id, probe=configured.id, since_at_us=since_us, until_at_us=until_us)
    return reduce(frame, pieces)


def gather(config: Config, store: Store, vat: VatConfig, *, since_us: int, until_us: int, at_us: int) -> Night:
    """Return what happened at a vat in a span; `at_us`: now."""
    entries = entries_of(store, vat.id, since_us=since_us, until_us=until_us)
    own = [*entries, *entries_of(store, "", since_us=since_us, until_us=until_us)]
    targets = {alarm.id for alarm in vat.alarms if alarm.kind.is_of_target}
    is_recent = at_us - until_us <= RECENT_US
    return Night(
        curve=curve_of(config, store, vat, since_us=since_us, until_us=until_us),
        claims=tuple(_event(entry) for entry in entries if entry.cause in _CLAIMS or _ends_claim(entry, targets)),
        alarms=tuple(summaries(store, own)),
        marks=tuple(_event(entry) for entry in entries if entry.cause in _DONE),
        todo=tuple(_todo(config, store, vat, at_us=at_us)) if is_recent else None,
        ways=tuple(name for name in WAYS if getattr(config, WAYS[name]) is not None),
    )


def entries_of(store: Store, vat: str, *, since_us: int, until_us: int) -> list[Entry]:
    """Return the journal of a vat in a span, oldest first; empty: of the watch itself."""
    return queries.entries(store, limit=MOST_ENTRIES, vat=vat, since_at_us=since_us, until_at_us=until_us)


def ph_setpoints(vat: VatConfig) -> Iterator[Setpoint]:
    """Yield the target, and the limits of alarms on pH."""
    if vat.target is not None:
        yield Setpoint("target", vat.target.ph)
    yield from _setpoints(vat, Signal.PH, Signal.PH_UPPER)


def _setpoints(vat: VatConfig, *signals: Signal) -> Iterator[Setpoint]:
    """Yield the limits on a signal itself; an alarm that looks back over several windows has none to be drawn."""
    for alarm in vat.alarms:
        if alarm.kind.row.signal in signals and alarm.setpoint is not None and not alarm.kind.is_trend:
            yield Setpoint(alarm.id, alarm.setpoint)


def alarm_marks(entries: Iterable[Entry]) -> Iterator[AlarmMark]:
    """Yield when alarms came and returned."""
    for entry in entries:
        if entry.alarm and (entry.annunciates or entry.held or entry.cause is Cause.RETURNED):
            yield AlarmMark(entry.at_us, entry.alarm, entry.cause.value)


def moments_of(vat: VatConfig, entries: Iterable[Entry]) -> Iterator[CurveMoment]:
    """Yield what people did and what was claimed, as a picture numbers it."""
    withdrawals = {alarm.id for alarm in vat.alarms if alarm.kind is AlarmKind.CLAIM_WITHDRAWN}
    for entry in entries:
        kind = MomentKind.CLAIM if entry.cause in _CLAIMS else _DONE.get(entry.cause)
        kind = MomentKind.WITHDRAWN if _ends_claim(entry, withdrawals) else kind
        if kind is not None:
            what = " ".join(entry.text.split()) or entry.cause.value
            yield CurveMoment(at_us=entry.at_us, kind=kind, what=what, by=entry.by)


def readings_of(checks: Iterable[Check], vat: str, since_us: int, until_us: int) -> Iterator[CurvePoint]:
    """Yield what other instruments read in the vat."""
    for check in checks:
        if check.kind is CheckKind.SPOT and check.vat == vat and since_us <= check.at_us < until_us:
            yield CurvePoint(check.at_us, check.reference_ph, COVERAGE * check.u_reference_ph)


def _event(entry: Entry) -> NightEvent:
    """Return what an entry tells, in a few words: of an alarm the first line for a telephone, else its sentence."""
    text = entry.told.lines[0] if entry.told else entry.text
    said = text if entry.cause in (*_CLAIMS, Cause.MARKED) or entry.alarm else f"{entry.cause}: {text}"
    return NightEvent(at_us=entry.at_us, what=" ".join((said if text else entry.cause.value).split()), by=entry.by)


def _ends_claim(entry: Entry, targets: set[str]) -> bool:
    return entry.alarm in targets and (entry.annunciates or entry.held)


def summaries(store: Store, entries: Iterable[Entry]) -> Iterator[AlarmSummary]:
    """Yield what became of each occurrence, the most urgent first, then as they came."""
    occurrence = attrgetter("vat", "alarm", "occurrence")
    of_alarms = sorted((entry for entry in entries if entry.alarm and entry.occurrence), key=occurrence)
    groups = [list(group) for _, group in groupby(of_alarms, key=occurrence)]
    told = [entry for group in groups if any(_comes(entry) for entry in group) for entry in group]
    ways = queries.sent(store, map(event_id, filter(attrgetter("annunciates"), told)))
    found = [_summary(group, ways) for group in groups if any(_comes(entry) for entry in group)]
    order = {"high": 0, "medium": 1, "low": 2}
    yield from sorted(found, key=lambda summary: (order.get(summary.priority, 3), summary.came_us))


def _comes(entry: Entry) -> bool:
    return (entry.annunciates or entry.held) and entry.cause is not Cause.RETURNED


def _summary(group: list[Entry], ways: Mapping[str, Sequence[Sent]]) -> AlarmSummary:
    came = next(entry for entry in group if _comes(entry))
    told = next((entry for entry in group if entry.annunciates), None)
    answer = next((entry for entry in group if entry.cause is Cause.ACKNOWLEDGED), None)
    over = [entry.at_us for entry in group if entry.cause is Cause.RETURNED]
    return AlarmSummary(
        alarm=came.alarm if came.vat else f"system {came.alarm}",
        priority=came.priority,
        came_us=came.at_us,
        held=told is None,
        sent=() if told is None else tuple(ways.get(event_id(told), ())),
        acknowledged=None if answer is None else _event(answer),
        returned_us=over[-1] if over else None,
        text=_event(came).what,
    )


def _todo(config: Config, store: Store, vat: VatConfig, *, at_us: int) -> Iterator[str]:
    carry = queries.watches(store).get(vat.id, Carry(probe=vat.probe))
    yield from digest.to_do(vat, config.probe(vat.probe), carry, Now(at_us=at_us, elapsed_us=0))
