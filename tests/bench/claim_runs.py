"""Carry one vat through the pipeline with a person who checks its probe, and say what was claimed and what was true.

Law: only outcomes are looked at: claims, how the vat stands to its target, and each reading with its u. The watch is
carried in one step to whatever a person does next; nobody looks before the reading is a little below the limit, for
above it there is nothing to ask.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logger.config import ProbeConfig, TargetConfig, VatConfig
from logger.errors import RefusedError
from logger.measure import comparison
from logger.measure.calibration import ph_of
from logger.measure.comparison import Spot
from logger.measure.target_standing import TargetStanding, TargetState, standing
from logger.model import (
    Block,
    Calibration,
    Cause,
    Check,
    CheckKind,
    Command,
    CommandKind,
    Floats,
    Lack,
    Mark,
    Measurements,
    WatchState,
)
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from tests.bench.claim_errors import GLASS_PH, NOISE_MV, RESOLUTION_MV, RIGHT, Creep, Equipment, Scales
from tests.bench.claim_sets import HOURS, LIMIT_PH, SETS, Course

MIDNIGHT_US = 1_795_478_400_000_000
"""2026-11-24T00:00:00Z."""
FILLED_AT = 10.0
"""Hour of the day."""
POLL_S = 60.0
PROBE = ProbeConfig(id="probe", port="/dev/null", poll_s=POLL_S)
AWAKE = (7.0, 22.0)
SETTLED_PH, SETTLED_H = 4.2, 48.0
CREEPS_FROM_PH = 5.3
AGAIN_H = 0.25
"""Where there is nothing to compare with somebody comes again so much later."""
CURED = {Lack.CONFIRMATION, Lack.QUESTION}
"""What a measurement beside the probe gives: where nothing else lacks it is asked for."""
WATCHED_BEFORE_H = 18.0
"""A watch begins so long before the reading comes to the limit, if nobody comes before; trust is learnt by then."""
ROOM_PH = 0.03
"""Nobody is asked who reads no further below the limit than this: no rule that minds its doubt claims there."""
ROWS = 65_536


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody's habits; hours of the day."""

    spots_at: tuple[float, ...] = ()
    buffers_at: tuple[float, ...] = ()
    asked: bool = False
    """Measures beside the probe within an hour of being asked, from 7 to 22 o'clock."""
    u_ph: float = 0.05
    instrument: str = "meter"


