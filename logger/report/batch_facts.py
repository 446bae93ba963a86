"""Gather all that a report tells of a batch: its record, its course, what the log and the journal hold of it.

Law: reads only, in pieces, from one store or from several that follow each other. Everything stored is told as it was
stored. By which limits the course is judged: by those in the record of the batch; what it lacks is taken from the
configuration of today, and the report says so.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from operator import attrgetter
from typing import BinaryIO, TypeVar

from logger.config import AlarmKind, Config, ProbeConfig, VatConfig
from logger.errors import RefusedError
from logger.model import AnyEntry, BatchRecord, CareEntry, Cause, Check, Correction, Entry, Measurements
from logger.model.batch import CriticalLimits
from logger.model.batch_record import compose
from logger.model.care import standing
from logger.report.batch_course import BatchCourse, CourseFollower, CourseLimits
from logger.report.curve import Curve, CurveFrame, Setpoint
from logger.report.night import AlarmSummary, alarm_marks, entries_of, moments_of, ph_setpoints, readings_of, summaries
from logger.report.reduction import reduce
from logger.store import Store, batch_seal, batches, queries
from logger.store import care as care_diary
from logger.store.batch_seal import Seal, SealHead
from logger.store.history import RecordSpan
from logger.store.queries import Run, StoredCalibration
from logger.structs import replace
from logger.units import HOUR_US
from logger.watch.forecasting import due_h

END = 2**63
WITHDRAWN, ABOVE = AlarmKind.CLAIM_WITHDRAWN, AlarmKind.ABOVE_TARGET


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchFacts:
    """All that a report tells."""

    record: BatchRecord
    vat: VatConfig
    """As it is configured today."""
    probes: tuple[ProbeConfig, ...]
    """Those that watched it, as they are configured today."""
    simulated: bool
    made_at_us: int
    version: str
    """Of the program that makes the report."""
    until_us: int
    """The end of the batch, or now while it goes on."""
    limits: CourseLimits
    from_configuration: tuple[str, ...]
    """Limits that the record lacks, so today's configuration gave them."""
    curve: Curve
    course: BatchCourse
    calibrations: tuple[StoredCalibration, ...]
    """Of its probes, up to its end; oldest first."""
    checks: tuple[Check, ...]
    corrections: tuple[Correction, ...]
    care: tuple[CareEntry, ...]
    """What was done to the probes while the batch went on."""
    journal: tuple[Entry, ...]
    alarms: tuple[AlarmSummary, ...]
    runs: tuple[Run, ...]
    stores: tuple[str, ...]
    head: SealHead
    seal: Seal

    @property
    def claims(self) -> list[Entry]:
        """Return the claims on the target, oldest first."""
        return [entry for entry in self.journal if entry.cause is Cause.MEASURED_AT_TARGET]

    @property
    def withdrawals(self) -> list[Entry]:
        """Return what ended claims."""
        kinds = {alarm.id for alarm in self.vat.alarms if alarm.kind is WITHDRAWN} | {WITHDRAWN.value}
        return [one for one in self.journal if one.alarm in kinds and (one.annunciates or one.held)]

    @property
    def above_alarms(self) -> set[str]:
        """Return the names of alarms that say that pH is above its target again after a claim."""
        return {alarm.id for alarm in self.vat.alarms if alarm.kind is ABOVE} | {ABOVE.value}

    def is_over(self, alarm: AlarmSummary) -> bool:
        """Tell whether an alarm returned before the end; one that the end itself ended is not over."""
        return alarm.returned_us is not None and alarm.returned_us < self.until_us


def record_of(stores: Sequence[Store], name: str) -> BatchRecord:
    """Return the batch that somebody means, of the entries of all stores. Raises RefusedError."""
    found = _first_found(stores, name)
    entries = {entry.entry: entry for store in stores for entry in _entries(store, found.id)}
    return compose(sorted(entries.values(), key=attrgetter("at_us", "id")))


def _first_found(stores: Sequence[Store], name: str) -> BatchRecord:
    refusals = []
    for store in stores:
        try:
            return batches.find(store, name)
        except RefusedError as refused:
            refusals.append(refused)
    raise refusals[0]


def _entries(store: Store, batch: str) -> Sequence[AnyEntry]:
    found = batches.record(store, batch)
    return () if found is None else found.entries


