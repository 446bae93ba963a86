"""Write an alarm in three lines for a telephone at night: what it is, whether to believe it, what to do first.

Law: pure; only what was known at the record. Nothing is ever called safe, and what may be broken glass comes first.

The lines are made in the pipeline, stored with the entry and kept with the alarm's state, never made again later. How
fast pH changes (`measure/course.py`) is a straight line through the believed ten-minute medians of two hours, carried,
whatever windows the alarms have.
"""

from logger.alarm import words
from logger.alarm.quiet_hours import clock_time
from logger.alarm.words import per_cent, quantity
from logger.config import AlarmConfig, AlarmKind, PeopleConfig, VatConfig
from logger.model import Cause, Entry, Reason, State, VatFacts

_LONGEST_IN_MINUTES = 120
_TOLD = (Cause.REMINDER, Cause.RAISED, Cause.RETURNED)


def needs_notification(entry: Entry) -> bool:
    """Tell whether an entry is for a telephone: an alarm that comes, is repeated or returns."""
    return entry.annunciates or entry.held or entry.cause in _TOLD


def lines(
    vat: VatConfig,
    alarm: AlarmConfig,
    entry: Entry,
    *,
    facts: VatFacts,
    reason: Reason = Reason.NONE,
    is_away: bool = False,
) -> tuple[str, ...]:
    """Return the lines of one entry, at most three.

    `reason`: why its record has no reading; `is_away`: work on the probe is over and nobody said that it is back.
    """
    people, since = vat.people, _since(entry, vat.people)
    second = f"{_belief(facts, people, now_us=entry.at_us)} {_waiting(vat, alarm, entry, facts)}".strip()
    if is_away and alarm.kind is AlarmKind.TRUST_LOST:
        return _probe_away_lines(vat, entry, since, second)
    if entry.cause is Cause.RETURNED:
        return _returned(vat, alarm, entry, since), second
    first = f"{_before(entry)}{vat.name}: {_what(alarm, entry)}{since}."
    return first, second, _do_first(alarm, reason)


def own_lines(vat: VatConfig, alarm: AlarmConfig, entry: Entry, *, detail: str) -> tuple[str, ...]:
    """Return the lines of an entry about the watch itself; `detail`: what is known of it, one sentence or nothing."""
    since = _since(entry, vat.people)
    if entry.cause is Cause.RETURNED:
        return (_returned(vat, alarm, entry, since),)
    first = f"{_before(entry)}{vat.name}: {_what(alarm, entry)}{since}."
    return tuple(filter(None, (first, f"{detail.rstrip('.')}." if detail else "", _do_first(alarm, Reason.NONE))))


def _since(entry: Entry, people: PeopleConfig) -> str:
    if entry.since_at_us is None:
        return ""
    return f" since {clock_time(entry.since_at_us, people, now_us=entry.at_us)}"


def _probe_away_lines(vat: VatConfig, entry: Entry, since: str, second: str) -> tuple[str, ...]:
    """Tell of a probe that nobody said to be back, or of the word that it is."""
    if entry.cause is Cause.RETURNED:
        return (f"{vat.name}: somebody said that the probe is back in the vat{since}.{_wanted(entry)}",)
    first = f"{_before(entry)}{vat.name}: nobody said that the probe is back in the vat{since}. Its alarms are held."
    say_so = f"`vatvigil mark {vat.id} probe-in`, or the mark at the hub"
    return first, second, f"First look whether it stands in the vat, then say so: {say_so}. Nothing else ends this."


def _wanted(entry: Entry) -> str:
    return " It still waits to be acknowledged." if entry.after is not State.NORMAL else ""


def _returned(vat: VatConfig, alarm: AlarmConfig, entry: Entry, since: str) -> str:
    return f"{vat.name}: {_over(alarm, entry)}{since}.{_wanted(entry)}"


def _do_first(alarm: AlarmConfig, reason: Reason) -> str:
    then = "" if alarm.kind is AlarmKind.REHEARSAL else " Then acknowledge it, or shelve it for a while."
    return f"First {_first(alarm, reason)}.{then}"


def _before(entry: Entry) -> str:
    if entry.cause is Cause.REMINDER:
        return f"Reminder {entry.reminder}. "
    if entry.cause is Cause.RAISED:
        return f"Now of {entry.priority} priority, after {entry.reminder} reminders. "
    return {Cause.REALARM: "Again. ", Cause.RELEASED: "From the quiet hours. "}.get(entry.cause, "")


