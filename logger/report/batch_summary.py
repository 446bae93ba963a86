"""Say in plain words what a batch showed: the first page of its report.

Law: pure; every sentence rests on what is stored or counted, and says how much of it is known. Nothing is called safe,
and nothing kept is said of a time that is not known. What is missing is said, not passed over.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter

from logger.measure.exposure import Exposure
from logger.model import Acceptance, CheckKind, Entry
from logger.model.batch import Measured
from logger.report.batch_course import DEGREE_HOURS_C
from logger.report.batch_facts import BatchFacts
from logger.report.local_time import LocalTime
from logger.report.tables import NOT_RECORDED
from logger.report.words import age, counted, first_sentence
from logger.units import HOUR_US, SECOND_US

_CHECKED_BY = {CheckKind.SPOT: "another instrument", CheckKind.BUFFER: "a check buffer"}


@dataclass(frozen=True, slots=True)
class HoursRow:
    """A line of the table of hours: of what, and how long, in words."""

    what: str
    hours: str
    remark: str = ""


def shown(facts: BatchFacts, clock: LocalTime) -> Iterator[str]:
    """Yield what was shown, with what confidence."""
    limits = facts.limits
    if not facts.course.records:
        yield "The log holds no record of this batch: nothing was shown."
        return
    if limits.ph is None:
        yield "No limit of pH was set, so none was shown to be kept."
    else:
        yield from _claims(facts, clock)
    yield from _lowest(facts, clock)
    yield from _independent(facts, clock)
    yield ("All this is of the brine at the probe. What the inside of the pieces is, a blended sample shows; see the "
           "finished product in the annex.")  # fmt: skip


def _claims(facts: BatchFacts, clock: LocalTime) -> Iterator[str]:
    limit = f"{facts.limits.ph:g}"
    if not facts.claims:
        yield f"It was NOT SHOWN that pH came to {limit} or below: no claim was made."
        return
    for claim in facts.claims:
        yield f"{clock.shown(claim.at_us)}: a claim was made{_late(facts, claim)}: {first_sentence(claim.text)}."
    against = [*_against_claim(facts, clock)]
    yield from against
    if against:
        yield f"So this record does NOT SHOW that pH came to {limit} or below."
    else:
        yield "Nothing in this record speaks against the newest claim; what it rests on stands in the journal's annex."


def _against_claim(facts: BatchFacts, clock: LocalTime) -> Iterator[str]:
    """Yield what came after the newest claim and speaks against it."""
    claimed_us = max(one.at_us for one in facts.claims)
    for one in facts.withdrawals:
        if one.at_us >= claimed_us:
            yield f"{clock.shown(one.at_us)}: the claim was WITHDRAWN. {first_sentence(one.text)}."
    for alarm in facts.alarms:
        if alarm.alarm in facts.above_alarms and alarm.came_us >= claimed_us and not facts.is_over(alarm):
            came = clock.shown(alarm.came_us)
            yield f"{came}, after the claim and until the end: {first_sentence(alarm.text)}."
    for check in facts.checks:
        if check.kind is CheckKind.SPOT and not check.passed and check.at_us > claimed_us:
            yield f"{clock.shown(check.at_us)}, after the claim: another instrument read {check.reference_ph:.2f}."


def _late(facts: BatchFacts, claim: Entry) -> str:
    due_us = facts.curve.frame.deadline_us
    if due_us is None:
        return ""
    off = age(abs(due_us - claim.at_us) / SECOND_US)
    return f", {off} before the deadline" if claim.at_us <= due_us else f", LATE, {off} after the deadline"


def _lowest(facts: BatchFacts, clock: LocalTime) -> Iterator[str]:
    curve = facts.curve
    for name, point in (("highest", curve.highest), ("lowest", curve.lowest), ("last", curve.newest)):
        if point is not None:
            value = f"{point.value:.2f} ± {point.expanded_u:.2f} (k = 2)"
            yield f"The {name} pH that is believed is {value}, at {clock.shown(point.at_us)}."


def _independent(facts: BatchFacts, clock: LocalTime) -> Iterator[str]:
    readings = [one for one in facts.record.measurements if one.content.quantity == Measured.PH]
    for one in readings[-1:]:
        by = f" by {one.content.instrument}" if one.content.instrument else ""
        u = "" if one.content.u is None else f" ± {2 * one.content.u:.2f} (k = 2)"
        value = NOT_RECORDED if one.content.value is None else f"{one.content.value:.2f}"
        yield f"The newest independent measurement is pH {value}{u}{by}, at {clock.shown(one.happened_at_us)}."
    if not readings:
        yield f"An independent measurement of pH: {NOT_RECORDED}."


def hours(facts: BatchFacts) -> Iterator[HoursRow]:
    """Yield how long the batch was within and beyond its limits, and how long that is not known."""
    limits, course = facts.limits, facts.course
    yield HoursRow("the batch, from start to end", _h(facts.until_us - limits.since_us))
    if limits.ph is not None:
        name = f"pH above {limits.ph:g}"
        yield HoursRow(name, _h(course.ph.above_us), "by the readings that are believed")
        yield HoursRow(f"{name} cannot be excluded", _h(course.ph_with_u.above_us), "with their uncertainty (k = 2)")
        yield HoursRow(f"pH at {limits.ph:g} or below", _h(course.ph.within_us), "by the readings that are believed")
    yield HoursRow("pH not known", _unknown(facts, course.ph), "no reading, or none that is believed")
    yield from _temperature(facts)
    yield HoursRow("temperature not known", _unknown(facts, course.temperature), "no reading, or none believed")
    degree_hours = f"{course.warm.above_unit_hours:.0f} °C h"
    yield HoursRow(
        f"degree-hours above {DEGREE_HOURS_C:g} °C", degree_hours, f"in the {_h(course.warm.known_us)} that are known"
    )


def _temperature(facts: BatchFacts) -> Iterator[HoursRow]:
    limits, exposure = facts.limits, facts.course.temperature
    if limits.high_c is not None:
        yield HoursRow(f"temperature above {limits.high_c:g} °C", _h(exposure.above_us))
    if limits.low_c is not None:
        yield HoursRow(f"temperature below {limits.low_c:g} °C", _h(exposure.below_us))
    if limits.low_c is None and limits.high_c is None:
        yield HoursRow("temperature out of its band", NOT_RECORDED, "no band was set")


def _unknown(facts: BatchFacts, exposure: Exposure) -> str:
    """Say how long nothing is known: between records, and before the first and after the last."""
    ends = facts.course.ends_us
    lost_us = facts.until_us - facts.limits.since_us if ends is None else (
        max(0, ends[0] - facts.limits.since_us) + max(0, facts.until_us - ends[1])
    )  # fmt: skip
    return _h(exposure.unknown_us + lost_us)


def _h(time_us: int) -> str:
    return f"{time_us / HOUR_US:.2f} h"


def doubts(facts: BatchFacts, clock: LocalTime) -> Iterator[str]:
    """Yield what stands against what was shown, or is not known."""
    yield from _of_readings(facts, clock)
    yield from _of_instrument(facts, clock)
    yield from _of_alarms(facts, clock)
    yield from _of_record(facts)


def _of_readings(facts: BatchFacts, clock: LocalTime) -> Iterator[str]:
    counts, gaps = facts.curve.counts, facts.curve.gaps
    if counts.records and counts.believed < counts.records:
        yield f"{counts.records - counts.believed} of {counts.records} records are not believed."
    for one in facts.curve.not_believed[:6]:
        yield f"Not believed {clock.shown(one.since_us)} to {clock.shown(one.until_us)}: {one.why}."
    if gaps:
        total_s = sum(one.until_us - one.since_us for one in gaps) / SECOND_US
        longest = max(gaps, key=lambda one: one.until_us - one.since_us)
        where = f"{clock.shown(longest.since_us)} to {clock.shown(longest.until_us)}"
        yield f"{counted(len(gaps), 'gap')} without a reading, {age(total_s)} in all; the longest {where}."


def _of_instrument(facts: BatchFacts, clock: LocalTime) -> Iterator[str]:
    for stored in facts.calibrations:
        one = stored.calibration
        if facts.record.started_at_us < one.at_us <= facts.until_us:
            made = f"{clock.shown(one.at_us)}: calibration {one.id} of {one.probe}"
            why = f": {' '.join(one.findings)}" if one.findings else ""
            if one.verdict is Acceptance.REFUSED:
                yield f"{made} was REFUSED{why}"
            elif facts.course.calibrations.get(one.id):
                yield f"{made} changed the line by which pH is read, in the midst of the batch{why}."
    for check in (one for one in facts.checks if not one.passed):
        kind = _CHECKED_BY.get(check.kind, str(check.kind))
        yield (f"{clock.shown(check.at_us)}: {kind} differed by {check.deviation_ph:+.2f} pH from the probe, more than "
               f"{check.tolerance_ph:g} are tolerated.")  # fmt: skip
    if not facts.calibrations:
        yield f"Calibration of the probe: {NOT_RECORDED}."


def _of_alarms(facts: BatchFacts, clock: LocalTime) -> Iterator[str]:
    standing = [one for one in facts.alarms if not facts.is_over(one) and one.alarm not in facts.above_alarms]
    for one in standing:
        came = clock.shown(one.came_us)
        yield f"The alarm {one.alarm} came {came} and stood until the end: {first_sentence(one.text)}."
    unsent = [one for one in facts.alarms if not one.sent and not one.held]
    if unsent:
        yield f"{counted(len(unsent), 'alarm')} reached nobody by any way that is stored."
    for name, group in groupby(sorted(facts.alarms, key=attrgetter("alarm")), key=attrgetter("alarm")):
        if name == "trust-lost":
            yield f"Trust in the probe was lost: {counted(len(list(group)), 'time')}."


def _of_record(facts: BatchFacts) -> Iterator[str]:
    record = facts.record
    late = [entry for entry in record.entries if entry.is_backdated]
    if late:
        yield f"Entered later than it happened: {len(late)} of the record's entries; each says so in the annex."
    if record.corrections:
        yield f"Corrected in the record: {counted(len(record.corrections), 'field')}; old and new stand in the annex."
    if record.limits_before_start is None:
        yield f"Critical limits set before the start: {NOT_RECORDED}."
    if facts.from_configuration:
        yield "Some limits are not in the record; those of today's configuration stand in their place."
    if not any(one.content.equilibrium_ph is not None for one in record.finishes):
        yield f"Equilibrium pH of the finished product: {NOT_RECORDED}."
    open_ones = [one for one in record.departures if not one.content.disposition]
    if open_ones:
        yield f"Without a disposition: {counted(len(open_ones), 'departure')}."
    if record.end is None:
        yield "The batch has not ended: this report is of the time until it was made."


def departures(facts: BatchFacts, clock: LocalTime) -> Iterator[str]:
    """Yield the departures in a line each."""
    for number, one in enumerate(facts.record.departures, 1):
        said = one.content
        span = " to ".join(clock.shown(at_us) for at_us in (said.from_at_us, said.until_at_us) if at_us is not None)
        when = span or clock.shown(one.happened_at_us)
        yield (f"{number}. {when}: {said.limit or NOT_RECORDED}. Cause: {said.cause or NOT_RECORDED}. "
               f"Action: {said.immediate_action or said.corrective_action or NOT_RECORDED}. "
               f"Disposition: {said.disposition or NOT_RECORDED}.")  # fmt: skip
