"""Make the morning summary of a vat: what happened in the night and what needs doing; good news too.

Law: pure. What it tells is gathered record by record in the carry (`DayCounters`), in whole numbers and order
statistics, so nothing depends on where blocks were cut. It is made before the first record at or after its time, once:
the carry knows which was made last, over restarts and over a clock that is set back.

A summary that was made by a clock that ran days ahead does not count.
"""

from collections.abc import Iterable, Mapping, Sequence

from logger.alarm import notification, quiet_hours
from logger.alarm.lifecycle import Now
from logger.config import PeopleConfig, Priority, ProbeConfig, VatConfig
from logger.model import Acceptance, AlarmState, Carry, Cause, DayCounters, Digest, Entry, Notification
from logger.structs import replace
from logger.units import DAY_US

FAR_US = DAY_US + DAY_US // 12
"""A summary that was made so far in the future was made by a wrong clock."""
KNOWN = 0.9
"""Where less than this share of the readings was believed, the night is not known. Common practice, no source."""
_MARKS = (Cause.MARKED, Cause.ATTENDED, Cause.CALIBRATED, Cause.CHECKED)


def unchanged_spans(people: PeopleConfig, carry: Carry, at_us: int) -> list[tuple[int, int]]:
    """Return the spans of UTC around a moment in which the clock of the people changes nothing for a carry."""
    spans = []
    if people.quiet is not None:
        quiet = quiet_hours.quiet_span(people, at_us)
        spans.append((quiet.begin_us, quiet.end_us))
    if people.digest_min is not None:
        made_us = at_us if carry.reported.digest_at_us is None else carry.reported.digest_at_us
        spans.append((made_us - FAR_US, quiet_hours.digest_due(people, at_us)[1]))
    return spans


def summarise_if_due(
    vat: VatConfig, probe: ProbeConfig, carry: Carry, entries: Iterable[Entry], *, seq: int, now: Now
) -> tuple[Carry, list[Entry]]:
    """Take what happened before a record into the day; make the summary if it is due before this record."""
    collected = list(entries)
    if vat.people.digest_min is None:
        return carry, collected
    made_us = carry.reported.digest_at_us
    day = count_entries(carry.reported.day or DayCounters(since_at_us=now.at_us), collected)
    if day is not carry.reported.day:
        carry = replace(carry, reported=replace(carry.reported, day=day))
    last_us, _ = quiet_hours.digest_due(vat.people, now.at_us)
    if made_us is not None and made_us - FAR_US <= now.at_us and last_us <= made_us:
        return carry, collected
    carry = replace(carry, reported=replace(carry.reported, digest_at_us=last_us))
    if made_us is None or made_us - FAR_US > now.at_us:
        return carry, collected
    digest = _digest(probe, carry, day, now)
    lines = _lines(vat, probe, carry, digest, now)
    text = " ".join(lines)
    entry = Entry(seq=seq, at_us=now.at_us, vat=vat.id, cause=Cause.DIGEST, priority=Priority.LOW, text=text)
    new_day = DayCounters(since_at_us=now.at_us, arrived_us=day.arrived_us)
    after = replace(carry, reported=replace(carry.reported, day=new_day))
    return after, [*collected, replace(entry, told=Notification(lines=lines, digest=digest))]


def count_entries(day: DayCounters, entries: Sequence[Entry]) -> DayCounters:
    """Return the day with these entries in it."""
    if not entries:  # nearly always
        return day
    annunciated, held, returned, marks = dict(day.annunciated), dict(day.held), dict(day.returned), dict(day.marks)
    for entry in entries:
        if entry.annunciates:
            _count(annunciated, entry.alarm)
        elif entry.held and entry.cause not in (Cause.REMINDER, Cause.RAISED, Cause.RETURNED):
            _count(held, entry.alarm)
        if entry.cause is Cause.RETURNED:
            _count(returned, entry.alarm)
        if entry.cause in _MARKS:
            _count(marks, entry.text if entry.cause is Cause.MARKED else entry.cause.value)
    return replace(day, annunciated=annunciated, held=held, returned=returned, marks=marks)


def _count(counts: dict[str, int], name: str) -> None:
    counts[name] = counts.get(name, 0) + 1


def _digest(probe: ProbeConfig, carry: Carry, day: DayCounters, now: Now) -> Digest:
    return Digest(
        since_at_us=day.since_at_us,
        ph=carry.reported.believed_ph,
        u=carry.reported.believed_u,
        ph_at_us=carry.reported.believed_at_us,
        lowest=day.lowest,
        highest=day.highest,
        annunciated=day.annunciated,
        held=day.held,
        returned=day.returned,
        standing=tuple(name for name, state in carry.alarms.items() if state.shown.is_standing),
        records=day.records,
        believed=day.believed,
        gaps=day.gaps,
        gap_s=day.gap_us / 1e6,
        marks=day.marks,
        todo=tuple(_at_the_probe(probe, carry, now)),
    )


