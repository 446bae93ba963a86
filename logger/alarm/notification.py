"""An alarm in three lines for a telephone at three in the morning: what, whether to believe it, what to do first.

Law: pure; only what was known at the record. Nothing is ever called safe, and what may be broken glass comes first.

The lines are made in the pipeline, stored with the entry and kept with the alarm's state, never made again later. How
fast pH changes (`measure/course.py`) is a straight line through the believed ten-minute medians of two hours, carried,
whatever windows the alarms have.
"""

from logger.alarm import batch_words
from logger.alarm.quiet_hours import clock_time
from logger.alarm.words import per_cent, quantity
from logger.config import AlarmConfig, AlarmKind, PeopleConfig, VatConfig
from logger.model import Cause, Entry, Reason, State, VatFacts

_LONGEST_IN_MINUTES = 120
_TOLD = (Cause.REMINDER, Cause.RAISED, Cause.RETURNED)


def is_told(entry: Entry) -> bool:
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
    if is_away and alarm.kind is AlarmKind.BLIND:
        return _not_back(vat, entry, since, second)
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


def _not_back(vat: VatConfig, entry: Entry, since: str, second: str) -> tuple[str, ...]:
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
    if alarm.kind is AlarmKind.DEADLINE:
        return f"the target is not shown {alarm.setpoint:g} h after the batch was started"
    if not alarm.kind.is_process:
        return WHAT.get(alarm.kind, f"{alarm.kind.replace('-', ' ')} stands")
    if alarm.kind.is_of_batch:
        return batch_words.what(alarm, entry.value)
    came = "" if entry.cause is Cause.ANNUNCIATED or entry.value is None else " when it came"
    said = f"{_quantity(alarm, entry)}{came}"
    odds = "" if entry.probability is None else f" ({per_cent(entry.probability)} probable)"
    return f"{said} ({_limit(alarm)})" if alarm.kind.is_trend else f"{said}, {_limit(alarm)}{odds}"


def _limit(alarm: AlarmConfig) -> str:
    if alarm.setpoint is None:
        return "no limit"
    figure = f"{alarm.setpoint:.2f}" if alarm.kind.is_ph else f"{alarm.setpoint:.1f} C"
    side = "above" if alarm.kind.is_high else "below"
    return f"limit {figure}" if alarm.kind.is_trend else f"at or {side} {figure}"


def _over(alarm: AlarmConfig, entry: Entry) -> str:
    if not alarm.kind.is_process or alarm.kind in _AGAIN:
        return _AGAIN.get(alarm.kind, f"{alarm.kind.replace('-', ' ')} is over")
    if alarm.kind.is_of_batch:
        return batch_words.over(alarm, entry.value)
    return f"{_quantity(alarm, entry)}, no longer {_limit(alarm)},"


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
    said = [f"pH {figure(facts.ph, facts.u)}"] if facts.believed and facts.ph is not None and not is_said else []
    if facts.rate_ph_per_h is not None and facts.u_rate_ph_per_h is not None:
        subject = "It was " if not facts.believed else "" if said else "pH "
        said.append(subject + _course(facts.rate_ph_per_h, facts.u_rate_ph_per_h))
    if facts.temperature_c is not None and (alarm.kind.is_ph or not alarm.kind.is_process):
        said.append(f"{facts.temperature_c:.1f} C")
    deadline = f"Deadline {_to_come(vat, facts.deadline_at_us, entry)}." if facts.deadline_at_us is not None else ""
    return " ".join(part for part in (f"{', '.join(said)}." if said else "", deadline) if part)


def _to_come(vat: VatConfig, at_us: int, entry: Entry) -> str:
    minutes = (at_us - entry.at_us) // 60_000_000
    left = f"{minutes} min" if minutes < _LONGEST_IN_MINUTES else f"{minutes // 60} h"
    return f"{clock_time(at_us, vat.people)}, in {left}"


def figure(value: float, u: float | None) -> str:
    """Say a pH with twice its standard uncertainty where there is one."""
    return f"{value:.2f}" if u is None else f"{value:.2f} +/- {2 * u:.2f}"


def _course(rate: float, u: float) -> str:
    """Say how fast the pH changes; a change within its doubt is none."""
    if abs(rate) < 2 * u:
        return f"steady within {abs(rate) + 2 * u:.2f} an hour"
    return f"{'rising' if rate > 0 else 'falling'} {abs(rate):.3f} +/- {2 * u:.3f} an hour"


def _first(alarm: AlarmConfig, reason: Reason) -> str:
    if alarm.kind is AlarmKind.NO_DATA and reason in _FIRST_BY_REASON:
        return _FIRST_BY_REASON[reason]
    return FIRST.get(alarm.kind, "look at the vat and its probe")


