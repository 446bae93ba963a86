"""What the bench of forecasts runs: two sets of vats. Data, and what a probe reads of each.

Law: `TUNING` is for whoever chooses constants; `JUDGED` is looked at once, with the last version. They share no family
and no seed. Size and kind of errors: common practice, no source.
"""

from dataclasses import dataclass

import numpy as np

from simulator.vat import Floats
from tests.bench import forecast_curves as curves
from tests.bench.forecast_curves import STEP_H, Family, Truth

TARGET_PH = 4.6
U_PH = 0.05
"""Standard uncertainty of a reading, as it is stated; the bias of a probe is drawn from it."""
DRIFT_PH_PER_DAY = 0.012
NOISE_PH, WANDER_PH, WANDER_H = 0.003, 0.006, 1.0
THERMOMETER_C = 0.3
GAPS = 0.2
"""Part of the vats that are not watched, or not believed, for hours."""
MARKS = (0.25, 0.5, 0.75)
"""Parts of the way from the first pH to the target at which a forecast is judged."""
DEADLINES_H = (48.0, 72.0, 96.0, 120.0)
CREEPING = ("damp-plug:3", "damp-plug:6", "damp-plug:12", "hairline-crack:0.4", "coating:2", "reference-drift:1")
CREEPS_AT = 0.35
"""Part of the way at which a creeping fault begins."""
CREPT_H = (2.0, 4.0, 8.0, 16.0, 32.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastSet:
    """Families of vats, so many of each, and families that may never come to the target."""

    name: str
    first_seed: int
    families: tuple[Family, ...]
    late: tuple[Family, ...]
    vats: int = 80


TUNING = ForecastSet(
    name="tuning",
    first_seed=10_000,
    families=(
        curves.acid_wild,
        curves.acid_starter,
        curves.acid_cool,
        curves.acid_swing,
        curves.gompertz,
        curves.double_gompertz,
        curves.weibull,
        curves.arctangent,
    ),
    late=(curves.troubled,),
)
JUDGED = ForecastSet(
    name="judged",
    first_seed=70_000,
    families=(curves.richards, curves.two_stages, curves.rational, curves.luedeking, curves.disturbed),
    late=(curves.stopping,),
)
SETS = {each.name: each for each in (TUNING, JUDGED)}


@dataclass(frozen=True, slots=True)
class Watched:
    """A vat and what its probe reads, window by window; NaN where nothing is believed."""

    family: str
    truth: Truth
    ph: Floats
    u: Floats
    temperature_c: Floats
    bias: Floats
    """What the probe reads too much, noise apart."""

    @property
    def crosses_h(self) -> float:
        """Return when the true pH is down to the target; infinity: never while it is watched."""
        down = np.flatnonzero(self.truth.ph <= TARGET_PH)
        return float(self.truth.hours[down[0]]) if len(down) else float("inf")

    def window_at(self, part: float) -> int:
        """Return the first window at which the vat has gone this part of the way; -1: it never does."""
        wanted = self.truth.ph[0] - part * (self.truth.ph[0] - TARGET_PH)
        return int(next(iter(np.flatnonzero(self.truth.ph <= wanted)), -1))


def vats(chosen: ForecastSet, families: tuple[Family, ...], *, fault: str = "") -> list[Watched]:
    """Return the vats of some families of a set, each with its probe; a fault creeps in on the way."""
    return [
        watched(family, chosen.first_seed + 1000 * row + number, fault=fault)
        for row, family in enumerate(families)
        for number in range(chosen.vats)
    ]


def watched(family: Family, seed: int, *, fault: str = "") -> Watched:
    """Return a vat and what its probe reads."""
    truth, rng = family(seed), np.random.default_rng(seed + 500_000)
    count = len(truth.hours)
    bias, drift = rng.normal(0.0, U_PH), rng.normal(0.0, DRIFT_PH_PER_DAY)
    off = bias + drift * truth.hours / 24.0
    read = _faulty(truth, fault) + off
    read += NOISE_PH * rng.standard_normal(count) + _wander(rng, count)
    u = np.sqrt(U_PH**2 + (DRIFT_PH_PER_DAY * truth.hours / 24.0) ** 2)
    warm = truth.temperature_c + rng.normal(0.0, THERMOMETER_C) + 0.05 * rng.standard_normal(count)
    if rng.random() < GAPS:
        begin = int(rng.uniform(5.0, 80.0) / STEP_H)
        read[begin : begin + int(rng.uniform(2.0, 10.0) / STEP_H)] = np.nan
    return Watched(family.__name__, truth, read, u, warm, off)


def _wander(rng: np.random.Generator, count: int) -> Floats:
    keep, value, out = float(np.exp(-STEP_H / WANDER_H)), 0.0, []
    for each in rng.standard_normal(count).tolist():
        value = keep * value + WANDER_PH * (1.0 - keep * keep) ** 0.5 * each
        out.append(value)
    return np.array(out)


def _faulty(truth: Truth, fault: str) -> Floats:
    """Return the pH as a probe with a creeping fault reads it; the laws are those of `simulator/probe_faults.py`."""
    if not fault:
        return truth.ph.copy()
    name, _, size = fault.partition(":")
    wanted = truth.ph[0] - CREEPS_AT * (truth.ph[0] - TARGET_PH)
    onset_h = truth.hours[int(next(iter(np.flatnonzero(truth.ph <= wanted)), len(truth.ph) - 1))]
    hours = np.maximum(truth.hours - onset_h, 0.0)
    if name == "damp-plug":
        return np.asarray(7.0 - (7.0 - truth.ph) * np.exp(-hours / float(size)))
    if name == "hairline-crack":
        return np.asarray(7.0 - (7.0 - truth.ph) * (1.0 - float(size) * np.minimum(hours / 36.0, 1.0)))
    if name == "reference-drift":
        return np.asarray(truth.ph - float(size) * hours / 24.0)
    return _follows(truth.ph, hours, float(size))


def _follows(ph: Floats, hours: Floats, tau_h: float) -> Floats:
    keep, out = float(np.exp(-STEP_H / tau_h)), ph.tolist()
    for row in range(1, len(out)):
        if hours[row] > 0.0:
            out[row] = keep * out[row - 1] + (1.0 - keep) * float(ph[row])
    return np.array(out)