def to_do(vat: VatConfig, probe: ProbeConfig, carry: Carry, now: Now) -> Iterable[str]:
    """Yield what needs doing at a vat, as things stand: its alarms first."""
    for alarm in vat.alarms:
        state = carry.alarms.get(alarm.id, AlarmState())
        if state.shown.is_standing:
            yield f"{'look at' if state.abnormal else 'acknowledge'} {alarm.id}"
    yield from _at_the_probe(probe, carry, now)


def _at_the_probe(probe: ProbeConfig, carry: Carry, now: Now) -> Iterable[str]:
    line = carry.electrode.calibration
    if line is None:
        yield f"calibrate {probe.id}: no calibration is in force"
        return
    age_d = (now.at_us - line.at_us) / DAY_US
    checked_d = (now.at_us - (carry.electrode.estimate.at_us if carry.electrode.estimate else line.at_us)) / DAY_US
    if age_d > probe.calibrate_every_d:
        yield f"calibrate {probe.id}: the last time was {age_d:.0f} days ago"
    elif checked_d > probe.check_every_d:
        yield f"dip {probe.id} into a check buffer: the last check was {checked_d:.0f} days ago"
    if line.verdict is Acceptance.WARNED and line.findings:
        yield f"look at the electrode: {line.findings[0].rstrip('.')}"


def _lines(vat: VatConfig, probe: ProbeConfig, carry: Carry, digest: Digest, now: Now) -> tuple[str, ...]:
    wanted = [*to_do(vat, probe, carry, now)]
    first = f"{vat.name} in the morning: {_claim(carry, digest, vat.people, now)}{_ph(digest, vat.people, now)}"
    third = f"To do: {'; '.join(wanted)}." if wanted else "Nothing needs doing."
    return first, _night(digest), third


def _claim(carry: Carry, digest: Digest, people: PeopleConfig, now: Now) -> str:
    """Say what was claimed since the last summary, or that it no longer holds; empty: nothing."""
    claim, withdrawn = carry.batch.progress.claim, carry.batch.progress.withdrawn
    if withdrawn is not None and withdrawn.at_us >= digest.since_at_us:
        return f"the claim on the target was WITHDRAWN at {_at(withdrawn.at_us, people, now)}, hold the batch; "
    if claim is None or claim.at_us < digest.since_at_us:
        return ""
    return f"measured at or below pH {claim.limit_ph:g} at {_at(claim.at_us, people, now)}; "


def _at(at_us: int, people: PeopleConfig, now: Now) -> str:
    return quiet_hours.clock_time(at_us, people, now_us=now.at_us)


def _ph(digest: Digest, people: PeopleConfig, now: Now) -> str:
    if digest.ph is None or digest.ph_at_us is None:
        return "no reading was believed yet."
    newest = f"pH {notification.figure(digest.ph, digest.u)} at {_at(digest.ph_at_us, people, now)}"
    if digest.lowest is None or digest.highest is None:
        return f"{newest}."
    return f"{newest}, {digest.lowest[0]:.2f} to {digest.highest[0]:.2f} in {_span(now.at_us - digest.since_at_us)}."


def _span(length_us: int) -> str:
    return f"{max(1, round(length_us / 3.6e9))} h"


def _night(digest: Digest) -> str:
    """Say what happened, or that nothing did; a night that is not known is not called quiet."""
    alarms = [
        f"annunciated: {_counts(digest.annunciated)}" if digest.annunciated else "",
        f"held in quiet hours: {_counts(digest.held)}" if digest.held else "",
        _gaps(digest),
    ]
    happened = [part for part in alarms if part]
    believed = f"{digest.believed} of {digest.records} readings were believed"
    is_known = digest.records > 0 and digest.believed >= KNOWN * digest.records
    if not is_known:
        happened = [*happened, f"only {believed}"] if happened else [f"no alarm, but only {believed}"]
    elif not happened:
        happened = [f"a quiet night: {'no alarm' if digest.marks else 'nothing happened'}, {believed}"]
    text = "; ".join([*happened, *([f"done: {_counts(digest.marks)}"] if digest.marks else [])])
    return f"{text[0].upper()}{text[1:]}."


def _counts(counts: Mapping[str, int]) -> str:
    return ", ".join(name if n == 1 else f"{name} {n} times" for name, n in counts.items())


def _gaps(digest: Digest) -> str:
    if not digest.gaps:
        return ""
    times = "1 gap" if digest.gaps == 1 else f"{digest.gaps} gaps"
    return f"{times} without a reading, {max(1, round(digest.gap_s / 60))} min"