PERSONS = {
    "asked": Person(asked=True),
    "08 and 20 h": Person(spots_at=(8.0, 20.0)),
    "08, 20 h and asked": Person(spots_at=(8.0, 20.0), asked=True),
    "daily and asked": Person(spots_at=(8.0,), asked=True),
    "daily": Person(spots_at=(8.0,)),
    "strips, 08 and 20 h": Person(spots_at=(8.0, 20.0), u_ph=0.2, instrument="strip"),
    "buffers only": Person(buffers_at=(8.0,)),
    "nobody": Person(),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One vat with one person."""

    set: str
    number: int
    person: str
    scales: Scales = RIGHT
    creep: float = 0.0
    """pH a day."""
    after_spot: bool = False
    """The creep begins with the first measurement beside the probe at or below 5.3, not before."""
    followed_h: float = 0.0
    """So long it is looked whether a claim stands."""
    is_whole: bool = False
    """All readings are kept, whatever is claimed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A claim: hour, true pH then, what the newest measurement beside the probe found (reading less it)."""

    hour: float
    true_ph: float
    found_ph: float = math.nan
    withdrawn_h: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What came of a vat. Hours since its filling."""

    case: Case
    crossed_h: float
    """When its true pH first came to the limit; infinity: never."""
    settled_h: float
    """When it had been at or below 4.2 for 48 h."""
    claim: Made | None
    spots: int
    """Measurements beside the probe."""
    begins: bool = True
    """The creep that was asked for begins in this vat."""

    @property
    def is_early(self) -> bool:
        return self.claim is not None and self.claim.true_ph > LIMIT_PH

    @property
    def is_never(self) -> bool:
        """Tell whether it was settled and not claimed by then."""
        return self.settled_h < math.inf and (self.claim is None or self.claim.hour > self.settled_h)


@dataclass(slots=True)
class Batch:
    """One vat from its filling on."""

    case: Case
    person: Person = field(init=False)
    equipment: Equipment = field(init=False)
    watch: Watch = field(init=False)
    hours: Floats = field(init=False)
    true_ph: Floats = field(init=False)
    celsius: Floats = field(init=False)
    block: Block = field(init=False)
    line: Calibration = field(init=False)
    state: WatchState = field(init=False)
    rows: list[Measurements] = field(default_factory=list)
    waiting: list[Command] = field(default_factory=list)
    found_ph: float = math.nan
    shown: NDArray[np.bool_] | None = None
    """What `shows_room` looks up."""
    claim: Made | None = None
    done: int = 0
    commands: int = 0
    spots: int = 0

    def __post_init__(self) -> None:
        """Fill the vat, put a calibrated probe in, and say so."""
        chosen, number = SETS[self.case.set], self.case.number
        self.person = PERSONS[self.case.person]
        self.watch = watch_for()
        self.equipment = Equipment(chosen.rng(number, 1), self.case.scales)
        course = chosen.course(number)
        self.hours = np.arange(HOURS * 3600.0 // POLL_S) * POLL_S / 3600.0
        self.true_ph = np.interp(self.hours, course.hours, course.ph)
        self.celsius = np.interp(self.hours, course.hours, course.celsius)
        if self.case.creep and not self.case.after_spot:
            from_h = creeping_from(course, float(chosen.rng(number, 3).uniform()))
            self.equipment.creep = Creep(ph_per_day=self.case.creep, from_h=from_h)
        self.line = self.equipment.calibrated(at_us(self.equipment.since_h))
        self.block, self.state = self._indications(), pipeline.fresh(self.watch)
        self.done = self._begins()
        self._ask(CommandKind.CALIBRATE, vat="", calibration=self.line)
        self._ask(CommandKind.MARK, note=Mark.PROBE_IN)
        self._ask(CommandKind.MARK, note=Mark.STARTED, duration_s=POLL_S * self.done)

    def _begins(self) -> int:
        """Return the row at which the watch begins: late, where nobody would have come to the probe before."""
        if self.person.spots_at or self.person.buffers_at or self.case.after_spot or self.case.is_whole:
            return 0
        at_limit_h = self.at_limit_h()
        return 0 if at_limit_h == math.inf else max(round((at_limit_h - WATCHED_BEFORE_H) * 3600.0 / POLL_S), 0)

    def _indications(self) -> Block:
        noise = SETS[self.case.set].rng(self.case.number, 2).normal(0.0, NOISE_MV, len(self.hours))
        mv = self.equipment.in_vat_mv(self.true_ph, self.celsius, self.hours) + noise
        elapsed_us, nothing = np.round(self.hours * 3.6e9).astype(np.int64), np.full(len(mv), np.nan)
        return Block(
            seq=np.arange(1, len(mv) + 1),
            at_us=at_us(0.0) + elapsed_us,
            elapsed_us=elapsed_us,
            potential_mv=np.round(mv / RESOLUTION_MV) * RESOLUTION_MV,
            temperature_c=np.round(self.celsius + self.equipment.warm_off, 2),
            reason=np.zeros(len(mv), dtype=np.int64),
            reference_ph=nothing,
            reference_u=nothing,
        )

    def _ask(self, kind: CommandKind, *, vat: str = "vat", **what: object) -> None:
        self.commands += 1
        at, seq = int(self.block.at_us[self.done]), int(self.block.seq[self.done])
        self.waiting.append(
            Command(id=self.commands, at_us=at, kind=kind, vat=vat, probe="probe", seq=seq, **what)  # type: ignore[arg-type]
        )

    def shown_ph(self) -> Floats:
        """Return what the display shows, by tens of readings, from the filling to the end."""
        read = ph_of(self.line, self.block.potential_mv, self.block.temperature_c)
        return np.median(read[: len(read) // 10 * 10].reshape(-1, 10), axis=1)

    def at_limit_h(self) -> float:
        """Return when it was first at the limit; infinity: never, and nothing is claimed."""
        return first_h(self.hours[::10], self.shown_ph() <= LIMIT_PH)

    def shows_room(self, hour: float) -> bool:
        """Tell whether it is so low that somebody could be asked for a measurement."""
        if self.shown is None:
            self.shown = self.shown_ph() <= LIMIT_PH - ROOM_PH
        return bool(self.shown[min(int(hour * 360.0 / POLL_S), len(self.shown) - 1)])

    def go_on(self, hour: float) -> None:
        """Carry the watch on to an hour, and note the claim or its end."""
        end = min(math.ceil(hour * 3600.0 / POLL_S), len(self.block) - 1)
        while self.done < end:
            part = self.block[self.done : min(self.done + ROWS, end)]
            self.state, outcome = pipeline.step(self.watch, self.state, part, commands=self.waiting)
            self.waiting = []
            self.done += len(part)
            if self.case.is_whole:
                self.rows.append(outcome.measurements)
            for entry in outcome.entries:
                if entry.cause is Cause.MEASURED_AT_TARGET:
                    self._note_claim(entry.seq - 1)
            if self.stands().state is TargetState.WITHDRAWN:
                self._note_withdrawal(float(self.hours[self.done]))

    def _note_claim(self, row: int) -> None:
        if self.claim is None:
            self.claim = Made(hour=float(self.hours[row]), true_ph=float(self.true_ph[row]), found_ph=self.found_ph)
        else:
            self._note_withdrawal(float(self.hours[row]))  # a second one: the first was withdrawn before it

    def _note_withdrawal(self, hour: float) -> None:
        if self.claim is not None and self.claim.withdrawn_h == math.inf:
            self.claim = replace(self.claim, withdrawn_h=hour)

    def stands(self) -> TargetStanding:
        """Return how the vat stands to its target."""
        out = standing(self.watch.vat, self.state.carry, at_us=int(self.block.at_us[self.done - 1]))
        assert out is not None
        return out

    def is_asked(self) -> bool:
        """Tell whether a claim lacks nothing but that another instrument confirms it, or answers what stands open."""
        lacks = set(self.stands().lacks)
        return bool(lacks) and lacks <= CURED

    def measure(self) -> bool:
        """Measure the vat beside the probe; return whether there was a reading to compare with."""
        row = self.done - 1
        other = self.equipment.measured(float(self.true_ph[row]), self.person.instrument, self.person.u_ph)
        spot = Spot(ph=round(other, 2), u_ph=self.person.u_ph, instrument=self.person.instrument)
        try:
            check = comparison.check_now(spot, self.state, PROBE, vat="vat", by="", at_us=int(self.block.at_us[row]))
        except RefusedError:
            return False
        self._ask(CommandKind.CHECK, check=replace(check, id=self.commands + 1))
        self.found_ph, self.spots = check.deviation_ph, self.spots + 1
        if self.case.after_spot and self.equipment.creep is None and self.true_ph[row] <= CREEPS_FROM_PH:
            self.equipment.creep = Creep(ph_per_day=self.case.creep, from_h=float(self.hours[row]))
            self.block, self.shown = self._indications(), None
        return True

    def dip(self) -> None:
        """Read a check buffer."""
        row = self.done - 1
        label, mv, celsius = self.equipment.checked(float(self.hours[row]))
        read = float(ph_of(self.line, np.array([mv]), np.array([celsius]))[0])
        check = Check(
            id=self.commands + 1,
            probe="probe",
            vat="vat",
            at_us=int(self.block.at_us[row]),
            kind=CheckKind.BUFFER,
            reference_ph=label,
            u_reference_ph=GLASS_PH / 3**0.5,
            reading_ph=read,
            deviation_ph=read - label,
            tolerance_ph=0.05,
            passed=abs(read - label) <= 0.05,
            calibration=self.line.id,
            temperature_c=celsius,
        )
        self._ask(CommandKind.CHECK, check=check)


def watch_for() -> Watch:
    target = TargetConfig(ph=LIMIT_PH)
    return Watch(vat=VatConfig(id="vat", name="Vat", probe="probe", target=target), probe=PROBE)


def at_us(hour: float) -> int:
    return MIDNIGHT_US + round((FILLED_AT + hour) * 3.6e9)


def creeping_from(course: Course, part: float) -> float:
    """Return the hour at this part of the way from 5.3 to the limit; later than all, if the vat comes to neither."""
    first, last = (min(first_h(course.hours, course.ph <= ph), HOURS) for ph in (CREEPS_FROM_PH, LIMIT_PH))
    return first + part * (last - first)


def first_h(hours: Floats, holds: NDArray[np.bool_]) -> float:
    """Return the first of the hours at which something holds; infinity: at none."""
    at = np.flatnonzero(holds)
    return float(hours[at[0]]) if len(at) else math.inf


def events(person: Person, *, phase_h: float, looks_from_h: float) -> Iterator[tuple[float, str]]:
    """Yield what a person does, by hours since the filling; to look takes place once an hour, while awake."""
    todo = [(at, "spot") for at in person.spots_at] + [(at, "buffer") for at in person.buffers_at]
    if person.asked:
        todo += [(at + phase_h, "look") for at in np.arange(*AWAKE).tolist()]
    every = [(24.0 * day + at - FILLED_AT, what) for day in range(9) for at, what in todo]
    for hour, what in sorted(every):
        if 0.5 < hour < HOURS - 0.5 and (what != "look" or hour >= looks_from_h):
            yield hour, what


def run(case: Case) -> Ran:
    """Run a case until it is claimed, as long as a claim is followed, or settled and never claimed."""
    batch = Batch(case)
    crossed_h, settled_h = crossed_and_settled(batch)
    at_limit_h = first_h(batch.hours, batch.true_ph <= CREEPS_FROM_PH) if case.after_spot else batch.at_limit_h()
    phase_h = float(SETS[case.set].rng(case.number, 4).uniform())
    end_h = min(HOURS, settled_h)
    if at_limit_h < math.inf:
        for hour, what in events(batch.person, phase_h=phase_h, looks_from_h=at_limit_h):
            if batch.claim is not None:
                end_h = min(HOURS, batch.claim.hour + case.followed_h)
            if hour > end_h:
                break
            if what == "look" and not batch.shows_room(hour):
                continue
            batch.go_on(hour)
            if batch.claim is None or case.followed_h:
                act(batch, what)
        if batch.claim is None or case.followed_h:
            batch.go_on(end_h)
    creep = batch.equipment.creep
    return Ran(
        case=case,
        crossed_h=crossed_h,
        settled_h=settled_h,
        claim=batch.claim,
        spots=batch.spots,
        begins=not case.creep or (creep is not None and creep.from_h < HOURS),
    )


def act(batch: Batch, what: str) -> None:
    """Do what the person does now."""
    if what == "buffer":
        batch.dip()
    elif (what == "spot" or batch.is_asked()) and not batch.measure():
        batch.go_on((batch.done - 1) * POLL_S / 3600.0 + AGAIN_H)
        batch.measure()


def crossed_and_settled(batch: Batch) -> tuple[float, float]:
    """Return when the true pH came to the limit, and when it had been low for long; infinity: never."""
    high = np.concatenate([[-1], np.flatnonzero(batch.true_ph > SETTLED_PH), [len(batch.true_ph)]])
    length = round(SETTLED_H * 3600.0 / POLL_S)
    long = np.flatnonzero(np.diff(high) > length)
    settled_h = float(batch.hours[high[long[0]] + length]) if len(long) else math.inf
    return first_h(batch.hours, batch.true_ph <= LIMIT_PH), settled_h