WHAT = {
    AlarmKind.BROKER_AWAY: "the broker is away, no alarm reaches the hub",
    AlarmKind.BROKER_SHARED: "two watches are in each other's way at the broker",
    AlarmKind.OUTBOX_AGE: "events wait that the broker does not accept",
    AlarmKind.DISK_LOW: "the log soon has no room",
    AlarmKind.CLOCK_STEPPED: "the wall clock was stepped",
    AlarmKind.STORE_UNWRITABLE: "the log cannot be written",
    AlarmKind.REHEARSAL: "TEST, no real alarm: the good-night test",
    AlarmKind.REHEARSAL_FAILED: "the good-night test was not acknowledged",
    AlarmKind.NO_DATA: "no reading",
    AlarmKind.BLIND: "no reading that can be believed",
    AlarmKind.OUT_OF_LIQUID: "the probe seems to hang in air",
    AlarmKind.ERRATIC: "the reading is wild, the bulb may be broken",
    AlarmKind.DISAGREEMENT: "its two probes differ by more than their doubts",
    AlarmKind.NO_CALIBRATION: "no calibration is in force, no pH is claimed",
    AlarmKind.CALIBRATION_OVERDUE: "the calibration is overdue",
    AlarmKind.CHECK_OVERDUE: "the probe was not checked for too long",
    AlarmKind.DRIFTED: "the probe was found off, what it read may be wrong",
    AlarmKind.CLAIM_WITHDRAWN: "a check says that the target was not reached as claimed",
}
_AGAIN = {
    AlarmKind.BROKER_AWAY: "the broker is there again",
    AlarmKind.BROKER_SHARED: "no other watch was heard for some minutes",
    AlarmKind.OUTBOX_AGE: "the broker has taken all that waited",
    AlarmKind.DISK_LOW: "there is room for the log again",
    AlarmKind.CLOCK_STEPPED: "the watch goes on by the clock as it is now",
    AlarmKind.STORE_UNWRITABLE: "the log can be written again",
    AlarmKind.REHEARSAL: "TEST: the good-night test is over",
    AlarmKind.REHEARSAL_FAILED: "another good-night test has begun, and will tell",
    AlarmKind.NO_DATA: "readings arrive again",
    AlarmKind.BLIND: "readings can be believed again",
    AlarmKind.OUT_OF_LIQUID: "the probe seems to be in the liquid again",
    AlarmKind.ERRATIC: "the reading is steady again",
    AlarmKind.DISAGREEMENT: "its two probes agree again",
    AlarmKind.NO_CALIBRATION: "a calibration is in force",
    AlarmKind.CALIBRATION_OVERDUE: "the probe was calibrated",
    AlarmKind.CHECK_OVERDUE: "no check is owed now",
    AlarmKind.DRIFTED: "nothing says any more that the probe is off",
    AlarmKind.CLAIM_WITHDRAWN: "the target is shown anew, or another batch was started",
    AlarmKind.DEADLINE: "the target is shown, or another batch was started",
}
FIRST = {
    AlarmKind.BROKER_AWAY: "look whether broker and network are there, and at the vats yourself until they are",
    AlarmKind.BROKER_SHARED: "look at the vats yourself: the hub may show those of the other watch",
    AlarmKind.OUTBOX_AGE: "look at the broker's log and its access rules",
    AlarmKind.DISK_LOW: "make room on that disk",
    AlarmKind.CLOCK_STEPPED: "look whether the clock is right now, and who set it",
    AlarmKind.STORE_UNWRITABLE: "make room, or end what holds the log; do not stop the watch: it has the rest",
    AlarmKind.REHEARSAL: "acknowledge this TEST at the hub, as you would an alarm",
    AlarmKind.REHEARSAL_FAILED: "look what failed before you sleep, and rehearse again: `vatvigil rehearse`",
    AlarmKind.PH_HIGH: "measure with another instrument or a strip, and hold the batch until you know",
    AlarmKind.PH_LOW: "measure with another instrument or a strip",
    AlarmKind.TEMPERATURE_HIGH: "look at heater and room, and cool the vat",
    AlarmKind.TEMPERATURE_LOW: "look at heater and plug, and warm the vat",
    AlarmKind.RATE_OF_CHANGE: "ask who stirred, topped up or dosed; if nobody did, look at the probe",
    AlarmKind.RISE: "look for film and air at the surface, measure with another instrument, and hold the batch",
    AlarmKind.NO_START: batch_words.FIRST,
    AlarmKind.STALL: batch_words.FIRST,
    AlarmKind.NO_DATA: "look whether the instrument is on and plugged in",
    AlarmKind.BLIND: "look at the probe: is it in the liquid, is the glass whole",
    AlarmKind.OUT_OF_LIQUID: "push the probe down below the foam",
    AlarmKind.ERRATIC: "check that the glass is whole; if glass is missing, hold the batch; next look at the plug",
    AlarmKind.CLAIM_WITHDRAWN: "hold the batch; repeat the check in a fresh buffer, and calibrate",
    AlarmKind.DEADLINE: "hold the batch and measure with another instrument; ask who wrote your process",
    AlarmKind.DISAGREEMENT: "dip both probes into a check buffer, and trust the higher pH until then",
    AlarmKind.NO_CALIBRATION: "calibrate the probe",
    AlarmKind.CALIBRATION_OVERDUE: "calibrate the probe",
    AlarmKind.CHECK_OVERDUE: "dip the probe in a check buffer, or measure the vat with another instrument",
    AlarmKind.DRIFTED: "repeat the check in fresh buffer; if it stays, clean and calibrate, and correct the log",
}
_FIRST_BY_REASON = {
    Reason.PORT_ABSENT: "look whether the adapter is plugged in",
    Reason.WRONG_INSTRUMENT: "look which instrument is at this port",
}
