"""What is true of an electrode, its buffers, its thermometer and another instrument, drawn for the bench of claims.

    shown = x + o + s (x - L) + j + g (x - L)        x the vat's pH, L the target; in a buffer without j and g

o, s and j wander; o drifts and may creep besides; buffers are wrong by up to +/-0.02; another instrument is wrong by
one error that all its measurements share and by one of each. Nothing here knows how a claim is made. Sizes: common
practice, no source; those of `Scales` 1 are what the pipeline believes.
"""

import math
from dataclasses import dataclass

import numpy as np

from logger.measure.calibration import fit
from logger.model import Calibration, CalibrationPoint
from logger.structs import replace
from tests.bench.claim_sets import HOURS, LIMIT_PH, Floats, Rng

K_PER_KELVIN = 1000 * 8.31446261815324 * math.log(10) / 96485.33212331002
"""mV a pH and kelvin: CODATA 2018."""
DRIFT_PH_PER_DAY, WALK_PH = 0.012, 0.006
"""Rate, and wander in a day."""
SLOPE_WALK, JUNCTION_WALK_PH = 0.002, 0.01
JUNCTION_PH, JUNCTION_PER_PH = 0.05, 0.03
GLASS_PH = 0.02
"""A buffer is within so much of its label."""
THERMOMETER_C = 1.0
NOISE_MV, BUFFER_NOISE_MV, RESOLUTION_MV = 0.9, 0.4, 0.1
EACH_OF_METER = 0.4
"""Part of another instrument's u by which each of its measurements differs besides."""
BENCH_C = 25.0
LABELS_PH = (4.005, 6.865)
PER_C = (0.001, -0.0028)
"""pH of phthalate and of phosphate buffer, and how it changes by C near 25 C (NIST primary standards, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scales:
    """How many times as large as believed each error is, untold; and mistakes that all glasses share."""

    drift: float = 1.0
    junction: float = 1.0
    meter: float = 1.0
    glass: float = 1.0
    thermometer: float = 1.0
    one_bottle: bool = False
    """All buffers are wrong by the same."""
    bench_c: float = 0.0
    """So wrong (standard deviation) is the thermometer by which all buffers are taken."""


RIGHT = Scales()
WRONG = {
    "drift x2": Scales(drift=2.0),
    "junction x2": Scales(junction=2.0),
    "meter x2": Scales(meter=2.0),
    "all x2": Scales(drift=2.0, junction=2.0, meter=2.0, glass=2.0, thermometer=2.0),
}
SHARED = {"one bottle": Scales(one_bottle=True), "bench thermometer": Scales(bench_c=1.5)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Creep:
    """A reference that creeps, beside its drift: the reading falls by so much a day from this hour on."""

    ph_per_day: float
    from_h: float


class Equipment:
    """An electrode, bottles of buffer, thermometers and other instruments."""

    def __init__(self, rng: Rng, scales: Scales) -> None:
        self.rng, self.scales = rng, scales
        self.slope, self.offset_mv = rng.uniform(0.92, 1.02), rng.uniform(-30.0, 30.0)
        self.since_h = -24.0 * rng.uniform(0.0, 3.0)
        """Calibrated so long before the filling."""
        self.creep: Creep | None = None
        self._hours = np.arange(self.since_h, HOURS + 2.0, 1.0)
        days = (self._hours - self.since_h) / 24.0
        walks = np.cumsum(rng.normal(0.0, math.sqrt(1 / 24), (3, len(days))), axis=1)
        self._offset = scales.drift * (rng.normal(0.0, DRIFT_PH_PER_DAY) * days + WALK_PH * walks[0])
        self._slope = scales.drift * SLOPE_WALK * walks[1]
        self._junction = scales.junction * (rng.normal(0.0, JUNCTION_PH) + JUNCTION_WALK_PH * walks[2])
        self._per_ph = scales.junction * rng.normal(0.0, JUNCTION_PER_PH)
        self.warm_off = scales.thermometer * rng.normal(0.0, THERMOMETER_C)
        self._bottle, self._bench_off = rng.uniform(-GLASS_PH, GLASS_PH), rng.normal(0.0, 1.0) * scales.bench_c
        self._meters: dict[str, float] = {}

    def in_vat_mv(self, ph: Floats, celsius: Floats, hours: Floats) -> Floats:
        """Return what the electrode gives in a vat, without noise."""
        off = np.interp(hours, self._hours, self._junction) + self._per_ph * (ph - LIMIT_PH)
        return self._mv(ph, off, celsius, hours)

    def _mv(self, ph: Floats, off: Floats | float, celsius: Floats, hours: Floats) -> Floats:
        drifted = np.interp(hours, self._hours, self._offset)
        tilted = np.interp(hours, self._hours, self._slope) * (ph - LIMIT_PH)
        crept = 0.0 if self.creep is None else self.creep.ph_per_day * np.maximum(hours - self.creep.from_h, 0.0) / 24.0
        shown = ph + off + drifted + tilted + crept
        return np.asarray(self.offset_mv - self.slope * K_PER_KELVIN * (celsius + 273.15) * (shown - 7.0))

    def _glass(self, label: int, hour: float, noise_mv: float) -> tuple[float, float, float]:
        """Dip into a buffer; return its pH as the label tells it, the potential and the temperature that is read."""
        own = self.rng.uniform(-GLASS_PH, GLASS_PH)
        wrong = self.scales.glass * (self._bottle if self.scales.one_bottle else own)
        true = np.array([LABELS_PH[label] + wrong])
        mv = self._mv(true, 0.0, np.array([BENCH_C]), np.array([hour]))[0] + self.rng.normal(0.0, noise_mv)
        return LABELS_PH[label] + PER_C[label] * self._bench_off, float(mv), BENCH_C + self._bench_off

    def calibrated(self, at_us: int) -> Calibration:
        """Dip into two buffers, `since_h` after the filling."""
        points = []
        for label in range(len(LABELS_PH)):
            ph, mv, celsius = self._glass(label, self.since_h, BUFFER_NOISE_MV)
            points.append(CalibrationPoint(buffer_ph=ph, potential_mv=mv, temperature_c=celsius))
        return replace(fit(points, probe="probe", at_us=at_us, by=""), id=1)

    def checked(self, hour: float) -> tuple[float, float, float]:
        """Dip into the buffer of the lower pH; return what `_glass` does."""
        return self._glass(0, hour, BUFFER_NOISE_MV)

    def measured(self, ph: float, instrument: str, u_ph: float) -> float:
        """Return what another instrument reads in the vat."""
        if instrument not in self._meters:
            self._meters[instrument] = self.rng.normal(0.0, self.scales.meter * u_ph)
        return float(ph + self._meters[instrument] + self.rng.normal(0.0, EACH_OF_METER * self.scales.meter * u_ph))
