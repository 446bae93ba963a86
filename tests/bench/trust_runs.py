"""Run one case of the bench of trust: simulator and pipeline in this process, and what came out beside what was true.

Law: only outcomes are looked at: the pH and the belief of each record, annunciations, and claims. A reading is believed
where its belief says so without doubt, and wrong where it is further than 0.3 from the pH of the vat.
"""

import math
import tempfile
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import msgspec
import numpy as np

from logger import settings
from logger.cli._init_file import defaults, written
from logger.config import ProbeConfig, Protocol, TextConfig
from logger.config.kind_row import Group
from logger.model import (
    Belief,
    Block,
    Calibration,
    Cause,
    Check,
    CheckKind,
    Command,
    CommandKind,
    Entry,
    Floats,
    Mark,
    Measurements,
    WatchState,
)
from logger.settings.profiles import Profile
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from simulator.recording import RecordingLabel, calibration
from simulator.rig import Rig
from simulator.runs import Run
from simulator.vat import course
from tests.bench.trust_sets import OWED, Case, Course, Place
from tests.parts.named_faults import with_effects

EPOCH_US = 1_795_543_200_000_000
WRONG_PH = 0.3
SOURED_H = 46.0
"""A sour vat is so old when its watch begins: its sugar is used up."""
SPOT_OF_S = 600.0
"""What a spot check compares with is the median of so long."""
AT_TARGET_S = 1800.0
"""The reading has come to the target when the median of so long is there; somebody measures as much later."""
SPOT_U_PH = 0.02
JUDGED_PH = 0.1
ROWS = 65_536
TRIES = 6
"""The hour of the filling follows from the age, which depends on it a little: so often it is corrected."""
LOOKED_AHEAD_H = 6.0
"""A watch is carried so far at once, and back to where something was done meanwhile."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One annunciation; hours since the cause began."""

    alarm: str
    priority: str
    hour: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What came of a case; hours since the cause began."""

    case: Case
    told: tuple[Told, ...]
    wrong_h: float
    """So many hours a reading was believed that was wrong."""
    unwarned_h: float
    """So many of them before anything of medium or high priority was told."""
    not_believed: float
    """Part of all records that was not believed."""
    claims: tuple[tuple[float, float], ...]
    """Hour and true pH of each claim."""
    passed_h: tuple[float, ...]
    """When the true pH came to the target; empty: never."""
    above_h: tuple[float, ...]
    """When, after the cause began, the true pH was first above the target; empty: never."""

    def first_h(self, *priorities: str, among: frozenset[str] | None = None) -> float:
        """Return when an alarm of one of these priorities, and ids, first spoke after the cause; infinity: never."""
        since = [each for each in self.told if each.hour >= 0.0 and each.priority in priorities]
        return min((each.hour for each in since if among is None or each.alarm in among), default=math.inf)

    @property
    def word_h(self) -> float:
        """Return when it was first told with medium or high priority."""
        return self.first_h("medium", "high")


@lru_cache(maxsize=4)
def watch_of(poll_s: float, profile: Profile = Profile.LACTIC_VEGETABLES) -> Watch:
    """Return the watch as `vatvigil init` writes it for a profile."""
    answers = replace(defaults(profile, simulated=True), vat="vat", name="Vat")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "vatvigil.toml"
        path.write_text(written(answers), encoding="utf-8")
        config = settings.load(path, environ={})
    return Watch(vat=config.vats[0], probe=replace(config.probes[0], poll_s=poll_s))


def own_ph(probe: ProbeConfig) -> ProbeConfig:
    """Return the probe as one that reports its own pH."""
    lines = TextConfig(pattern=r"(?P<ph>[0-9.]+) (?P<temperature>[0-9.]+)", example="4.62 20.4")
    return replace(probe, protocol=Protocol.TEXT, text=lines)


def process_alarms() -> frozenset[str]:
    """Return the ids of alarms that judge the vat's pH, or what becomes of it."""
    alarms = watch_of(10.0).vat.alarms
    return frozenset(each.id for each in alarms if each.kind.is_ph and each.kind.row.group is Group.PROCESS)


@lru_cache(maxsize=256)
def hours_to(place: Place, ph: float, *, filled_hour: float) -> float:
    """Return how long after its filling, at an hour of the day, a vat falls to a pH."""
    filled = course(replace(place.vat, age_h=0.0), place.room, hours=90.0, start_hour=filled_hour)
    return float(filled.hours[np.flatnonzero(filled.ph <= ph)[0]])