def gather(
    config: Config,
    stores: Sequence[Store],
    record: BatchRecord,
    *,
    at_us: int,
    version: str,
    sink: BinaryIO | None = None,
    advance: Callable[[int], object] = lambda _: None,
) -> BatchFacts:
    """Return the facts of a batch. Raises RefusedError.

    `at_us`: now; `sink`: takes the sealed bytes; `advance`: is told how many records more were read.
    """
    unknown = VatConfig(id=record.vat, name=record.vat, probe="")
    vat = next((one for one in config.vats if one.id == record.vat), unknown)
    until_us = at_us if record.ended_at_us is None else record.ended_at_us
    ordered = _in_order(stores, record)
    spans = [found for _, found in ordered]
    probes = _probes(config, chain.from_iterable(spans))
    head = batch_seal.head_of(
        [store for store, _ in ordered], batch=record.id, vat=record.vat, since_us=record.started_at_us,
        until_us=until_us, simulated=config.simulated, spans=spans,
    )  # fmt: skip
    limits, lacking = _limits(vat, record, until_us, max((one.limits.max_gap_s for one in probes), default=300.0))
    journal = _all(ordered, lambda store: batches.journal_of(store, record))
    ids = [probe.id for probe in probes]
    checks = _once(_all(ordered, lambda store: _checks(store, record, ids, until_us)))
    follower = CourseFollower(limits=limits)
    sealing = batch_seal.Sealing([store for store, _ in ordered], head, sink)
    sealing.begin()
    frame = _frame(vat, limits, journal, checks, probes=ids, simulated=config.simulated)
    curve = reduce(frame, follower.follow(_told(sealing.records(), advance)))
    course = follower.course()
    return BatchFacts(
        record=record,
        vat=vat,
        probes=tuple(probes),
        simulated=config.simulated,
        made_at_us=at_us,
        version=version,
        until_us=until_us,
        limits=limits,
        from_configuration=tuple(lacking),
        curve=replace(curve, frame=replace(curve.frame, forecasts=course.forecasts)),
        course=course,
        calibrations=tuple(_calibrations(ordered, ids, limits, course.calibrations)),
        checks=tuple(checks),
        corrections=tuple(
            _all(ordered, lambda store: (one for probe in ids for one in queries.corrections(store, probe)))
        ),
        care=tuple(_care(ordered, ids, limits)),
        journal=tuple(journal),
        alarms=tuple(_all(ordered, lambda store: _alarms(store, record, until_us))),
        runs=tuple(_all(ordered, lambda store: _runs(store, record, until_us))),
        stores=tuple(store.where for store, _ in ordered),
        head=head,
        seal=sealing.seal(),
    )


Ordered = Sequence[tuple[Store, list[RecordSpan]]]
T = TypeVar("T")
N = TypeVar("N", Check, Correction)


def _in_order(stores: Sequence[Store], record: BatchRecord) -> Ordered:
    """Return the stores by their first record of a batch, each with what it alone holds.

    Raises RefusedError for a store whose records another has too: all that it holds would count twice.
    """
    found = [(store, batches.spans_of(store, record)) for store in stores]
    found = sorted(found, key=lambda each: min((span.first for span in each[1]), default=END))  # as `place_of` has it
    taken: dict[str, int] = {}
    ordered = []
    for store, spans in found:
        own = [replace(span, first=max(span.first, taken.get(span.probe, 0) + 1)) for span in spans]
        own = [span for span in own if span.first <= span.last]
        if spans and not own:
            raise RefusedError(f"all records of {store.where} are in another of the stores: name each store once")
        ordered.append((store, own))
        taken |= {span.probe: max(span.last, taken.get(span.probe, 0)) for span in spans}
    return ordered


def _told(pieces: Iterable[Measurements], advance: Callable[[int], object]) -> Iterator[Measurements]:
    for rows in pieces:
        advance(len(rows))
        yield rows


def _probes(config: Config, spans: Iterable[RecordSpan]) -> list[ProbeConfig]:
    """Return the probes of some spans; one that is no longer configured with nothing but its name."""
    known = {probe.id: probe for probe in config.probes}
    return [known.get(name, ProbeConfig(id=name, port="")) for name in dict.fromkeys(span.probe for span in spans)]


def _once(found: Iterable[N]) -> list[N]:
    """Return things by their number, each once: a store that was begun anew has those that its watch went on with."""
    return list({one.id: one for one in found}.values())


def _all(ordered: Ordered, read: Callable[[Store], Iterable[T]]) -> list[T]:
    """Return what the stores hold, one after another; what an archive and its store both have, once."""
    told: list[T] = []
    for store, _ in ordered:
        known = {*told}
        told += [each for each in read(store) if each not in known]
    return told