def _what(alarm: AlarmConfig, entry: Entry) -> str:
    if alarm.kind.row.what:
        return words.what(alarm, entry.value)
    value = f"{_quantity(alarm, entry)}{words.when(alarm, entry.cause, entry.value, None)}"
    odds = "" if entry.probability is None else f" ({per_cent(entry.probability)} probable)"
    return f"{value} ({_limit(alarm)})" if alarm.kind.is_trend else f"{value}, {_limit(alarm)}{odds}"


def _limit(alarm: AlarmConfig) -> str:
    if alarm.setpoint is None:
        return "no limit"
    return f"limit {words.setpoint(alarm)}" if alarm.kind.is_trend else words.limit(alarm)


def _over(alarm: AlarmConfig, entry: Entry) -> str:
    if alarm.kind in (AlarmKind.TRUST_LOST, AlarmKind.TRUST_DOUBTED):
        return entry.text  # it says by what
    return words.over(alarm, entry.value) or f"{_quantity(alarm, entry)}, no longer {_limit(alarm)},"


def _quantity(alarm: AlarmConfig, entry: Entry) -> str:
    return quantity(alarm, entry.value, entry.u).removesuffix(" (k=2)")


def _belief(facts: VatFacts, people: PeopleConfig, *, now_us: int) -> str:
    if facts.believed:
        return f"Believed: {facts.belief}."
    verdict = f"{'Suspect' if facts.suspect else 'Not believed'}: {facts.belief}."
    if facts.ph is None or facts.ph_at_us is None:
        return f"{verdict} No reading was believed yet."
    when = clock_time(facts.ph_at_us, people, now_us=now_us)
    return f"{verdict} Last believed pH {figure(facts.ph, facts.u)} at {when}."


def _waiting(vat: VatConfig, alarm: AlarmConfig, entry: Entry, facts: VatFacts) -> str:
    """Say the facts on which waiting depends, without what the line before says."""
    is_said = alarm.kind in (AlarmKind.PH_HIGH, AlarmKind.PH_LOW) and entry.cause in (Cause.ANNUNCIATED, Cause.RETURNED)
    parts = [f"pH {figure(facts.ph, facts.u)}"] if facts.believed and facts.ph is not None and not is_said else []
    if facts.rate_ph_per_h is not None and facts.u_rate_ph_per_h is not None:
        subject = "It was " if not facts.believed else "" if parts else "pH "
        parts.append(subject + _course(facts.rate_ph_per_h, facts.u_rate_ph_per_h))
    if facts.temperature_c is not None and (alarm.kind.is_ph or not alarm.kind.has_value):
        parts.append(f"{facts.temperature_c:.1f} C")
    deadline = f"Deadline {_to_come(vat, facts.deadline_at_us, entry)}." if facts.deadline_at_us is not None else ""
    return " ".join(part for part in (f"{', '.join(parts)}." if parts else "", deadline) if part)


def _to_come(vat: VatConfig, at_us: int, entry: Entry) -> str:
    minutes = (at_us - entry.at_us) // 60_000_000
    wait = f"{minutes} min" if minutes < _LONGEST_IN_MINUTES else f"{minutes // 60} h"
    return f"{clock_time(at_us, vat.people)}, in {wait}"


def figure(value: float, u: float | None) -> str:
    """Say a pH with twice its standard uncertainty where there is one."""
    return f"{value:.2f}" if u is None else f"{value:.2f} +/- {2 * u:.2f}"


def _course(rate: float, u: float) -> str:
    """Say how fast the pH changes; a change within its doubt is none."""
    if abs(rate) < 2 * u:
        return f"steady within {abs(rate) + 2 * u:.2f} an hour"
    return f"{'rising' if rate > 0 else 'falling'} {abs(rate):.3f} +/- {2 * u:.3f} an hour"


def _first(alarm: AlarmConfig, reason: Reason) -> str:
    first = alarm.kind.row.first
    return _FIRST_BY_REASON.get(reason, first) if alarm.kind is AlarmKind.NO_DATA else first


_FIRST_BY_REASON = {
    Reason.PORT_ABSENT: "look whether the adapter is plugged in",
    Reason.WRONG_INSTRUMENT: "look which instrument is at this port",
}
