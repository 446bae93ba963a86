"""Count the alarms of a replay, and compare two sets of settings.

Law: pure; nothing is evaluated here, the pipeline's entries are counted. Times are watch time, so a clock that was
set meanwhile changes no length.

An occurrence stands from its annunciation until its condition returns, a cover is laid over it, a re-alarm begins the
next occurrence, or the source ends.

Nuisance and detection are judged by what lasted: process alarms have no other truth, since a vat leaves its limits
without any fault of the probe. An annunciation that detects something is no nuisance in a sweep, however soon it
returned.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from logger.config import AlarmConfig, VatConfig
from logger.model import Cause, Entry, Outcome, State
from logger.recording import KnownFault
from logger.structs import replace
from logger.units import SECOND_US

WITHIN_S = 1800.0
"""What returns by itself within this time was a nuisance. Common practice, no source."""
STANDING = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """One annunciation and how long it stood: watch time from `start_us` to `end_us`."""

    at_us: int
    start_us: int
    end_us: int
    returned: bool = False
    """The condition returned, seen by everybody."""
    acknowledged: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Annunciations:
    """All occurrences by alarm, in order, and how much was watched."""

    occurrences: Mapping[str, Sequence[Occurrence]]
    records: int
    begin_at_us: int
    end_us: int
    seconds: float
    calibrated: bool
    """A calibration was in force at the end, so pH was claimed."""

    def of(self, alarm: str) -> Sequence[Occurrence]:
        """Return the occurrences of an alarm; none for one that never spoke."""
        return self.occurrences.get(alarm, ())


@dataclass(slots=True)
class OccurrenceRecorder:
    """Takes in the outcomes of one watch, in order."""

    standing: dict[str, Occurrence] = field(default_factory=dict)
    over: dict[str, list[Occurrence]] = field(default_factory=dict)
    records: int = 0
    begin_at_us: int = 0
    first_us: int = 0
    last_us: int = 0
    calibrated: bool = False

    def take(self, outcome: Outcome) -> None:
        """Count the entries of a step."""
        rows = outcome.measurements
        if not self.records:
            self.begin_at_us, self.first_us = int(rows.at_us[0]), int(rows.elapsed_us[0])
        self.records += len(rows)
        self.last_us = int(rows.elapsed_us[-1])
        self.calibrated = outcome.carry.electrode.calibration is not None
        for entry in outcome.entries:
            if entry.alarm and entry.after is not None:
                self._record(entry, int(rows.elapsed_us[np.searchsorted(rows.seq, entry.seq)]))

    def annunciations(self) -> Annunciations:
        """Return the occurrences so far; one that still stands does so until the last record."""
        standing = {alarm: [replace(last, end_us=self.last_us)] for alarm, last in self.standing.items()}
        names = self.over.keys() | standing.keys()
        span_us = self.last_us - self.first_us
        return Annunciations(
            occurrences={name: (*self.over.get(name, ()), *standing.get(name, ())) for name in names},
            records=self.records,
            begin_at_us=self.begin_at_us,
            end_us=self.last_us,
            seconds=span_us / SECOND_US * self.records / max(self.records - 1, 1),
            calibrated=self.calibrated,
        )

    def _record(self, entry: Entry, now_us: int) -> None:
        standing = self.standing.get(entry.alarm)
        if standing is not None and (entry.annunciates or entry.after not in STANDING):
            ended = replace(standing, end_us=now_us, returned=entry.cause is Cause.RETURNED)
            self.over.setdefault(entry.alarm, []).append(ended)
            del self.standing[entry.alarm]
        elif standing is not None and entry.after is State.ACKNOWLEDGED:
            self.standing[entry.alarm] = replace(standing, acknowledged=True)
        if entry.annunciates:
            self.standing[entry.alarm] = Occurrence(at_us=entry.at_us, start_us=now_us, end_us=now_us)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judge:
    """What makes an annunciation a nuisance."""

    within_s: float = WITHIN_S
    faults: Sequence[KnownFault] | None = None
    """What was wrong with the probe; None: nobody knows."""

    def is_nuisance(self, alarm: AlarmConfig, occurrence: Occurrence) -> bool:
        """Tell whether it returned soon, unacknowledged; of an instrument alarm, if known, whether no fault stood.

        A process alarm tells of the vat, which leaves its limits without any fault of the probe. A fault counts one
        window longer than it stands: the window in which it ended is judged after it.
        """
        if self.faults is None or alarm.kind.has_value:
            length_us = occurrence.end_us - occurrence.start_us
            return occurrence.returned and not occurrence.acknowledged and length_us <= self.within_s * SECOND_US
        margin_us = round(alarm.window_s * SECOND_US)
        return not any(stood(fault, occurrence.start_us, margin_us=margin_us) for fault in self.faults)


def stood(fault: KnownFault, time_us: int, *, margin_us: int = 0) -> bool:
    """Tell whether a fault stood at a watch time, or so shortly before."""
    return fault.from_us <= time_us and (fault.until_us is None or time_us <= fault.until_us + margin_us)


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """The occurrences of one alarm, counted."""

    annunciations: int
    first_at_us: int | None
    standing_s: float
    nuisance: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonRow:
    """One alarm under both settings; None: not an alarm there."""

    alarm: str
    present: Summary | None
    other: Summary | None

    @property
    def differs(self) -> bool:
        """Tell whether the settings make any difference."""
        return self.present != self.other


def summary(alarm: AlarmConfig, occurrences: Sequence[Occurrence], judge: Judge) -> Summary:
    """Count the occurrences of one alarm."""
    return Summary(
        annunciations=len(occurrences),
        first_at_us=occurrences[0].at_us if occurrences else None,
        standing_s=sum(one.end_us - one.start_us for one in occurrences) / SECOND_US,
        nuisance=sum(judge.is_nuisance(alarm, one) for one in occurrences),
    )


def compare(
    present: tuple[VatConfig, Annunciations], other: tuple[VatConfig, Annunciations], *, judge: Judge
) -> list[ComparisonRow]:
    """Return a line for each alarm of either settings, in the order of the present ones."""
    ours, theirs = _summaries(*present, judge), _summaries(*other, judge)
    return [ComparisonRow(alarm=name, present=ours.get(name), other=theirs.get(name)) for name in {**ours, **theirs}]


def annunciations_of(outcomes: Iterable[Outcome]) -> Annunciations:
    """Return the occurrences of a watch over a whole source."""
    listener = OccurrenceRecorder()
    for outcome in outcomes:
        listener.take(outcome)
    return listener.annunciations()


def _summaries(vat: VatConfig, annunciations: Annunciations, judge: Judge) -> dict[str, Summary]:
    return {alarm.id: summary(alarm, annunciations.of(alarm.id), judge) for alarm in vat.alarms}