def age_h(case: Case) -> float:
    """Return how old a vat is when its watch begins, so that it is at its pH when the cause begins."""
    if case.course is not Course.FALLING:
        return SOURED_H
    age = 30.0
    for _ in range(TRIES):
        filled_hour = round(case.start_hour - age) % 24
        age = max(hours_to(case.place, case.from_ph, filled_hour=filled_hour) - case.onset_h, 0.1)
    return age


def simulated(case: Case) -> Rig:
    """Return the simulation of a case."""
    vat = replace(case.place.vat, age_h=age_h(case))
    place, start_hour = case.place, case.start_hour
    plain = Run(
        name="case", summary="", hours=case.hours, vat=vat, room=place.room, start_hour=start_hour, vat_id="vat"
    )
    return Rig(with_effects(replace(plain, electrode=place.electrode), *case.effects), case.seed)


def block_of(rig: Rig, poll_s: float) -> Block:
    """Return the indications of a whole run."""
    second = np.arange(0, round(rig.run.hours * 3600.0), round(poll_s), dtype=np.int64)
    read, nothing = rig.conversions(second), np.full(len(second), np.nan)
    elapsed_us = second * 1_000_000
    return Block(
        seq=np.arange(1, len(second) + 1),
        at_us=EPOCH_US + elapsed_us,
        elapsed_us=elapsed_us,
        potential_mv=read.potential_mv,
        temperature_c=read.temperature_c,
        reason=np.zeros(len(second), dtype=np.int64),
        reference_ph=nothing,
        reference_u=nothing,
    )


@dataclass(slots=True)
class Night:
    """A watch that is carried over one case, and a person who measures beside it."""

    case: Case
    rig: Rig = field(init=False)
    watch: Watch = field(init=False)
    block: Block = field(init=False)
    true_ph: Floats = field(init=False)
    state: WatchState = field(init=False)
    rows: list[Measurements] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    waiting: list[Command] = field(default_factory=list)
    line: Calibration = field(init=False)
    done: int = 0
    commands: int = 0

    def __post_init__(self) -> None:
        """Calibrate, say that the probe stands in the vat, and of a vat that falls when it was filled."""
        case = self.case
        self.rig, self.watch = simulated(case), watch_of(case.poll_s)
        if any(effect.startswith("frozen-own-ph") for effect in case.effects):
            self.watch = replace(self.watch, probe=own_ph(self.watch.probe))
        self.block, self.state = block_of(self.rig, case.poll_s), pipeline.fresh(self.watch)
        hours = self.block.elapsed_us / 3.6e9
        self.true_ph = np.interp(hours, self.rig.course.hours, self.rig.course.ph)
        label = RecordingLabel(vat="vat", probe=self.watch.probe.id, poll_s=case.poll_s, epoch_us=EPOCH_US)
        self.line = msgspec.convert(calibration(self.rig, label), Calibration)
        self._ask(CommandKind.CALIBRATE, vat="", calibration=self.line)
        self._ask(CommandKind.MARK, note=Mark.PROBE_IN)
        if case.course is Course.FALLING:
            self._ask(CommandKind.MARK, note=Mark.STARTED, duration_s=3600.0 * self.rig.run.vat.age_h)

    def _ask(self, kind: CommandKind, *, vat: str = "vat", **what: object) -> None:
        self.commands += 1
        row = min(self.done, len(self.block) - 1)
        at_us, seq = int(self.block.at_us[row]), int(self.block.seq[row])
        probe = self.watch.probe.id
        self.waiting.append(
            Command(id=self.commands, at_us=at_us, kind=kind, vat=vat, probe=probe, seq=seq, **what)  # type: ignore[arg-type]
        )

    def go_on(self, hour: float) -> None:
        """Carry the watch on to a run hour."""
        end = min(math.ceil(hour * 3600.0 / self.case.poll_s), len(self.block))
        while self.done < end:
            part = self.block[self.done : min(self.done + ROWS, end)]
            self.state, outcome = pipeline.step(self.watch, self.state, part, commands=self.waiting)
            self.waiting = []
            self.rows.append(outcome.measurements)
            self.entries += outcome.entries
            self.done += len(part)

    def compare(self) -> None:
        """Measure the vat with another instrument, which is right; without a reading there is nothing to compare."""
        newest = self._newest(SPOT_OF_S)
        if np.isnan(newest.ph).all():
            return
        read, true = float(np.nanmedian(newest.ph)), float(self.true_ph[self.done - 1])
        check = Check(
            id=self.commands + 1,
            probe=self.watch.probe.id,
            at_us=int(self.block.at_us[self.done - 1]),
            kind=CheckKind.SPOT,
            reference_ph=true,
            u_reference_ph=SPOT_U_PH,
            reading_ph=read,
            deviation_ph=read - true,
            tolerance_ph=JUDGED_PH,
            passed=abs(read - true) <= JUDGED_PH,
            calibration=self.line.id,
            vat="vat",
            temperature_c=float(np.median(newest.temperature_c)),
            instrument="another meter",
        )
        self._ask(CommandKind.CHECK, check=check)

    def confirm(self) -> None:
        """Compare once more, half an hour after the reading has come to the target."""
        half_an_hour = AT_TARGET_S / 3600.0
        while self.done < len(self.block):
            begin, kept = (
                self.done * self.case.poll_s / 3600.0,
                (self.state, self.done, len(self.rows), len(self.entries)),
            )
            asked = list(self.waiting)
            self.go_on(begin + LOOKED_AHEAD_H)
            come = [
                hour
                for hour in np.arange(begin, begin + LOOKED_AHEAD_H, half_an_hour).tolist()
                if self._at_target(hour)
            ]
            if come:
                self.state, self.done, rows, entries = kept
                self.waiting, self.rows, self.entries = asked, self.rows[:rows], self.entries[:entries]
                self.go_on(come[0] + 2.0 * half_an_hour)
                self.compare()
                return

    def _at_target(self, hour: float) -> bool:
        """Tell whether the reading, believed, was at the target in the half hour from this one on."""
        newest, target = self.rows[-1], self.watch.vat.target
        since = newest.elapsed_us / 3.6e9 - hour
        inside = (since >= 0.0) & (since < AT_TARGET_S / 3600.0)
        believed = inside & (newest.belief == Belief.BELIEVED)
        if target is None or 2 * int(believed.sum()) <= int(inside.sum()):
            return False
        return bool(np.median(newest.ph[believed]) <= target.ph)

    def _newest(self, seconds: float) -> Measurements:
        rows = (
            self.rows[-1] if len(self.rows[-1]) * self.case.poll_s >= seconds else Measurements.concatenate(self.rows)
        )
        return rows[max(len(rows) - round(seconds / self.case.poll_s), 0) :]


