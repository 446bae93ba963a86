"""Simulated vats with drifting, calibrated probes and a person who checks them, through the real pipeline.

What is true of vat, electrode, buffers and the other instrument is drawn here from the error model that the pipeline
believes, or from one with drift and junction error twice as large; nothing here knows how a claim is made.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from logger import replay
from logger.config import ErrorModel, ProbeConfig, TargetConfig, VatConfig
from logger.measure.calibration import fit, ph_of
from logger.model import (
    Block,
    Calibration,
    CalibrationPoint,
    Cause,
    Check,
    CheckKind,
    Command,
    CommandKind,
    Floats,
)
from logger.watch.pipeline import Watch
from simulator.noise import Noise
from simulator.runs import STARTER, WILD
from simulator.vat import Room, course, draw_vat

EPOCH_US = 1_795_543_200_000_000
POLL_S = 60.0
HOURS = 132.0
DAY_US = 86_400_000_000
BELIEVED = ErrorModel()
TRUE = {
    "kind": BELIEVED,
    "harsh": replace(
        BELIEVED,
        junction_ph=2 * BELIEVED.junction_ph,
        drift_ph_per_day=2 * BELIEVED.drift_ph_per_day,
        walk_ph_per_sqrt_day=2 * BELIEVED.walk_ph_per_sqrt_day,
    ),
}
"""By case what is true of probe and other instrument."""
K_PER_KELVIN = 1000 * 8.31446261815324 * math.log(10) / 96485.33212331002
"""CODATA 2018."""
U_METER_PH = 0.05
TARGET = TargetConfig()
PROBE = ProbeConfig(id="probe", port="/dev/null", poll_s=POLL_S)


@dataclass(frozen=True, slots=True, kw_only=True)
class VatOutcome:
    """What became of one vat; hours from its filling, and the true pH then. None: never."""

    crossed_h: float | None
    raw: tuple[float, float] | None
    """First ten-minute median at or below the target."""
    steady: tuple[float, float] | None
    """The event that the reading is at the target."""
    claim: tuple[float, float] | None
    withdrawn: bool


class Person:
    """Somebody with one electrode, bottles of buffer and another instrument."""

    def __init__(self, rng: np.random.Generator, true: ErrorModel) -> None:
        """Draw what is true of the equipment."""
        self.rng, self.true = rng, true
        self.slope, self.offset = rng.uniform(0.92, 1.02), rng.uniform(-30.0, 30.0)
        self.junction = rng.normal(0.0, true.junction_ph)
        self.warm_off = rng.normal(0.0, true.temperature_c)
        self.meter_off = rng.normal(0.0, true.junction_ph)
        self.since_h = -24.0 * rng.uniform(0.0, 3.0)
        """Calibrated so long before the filling."""
        minutes = int((HOURS - self.since_h) * 60) + 2
        steps = rng.normal(0.0, true.walk_ph_per_sqrt_day / np.sqrt(1440.0), minutes)
        days = np.arange(minutes) / 1440.0
        self.course = rng.normal(0.0, true.drift_ph_per_day) * days + np.cumsum(steps)

    def drift(self, hours: Floats) -> Floats:
        """Return by how much the electrode has moved (pH) since the first calibration."""
        minutes = np.arange(len(self.course), dtype=np.float64)
        return np.interp((hours - self.since_h) * 60.0, minutes, self.course)

    def millivolts(self, ph: Floats, celsius: Floats, hours: Floats) -> Floats:
        """Return what the electrode gives, without noise."""
        shown = ph + self.drift(hours)
        return self.offset - self.slope * K_PER_KELVIN * (celsius + 273.15) * (shown - 7.0)

    def calibrate(self, number: int, hour: float) -> Calibration:
        """Dip into two fresh buffers, each within +/-0.02 of its label."""
        points = []
        for label in (4.005, 6.865):
            bottle = np.array([label + self.rng.uniform(-0.02, 0.02)])
            mv = self.millivolts(bottle, np.array([25.0]), np.array([hour]))[0] + self.rng.normal(0.0, 0.4)
            points.append(CalibrationPoint(buffer_ph=label, potential_mv=float(mv), temperature_c=25.0))
        return replace(fit(points, probe="probe", at_us=at_us(hour), by=""), id=number)

    def dip(self, number: int, line: Calibration, hour: float) -> Check:
        """Read a check buffer."""
        bottle = np.array([4.005 + self.rng.uniform(-0.02, 0.02)])
        mv = self.millivolts(bottle, np.array([25.0]), np.array([hour])) + self.rng.normal(0.0, 0.5)
        read = float(ph_of(line, mv, np.array([25.0]))[0])
        return _check(number, CheckKind.BUFFER, read, 4.005, 0.02 / 3**0.5, line, hour, tolerance=0.05)

    def compare(self, number: int, line: Calibration, hour: float, *, ph: float, celsius: float) -> Check:
        """Read the probe and the other instrument in the vat."""
        mv = self.millivolts(np.array([ph + self.junction]), np.array([celsius]), np.array([hour]))
        read = float(ph_of(line, mv, np.array([celsius + self.warm_off]))[0])
        other = ph + self.meter_off + self.rng.normal(0.0, U_METER_PH)
        return _check(number, CheckKind.SPOT, read, other, U_METER_PH, line, hour, tolerance=0.1)


def at_us(hour: float) -> int:
    return EPOCH_US + round(hour * 3.6e9)


def _check(
    number: int,
    kind: CheckKind,
    read: float,
    reference: float,
    u: float,
    line: Calibration,
    hour: float,
    *,
    tolerance: float,
) -> Check:
    off = read - reference
    return Check(
        id=number,
        probe="probe",
        at_us=at_us(hour),
        kind=kind,
        reference_ph=reference,
        u_reference_ph=u,
        reading_ph=read,
        deviation_ph=off,
        tolerance_ph=tolerance,
        passed=abs(off) <= tolerance,
        calibration=line.id,
        temperature_c=25.0,
    )


def _visits(person: Person, ph: Floats, celsius: Floats, *, spots: bool) -> Iterator[Command]:
    """Yield what the person does: another instrument daily, a buffer every second day; if it fails, calibrating."""
    line = person.calibrate(1, person.since_h)
    yield _command(CommandKind.CALIBRATE, 1, 0.0, calibration=line)
    number = 1
    for hour in np.arange(12.0, HOURS - 1.0, 24.0).tolist():
        row = int(hour * 3600.0 / POLL_S)
        if int(hour // 24) % 2:
            number += 1
            dipped = person.dip(number, line, hour)
            yield _command(CommandKind.CHECK, number, hour, check=dipped)
            if not dipped.passed:
                number += 1
                line = person.calibrate(number, hour + 0.1)
                yield _command(CommandKind.CALIBRATE, number, hour + 0.1, calibration=line)
        if not spots:
            continue
        number += 1
        spot = person.compare(number, line, hour + 0.2, ph=float(ph[row]), celsius=float(celsius[row]))
        yield _command(CommandKind.CHECK, number, hour + 0.2, check=spot)


def _command(kind: CommandKind, number: int, hour: float, **what: Calibration | Check) -> Command:
    seq = int(hour * 3600.0 / POLL_S) + 1
    return Command(id=number, at_us=at_us(hour), kind=kind, vat="vat", probe="probe", seq=seq, **what)  # type: ignore[arg-type]


def simulate_vat(seed: int, case: str, *, spots: bool = True) -> VatOutcome:
    """Let one vat ferment, watched and checked; return what was said of it and what was true.

    Without `spots` nobody brings another instrument, and none is asked for.
    """
    target = replace(TARGET, spot_check=spots)
    watch = Watch(vat=VatConfig(id="vat", name="Vat", probe="probe", target=target), probe=PROBE)
    rng = np.random.default_rng([seed, sorted(TRUE).index(case)])
    kind = draw_vat(STARTER if seed % 2 else WILD, Noise(seed))
    true = course(kind, Room(mean_c=float(rng.uniform(18.0, 24.0))), hours=HOURS, start_hour=10.0, step_s=300.0)
    hours = np.arange(HOURS * 3600.0 // POLL_S) * POLL_S / 3600.0
    ph, celsius = np.interp(hours, true.hours, true.ph), np.interp(hours, true.hours, true.temperature_c)
    person = Person(rng, TRUE[case])
    mv = person.millivolts(ph + person.junction, celsius, hours) + rng.normal(0.0, BELIEVED.repeatability_mv, len(ph))
    elapsed_us = np.round(hours * 3.6e9).astype(np.int64)
    block = Block(
        seq=np.arange(1, len(ph) + 1),
        at_us=EPOCH_US + elapsed_us,
        elapsed_us=elapsed_us,
        potential_mv=np.round(mv, 1),
        temperature_c=np.round(celsius + person.warm_off, 2),
        reason=np.zeros(len(ph), dtype=np.int64),
        reference_ph=np.full(len(ph), np.nan),
        reference_u=np.full(len(ph), np.nan),
    )
    (outcome,) = replay.replay(watch, [*_visits(person, ph, celsius, spots=spots), block])
    told = {entry.cause: entry.seq - 1 for entry in reversed(outcome.entries)}

    def when(row: int | None) -> tuple[float, float] | None:
        return None if row is None else (float(hours[row]), float(ph[row]))

    read = np.median(outcome.measurements.ph[: len(ph) // 10 * 10].reshape(-1, 10), axis=1)
    low = np.flatnonzero(read <= TARGET.ph)
    crossed = np.flatnonzero(ph <= TARGET.ph)
    return VatOutcome(
        crossed_h=float(hours[crossed[0]]) if len(crossed) else None,
        raw=when(min(int(low[0]) * 10 + 10, len(ph) - 1)) if len(low) else None,
        steady=when(told.get(Cause.READING_AT_TARGET)),
        claim=when(told.get(Cause.MEASURED_AT_TARGET)),
        withdrawn=outcome.carry.batch.progress.withdrawn is not None,
    )


def early_share(outcomes: Iterable[VatOutcome], rule: str) -> float:
    """Return which part of what a rule told came while the true pH was above the target."""
    told = [getattr(one, rule)[1] for one in outcomes if getattr(one, rule) is not None]
    return float(np.mean([ph > TARGET.ph for ph in told])) if told else 0.0
