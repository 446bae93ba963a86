"""Series of indications for tests: built from plain lists, cut at will, carried through the pipeline."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from logger.config import AlarmConfig, AlarmKind, ProbeConfig, VatConfig
from logger.measure.calibration import fit
from logger.model import (
    Block,
    Calibration,
    CalibrationPoint,
    Carry,
    Check,
    CheckKind,
    Command,
    CommandKind,
    Outcome,
    Reason,
    WatchState,
)
from logger.store import parts
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch

EPOCH_US = 1_795_543_200_000_000
"""2026-11-24T18:00:00Z."""

POINTS = (
    CalibrationPoint(buffer_ph=4.005, potential_mv=174.2, temperature_c=25.0),
    CalibrationPoint(buffer_ph=6.865, potential_mv=6.1, temperature_c=25.0),
)


def calibration(probe: str = "probe") -> Calibration:
    """Return a calibration made at the epoch."""
    return replace(fit(POINTS, probe=probe, at_us=EPOCH_US, by="tester"), id=1)


def millivolts(ph: float, temperature_c: float = 20.0) -> float:
    """Return what the calibrated electrode gives at a pH."""
    line = calibration()
    k = 59.159326 * (temperature_c + 273.15) / 298.15
    return line.offset_mv + line.slope * k * (7.0 - ph)


def block(
    potential_mv: Sequence[float | None],
    temperature_c: Sequence[float | None] | float = 20.0,
    *,
    every_s: float = 10.0,
    first_seq: int = 1,
    start_s: float = 0.0,
) -> Block:
    """Return indications on a regular grid; None is a record without one."""
    n = len(potential_mv)
    warm = [temperature_c] * n if isinstance(temperature_c, float) else list(temperature_c)
    elapsed = np.round((start_s + every_s * np.arange(n)) * 1e6).astype(np.int64)
    absent = np.array([mv is None for mv in potential_mv])
    return Block(
        seq=np.arange(first_seq, first_seq + n),
        at_us=EPOCH_US + elapsed,
        elapsed_us=elapsed,
        potential_mv=np.array([np.nan if mv is None else mv for mv in potential_mv], dtype=np.float64),
        temperature_c=np.where(absent, np.nan, np.array([np.nan if t is None else t for t in warm], dtype=np.float64)),
        reason=np.where(absent, int(Reason.TIMEOUT), 0),
        reference_ph=np.full(n, np.nan),
        reference_u=np.full(n, np.nan),
    )


def of_ph(values: Sequence[float | None], temperature_c: float = 20.0, **grid: float) -> Block:
    """Return indications of a calibrated electrode at these pH values."""
    return block([None if v is None else millivolts(v, temperature_c) for v in values], temperature_c, **grid)  # type: ignore[arg-type]


def calibrate(seq: int = 1) -> Command:
    """Return the command that puts the calibration in force."""
    return Command(
        id=seq, at_us=EPOCH_US, kind=CommandKind.CALIBRATE, vat="vat", probe="probe", calibration=calibration(), seq=seq
    )


def check(deviation_ph: float, *, at_s: float = 0.0, reference_ph: float = 4.005, **more: object) -> Check:
    """Return a check buffer read with the calibration, so many seconds after the epoch."""
    settings: dict[str, object] = {
        "kind": CheckKind.BUFFER,
        "calibration": 1,
        "u_reference_ph": 0.02 / 3**0.5,
        **more,
    }
    return Check(
        id=1,
        probe="probe",
        at_us=EPOCH_US + round(at_s * 1e6),
        reference_ph=reference_ph,
        reading_ph=reference_ph + deviation_ph,
        deviation_ph=deviation_ph,
        tolerance_ph=0.05,
        passed=abs(deviation_ph) <= 0.05,
        temperature_c=20.0,
        **settings,  # type: ignore[arg-type]
    )


def spot(seq: int, ph: float, deviation_ph: float = 0.0, **more: object) -> Command:
    """Return the command by which a meter confirms a probe that reads this pH at a record, 10 s after each other."""
    settings: dict[str, object] = {"kind": CheckKind.SPOT, "u_reference_ph": 0.05, "instrument": "meter", **more}
    made = check(deviation_ph, at_s=10.0 * (seq - 1), reference_ph=ph - deviation_ph, **settings)
    return Command(
        id=1000 + seq, at_us=EPOCH_US, kind=CommandKind.CHECK, vat="vat", probe="probe", by="tova", check=made, seq=seq
    )


def watch(*alarms: AlarmConfig, **probe: float) -> Watch:
    """Return a watch with these alarms."""
    return Watch(
        vat=VatConfig(id="vat", name="Vat", probe="probe", alarms=alarms),
        probe=ProbeConfig(id="probe", port="/dev/null", **probe),  # type: ignore[arg-type]
    )


def raw_alarm(kind: AlarmKind = AlarmKind.PH_HIGH, setpoint: float | None = 4.6, **more: object) -> AlarmConfig:
    """Return an alarm on single records, without delays unless asked for."""
    settings: dict[str, object] = {"deadband": 0.05, "on_delay_s": 0.0, "window_s": 0.0, **more}
    return AlarmConfig(id=kind.value, kind=kind, setpoint=setpoint, **settings)  # type: ignore[arg-type]


def carry_over(
    watched: Watch, rows: Block, *, commands: Sequence[Command] = (), cuts: Sequence[int] = ()
) -> tuple[WatchState, list[Outcome]]:
    """Carry a watch over the rows, cut before these row numbers, from nothing."""
    state, outcomes = pipeline.fresh(watched), []
    edges = [0, *sorted({c for c in cuts if 0 < c < len(rows)}), len(rows)]
    for start, end in pairwise(edges):
        part = rows[start:end]
        mine = [c for c in commands if part.seq[0] <= c.seq <= part.seq[-1]]
        state, outcome = pipeline.step(watched, state, part, commands=mine)
        outcomes.append(outcome)
    return state, outcomes


def restored(carry: Carry) -> Carry:
    """Return what the store gives back of what a watch carries."""
    return parts.decode(parts.encode(carry), vat="vat", where="store")