def run(case: Case) -> Ran:
    """Run a case to its end."""
    night = Night(case)
    for hour in case.spots_h:
        night.go_on(hour)
        night.compare()
    if case.confirms:
        night.confirm()
    night.go_on(case.hours)
    return _ran(night)


def _ran(night: Night) -> Ran:
    case, rows, entries = night.case, Measurements.concatenate(night.rows), night.entries
    hours = rows.elapsed_us / 3.6e9 - case.onset_h
    told = tuple(
        Told(alarm=entry.alarm, priority=entry.priority, hour=_hour(entry, case))
        for entry in entries
        if entry.annunciates and entry.alarm not in OWED
    )
    claims = tuple(
        (_hour(entry, case), float(night.true_ph[entry.seq - 1]))
        for entry in entries
        if entry.cause is Cause.MEASURED_AT_TARGET
    )
    limit = night.watch.vat.target.ph if night.watch.vat.target else 0.0
    wrong = (rows.belief == Belief.BELIEVED) & (np.abs(rows.ph - night.true_ph) > WRONG_PH) & (hours >= 0.0)
    out = Ran(
        case=case,
        told=told,
        wrong_h=float(wrong.sum()) * case.poll_s / 3600.0,
        unwarned_h=0.0,
        not_believed=float((rows.belief == Belief.NOT_BELIEVED).mean()),
        claims=claims,
        passed_h=tuple(hours[np.flatnonzero(night.true_ph <= limit)[:1]].tolist()),
        above_h=tuple(hours[np.flatnonzero((night.true_ph > limit) & (hours >= 0.0))[:1]].tolist()),
    )
    return replace(out, unwarned_h=float((wrong & (hours < out.word_h)).sum()) * case.poll_s / 3600.0)


def _hour(entry: Entry, case: Case) -> float:
    return (entry.at_us - EPOCH_US) / 3.6e9 - case.onset_h
