"""List in annexes all that is stored of a batch.

Law: pure. A field of the record stands as it was entered; an empty one says NOT RECORDED. What a probe or a daemon is,
is told as it is configured today, and said so; the whole series is sealed by the digest, and `--data` writes it.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any
from xml.etree.ElementTree import Element

from logger.config import ProbeConfig
from logger.model import BatchContent, BatchEntry, CareEntry, Cause, Check, Correction
from logger.model.batch import (
    CriticalLimits,
    Departure,
    Finish,
    IndependentMeasurement,
    Ingredient,
    Measured,
    labels,
)
from logger.report.batch_facts import BatchFacts
from logger.report.local_time import LocalTime
from logger.report.markup import Child, element
from logger.report.night import AlarmSummary
from logger.report.tables import NOT_RECORDED, fact_list, missing, table
from logger.report.words import age
from logger.store.batch_seal import FORM
from logger.store.queries import StoredCalibration
from logger.units import SECOND_US

_DIGEST = (
    "The digest is the SHA-256 of the stored values in a canonical form. `vatvigil batch verify` makes it again from "
    "the store, and sha256sum from the file that `vatvigil batch report --data` writes. Words and figures of this page "
    "are made of these values and are not sealed by it."
)
_EVENTS = (Cause.MARKED, Cause.ATTENDED, Cause.LEFT, Cause.NOTED, Cause.AFTER_GAP, Cause.MEASURED_AT_TARGET,
           Cause.READING_AT_TARGET, Cause.CALIBRATED, Cause.CHECKED, Cause.RECORDS_LOST)  # fmt: skip


def annexes(facts: BatchFacts, clock: LocalTime) -> Iterator[Child]:
    """Yield the annexes, each with its letter."""
    record = facts.record
    parts: Sequence[tuple[str, Iterable[Child]]] = (
        ("Header", [_content(record.header, clock)]),
        ("Inputs", _each(record.ingredients, Ingredient(), clock)),
        ("Critical limits", _limits(facts, clock)),
        ("Instrument", _instrument(facts, clock)),
        ("Calibrations", [_calibration(one, facts, clock) for one in facts.calibrations] or [missing()]),
        ("Checks", [_checks(facts.checks, clock)]),
        ("Independent measurements", _each(record.measurements, None, clock)),
        ("Course by the hour", _course(facts, clock)),
        ("Gaps", [_gaps(facts, clock)]),
        ("What was added and noted", [*_each((*record.additions, *record.notes), None, clock)]),
        ("Journal: marks, checks, claims", [_events(facts, clock)]),
        ("Alarms", [_alarms(facts.alarms, clock)]),
        ("Departures", _each(record.departures, Departure(), clock)),
        ("Finished product", _each(record.finishes, Finish(), clock)),
        ("Distribution and review", _each((*record.distributions, *record.reviews), None, clock)),
        ("Corrections", [*_corrections(facts, clock)]),
        ("Retention and digest", _digest(facts)),
    )
    for number, (title, content) in enumerate(parts):
        yield element("h2", f"Annex {chr(65 + number)}: {title}", class_="new-sheet" if number == 0 else None)
        yield from content


def entered(entry: BatchEntry[Any], clock: LocalTime) -> str:
    """Say who entered something, and when if that was later."""
    by = f", entered by {entry.by}" if entry.by else ""
    return f"{by}{f', BACKDATED: entered {clock.shown(entry.at_us)}' if entry.is_backdated else ''}"


def _each(entries: Iterable[BatchEntry[Any]], empty: BatchContent | None, clock: LocalTime) -> Iterator[Element]:
    """Yield entries in full; where there is none, the fields of an empty one: none of them was recorded."""
    told = list(entries)
    for entry in told:
        corrected = ", corrected (see Corrections)" if entry.corrects else ""
        yield element("h3", f"{clock.shown(entry.happened_at_us)}: {entry.kind}{entered(entry, clock)}{corrected}")
        yield _content(entry.content, clock, note=entry.note)
        if entry.refusal:
            yield element("p", f"The watch did not do what was asked with it: {entry.refusal}")
    if not told:
        yield missing_paragraph() if empty is None else _content(empty, clock)


def missing_paragraph() -> Element:
    """Return the paragraph of an annex that holds nothing."""
    return element("p", missing())


def _content(content: BatchContent, clock: LocalTime, *, note: str = "") -> Element:
    rows = [
        (each.words, _value(getattr(content, name), each.unit, clock))
        for name, each in labels(content).items()
        if name not in _needless(content)
    ]
    return fact_list([*rows, *([("note", note)] if note else [])])


def _needless(content: BatchContent) -> tuple[str, ...]:
    """Return the fields that say nothing of this content: pH has no unit, and is not titrated."""
    is_ph = isinstance(content, IndependentMeasurement) and content.quantity == Measured.PH
    return ("unit", "acid") if is_ph else ()


def _value(value: object, unit: str, clock: LocalTime) -> str:
    """Return a field as it was entered; empty: it was not."""
    if value is None or value == "":
        return ""
    if unit == "us" and isinstance(value, int):
        return clock.shown(value)
    text = f"{value:.10g}" if isinstance(value, float) else str(value)
    return f"{text} {'°C' if unit == 'C' else unit}".strip()


def _limits(facts: BatchFacts, clock: LocalTime) -> Iterator[Element]:
    before = facts.record.limits_before_start
    if before is None:
        yield element("p", f"Set before the start: {NOT_RECORDED}.")
    yield from _each(facts.record.limits, CriticalLimits(), clock)
    if facts.from_configuration:
        names = {name: each.words for name, each in labels(CriticalLimits()).items()}
        used = [(names[name], f"{getattr(facts.limits, name):g}") for name in facts.from_configuration]
        yield element("p", "What this report judged by instead, from the configuration of the day it was made:")
        yield fact_list(used)


def _instrument(facts: BatchFacts, clock: LocalTime) -> Iterator[Element]:
    yield element("p", "As configured on the day of this report; what the instruments do not say is not recorded.")
    for probe in facts.probes:
        yield element("h3", f"Probe {probe.id}")
        yield fact_list(_probe(probe))
    yield element("h3", "Care of the probes during the batch")
    cared = [_cared(one, clock) for one in facts.care]
    yield table(("Done", "Probe", "What", "With", "Note", "Person"), cared)
    yield element("h3", "The watch")
    rows = [(clock.shown(run.started_at_us), run.version, run.config_hash) for run in facts.runs]
    yield table(("Run began", "vatvigil", "hash of the configuration"), rows)
    yield fact_list([("time source", "the clock of the computer (UTC), and a steady watch time beside it"),
                     ("stores", "\n".join(facts.stores))])  # fmt: skip


def _cared(one: CareEntry, clock: LocalTime) -> tuple[str, ...]:
    with_what = " ".join(filter(None, (one.using, one.buffer, one.lot, one.electrode)))
    return clock.shown(one.happened_at_us), one.probe, str(one.kind), with_what, one.note, one.by


def _probe(probe: ProbeConfig) -> Iterator[tuple[str, str]]:
    installed = probe.electrode_installed
    yield "serial number of the electrode", probe.electrode
    yield "in use since", "" if installed is None else installed.isoformat()
    yield "meter or transmitter", probe.identity or ""
    yield "firmware", ""
    yield "thermometer: id and last check", ""
    yield "protocol and port", f"{probe.protocol}, {probe.port}" if probe.port else ""
    yield "read every", f"{probe.poll_s:g} s"


def _calibration(stored: StoredCalibration, facts: BatchFacts, clock: LocalTime) -> Element:
    one = stored.calibration
    used = facts.course.calibrations.get(one.id, 0)
    state = f"{one.verdict}; {'accepted' if stored.accepted else 'NOT put in force when it was made'}"
    due = facts_due(facts, one.probe)
    points = [(f"{p.buffer_ph:.3f}", p.buffer, p.lot, f"{p.temperature_c:.1f}", f"{p.potential_mv:.1f}",
               "" if p.settle_s is None else f"{p.settle_s:.0f}") for p in one.points]  # fmt: skip
    segments = ", ".join(f"pH {s.low_ph:g} to {s.high_ph:g}: {s.slope:.1%}" for s in one.segments) or f"{one.slope:.1%}"
    return element(
        "section",
        element("h3", f"Calibration {one.id} of {one.probe}, {clock.shown(one.at_us)}"),
        fact_list(
            [
                ("person", one.by),
                ("result", state),
                ("why", "\n".join(one.findings) or "nothing spoke against it"),
                ("records of this batch read by it", str(used)),
                ("slope (of Nernst's)", segments),
                ("offset at pH 7; largest residual", f"{one.offset_mv:+.2f} mV; {one.residual_mv:.2f} mV"),
                ("electrode", one.electrode),
                ("next due", due),
            ]
        ),
        table(("pH at that temperature", "buffer", "lot", "°C", "mV", "settled (s)"), points, numbers=(0, 3, 4, 5)),
    )


def facts_due(facts: BatchFacts, probe: str) -> str:
    """Say how often a probe is to be calibrated, as configured today."""
    every = next((one.calibrate_every_d for one in facts.probes if one.id == probe), None)
    return "" if every is None else f"every {every:g} d"


def _checks(checks: Sequence[Check], clock: LocalTime) -> Element:
    rows = [
        (clock.shown(one.at_us), str(one.kind), one.instrument or f"{one.buffer} {one.lot}".strip(),
         f"{one.reference_ph:.3f} ± {2 * one.u_reference_ph:.3f}", f"{one.reading_ph:.3f}", f"{one.deviation_ph:+.3f}",
         "passed" if one.passed else "FAILED", one.by, one.note)
        for one in checks
    ]  # fmt: skip
    head = ("Time", "Kind", "Buffer or instrument", "Reference (k = 2)", "Probe", "Difference", "", "Person", "Note")
    return table(head, rows, numbers=(3, 4, 5))


def _course(facts: BatchFacts, clock: LocalTime) -> Iterator[Element]:
    course = facts.course
    yield element("p", f"{course.records} records, {course.read} with a reading. Lowest, median and highest of what is "
                       "believed in each hour of watch time. Empty: nothing was believed.")  # fmt: skip
    rows = []
    for one in course.hours:
        ph, celsius = one.ph or (None,) * 3, one.temperature_c or (None,) * 3
        u = "" if one.u is None else f"{2 * one.u:.2f}"
        rows.append((f"{clock.moment(one.at_us):%Y-%m-%d %H:%M}", str(one.records), str(one.believed),
                     *(_number(value, 2) for value in ph), u, *(_number(value, 1) for value in celsius)))  # fmt: skip
    head = ("Hour from", "Records", "Believed", "pH low", "median", "high", "U (k = 2)", "°C low", "median", "high")
    yield table(head, rows, numbers=range(1, 10))


def _number(value: float | None, decimals: int) -> str:
    return "" if value is None else f"{value:.{decimals}f}"


def _gaps(facts: BatchFacts, clock: LocalTime) -> Element:
    rows = [(clock.shown(one.since_us), clock.shown(one.until_us), age((one.until_us - one.since_us) / SECOND_US))
            for one in facts.curve.gaps]  # fmt: skip
    if not rows:
        return element("p", f"No time without a reading was longer than {age(facts.limits.max_gap_s)}.")
    against = ", ".join(f"{why} ({count})" for why, count in facts.curve.counts.against)
    return element("div", table(("From", "To", "Length"), rows),
                   element("p", f"What stood against single records: {against or 'nothing'}."))  # fmt: skip


def _events(facts: BatchFacts, clock: LocalTime) -> Element:
    rows = [(clock.shown(one.at_us), str(one.cause), one.text, one.by) for one in facts.journal if one.cause in _EVENTS]
    return table(("Time", "What", "Words", "Person"), rows)


def _alarms(alarms: Sequence[AlarmSummary], clock: LocalTime) -> Element:
    if not alarms:
        return element("p", "None came.")
    rows = [_alarm(one, clock) for one in sorted(alarms, key=lambda one: one.came_us)]
    return table(("Came", "Returned", "Alarm", "Priority", "Taken by", "Acknowledged", "Words"), rows)


def _alarm(one: AlarmSummary, clock: LocalTime) -> tuple[str, ...]:
    answer = one.acknowledged
    sent = "\n".join(f"{way.way} {clock.shown(way.at_us)}" for way in one.sent)
    return (
        clock.shown(one.came_us),
        "no" if one.returned_us is None else clock.shown(one.returned_us),
        one.alarm,
        one.priority,
        "held in quiet hours" if one.held else sent or "nobody",
        "no" if answer is None else f"{clock.shown(answer.at_us)} {answer.by}",
        one.text,
    )


def _corrections(facts: BatchFacts, clock: LocalTime) -> Iterator[Element]:
    rows = [(clock.shown(one.at_us), one.kind, one.words, _was(one.old), _was(one.new), one.reason, one.by)
            for one in facts.record.corrections]  # fmt: skip
    yield (
        table(("Time", "Entry", "Field", "Old", "New", "Reason", "Person"), rows)
        if rows
        else element("p", "No entry was corrected.")
    )
    late = [one for one in facts.record.entries if one.is_backdated]
    if late:
        yield element("h3", "Entered later than it happened")
        times = [(clock.shown(one.happened_at_us), clock.shown(one.at_us), str(one.kind), one.by) for one in late]
        yield table(("Happened", "Entered", "Entry", "Person"), times)
    if facts.corrections:
        yield element("h3", "Corrections of readings")
        head = ("Entered", "Of", "From", "To", "Why", "Person")
        yield table(head, [_reading_correction(one, clock) for one in facts.corrections])


def _reading_correction(one: Correction, clock: LocalTime) -> tuple[str, ...]:
    entered_at, since, until = (clock.shown(at_us) for at_us in (one.at_us, one.since_at_us, one.until_at_us))
    return entered_at, one.probe, since, until, one.why, one.by


def _was(value: object) -> str:
    return NOT_RECORDED if value in (None, "") else str(value)


def _digest(facts: BatchFacts) -> Iterator[Element]:
    yield fact_list([("keep this record until", facts.record.header.retention)])
    yield element("p", f"{_DIGEST} Form: {FORM}, version {facts.head.version}.")
    rows = [(name, str(count), digest) for name, (count, digest) in facts.seal.sections.items()]
    whole = ("the whole", "", facts.seal.digest)
    yield table(("Section", "Rows", "SHA-256"), [*rows, whole], numbers=(1,), hashes=(2,))