def _limits(vat: VatConfig, record: BatchRecord, until_us: int, max_gap_s: float) -> tuple[CourseLimits, list[str]]:
    """Return by what the course is judged, and what of it the record lacks."""
    entered = record.limits_before_start or next(iter(record.limits[-1:]), None)
    said = CriticalLimits() if entered is None else entered.content
    configured = {
        "ph": None if vat.target is None else vat.target.ph,
        "deadline_h": due_h(vat),
        "low_c": _setpoint(vat, AlarmKind.TEMPERATURE_LOW),
        "high_c": _setpoint(vat, AlarmKind.TEMPERATURE_HIGH),
    }
    values = {name: getattr(said, name) for name in configured}
    lacking = [name for name, value in values.items() if value is None and configured[name] is not None]
    judged = {name: configured[name] if value is None else value for name, value in values.items()}
    limits = CourseLimits(since_us=record.started_at_us, until_us=until_us, max_gap_s=max_gap_s, **judged)
    return limits, lacking


def _setpoint(vat: VatConfig, kind: AlarmKind) -> float | None:
    return next((alarm.setpoint for alarm in vat.alarms if alarm.kind is kind), None)


def _frame(
    vat: VatConfig,
    limits: CourseLimits,
    journal: Sequence[Entry],
    checks: Iterable[Check],
    *,
    probes: Sequence[str],
    simulated: bool,
) -> CurveFrame:
    critical = [] if limits.ph is None else [Setpoint("limit", limits.ph)]
    band = [Setpoint(name, value) for name, value in (("low", limits.low_c), ("high", limits.high_c))
            if value is not None]  # fmt: skip
    due_us = None if limits.deadline_h is None else limits.since_us + round(limits.deadline_h * HOUR_US)
    return CurveFrame(
        vat=vat.id,
        name=vat.name,
        probe=", ".join(probes),
        simulated=simulated,
        since_us=limits.since_us,
        until_us=max(limits.until_us, limits.since_us + 1),
        max_gap_s=limits.max_gap_s,
        ph_setpoints=tuple(dict.fromkeys([*critical, *ph_setpoints(vat)])),
        temperature_setpoints=tuple(band),
        alarms=tuple(alarm_marks(journal)),
        moments=tuple(moments_of(vat, journal)),
        checks=tuple(readings_of(checks, vat.id, limits.since_us, limits.until_us + 1)),
        deadline_us=due_us,
    )


def _checks(store: Store, record: BatchRecord, probes: Sequence[str], until_us: int) -> Iterator[Check]:
    """Yield the checks of the probes while the batch went on, and those in its vat."""
    for probe in probes:
        for check in queries.checks(store, probe):
            if record.started_at_us <= check.at_us <= until_us:
                yield check


def _calibrations(
    ordered: Ordered, probes: Sequence[str], limits: CourseLimits, used: Mapping[int, int]
) -> list[StoredCalibration]:
    """Return the calibrations by which records of a batch were read, and those made while it went on."""
    known = _all(ordered, lambda store: (one for probe in probes for one in queries.calibrations(store, probe)))
    by_number = {one.calibration.id: one for one in known}
    during = (limits.since_us, limits.until_us)
    return [one for number, one in by_number.items() if number in used or _within(one.calibration.at_us, *during)]


def _care(ordered: Ordered, probes: Sequence[str], limits: CourseLimits) -> list[CareEntry]:
    entries = _all(ordered, lambda store: (one for probe in probes for one in care_diary.diary(store, probe)))
    known = standing({one.entry: one for one in entries}.values())
    return [one for one in known if _within(one.happened_at_us, limits.since_us, limits.until_us)]


def _within(at_us: int, since_us: int, until_us: int) -> bool:
    return since_us <= at_us <= until_us


def _runs(store: Store, record: BatchRecord, until_us: int) -> list[Run]:
    """Return the run that was on when the batch began, and those that began in it."""
    known = [run for run in queries.runs(store) if run.started_at_us <= until_us]
    before = [run for run in known if run.started_at_us <= record.started_at_us]
    return [*before[-1:], *(run for run in known if run.started_at_us > record.started_at_us)]


def _alarms(store: Store, record: BatchRecord, until_us: int) -> Iterator[AlarmSummary]:
    own = entries_of(store, "", since_us=record.started_at_us, until_us=until_us + 1)
    yield from summaries(store, [*batches.journal_of(store, record), *own])
