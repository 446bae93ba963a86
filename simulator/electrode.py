"""Compute the potential of a pH electrode from pH and temperature.

Law: E = offset + slope * k(T) * (7 - pH), k = R T ln10 / F: millivolts fall as pH rises. Pure functions of arrays.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

BOLTZMANN_J_PER_K = 1.380649e-23
ELEMENTARY_CHARGE_C = 1.602176634e-19
"""R / F equals k_B / e, both exact in the SI of 2019 (CODATA 2018)."""
KELVIN_AT_ZERO_CELSIUS = 273.15
ISOPOTENTIAL_PH = 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Electrode:
    """One electrode and the thermometer in it."""

    slope: float = 0.978
    """Fraction of the Nernst slope."""
    offset_mv: float = 6.3
    """At pH 7, at run time 0."""
    drift_mv_per_day: float = -0.5
    tau_s: float = 12.0
    """First-order response of the membrane."""
    noise_mv: float = 0.25
    wander_mv: float = 0.6
    """Slow changes at the junction."""
    thermometer_noise_c: float = 0.02


def nernst_slope_mv(temperature_c: ArrayLike) -> Floats:
    """Return k(T) = R T ln10 / F in mV per pH unit."""
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN_AT_ZERO_CELSIUS
    return np.asarray(1e3 * BOLTZMANN_J_PER_K / ELEMENTARY_CHARGE_C * math.log(10.0) * kelvin)


def potential_mv(electrode: Electrode, ph: ArrayLike, *, temperature_c: ArrayLike, day: ArrayLike) -> Floats:
    """Return the electrode potential in mV, without noise, `day` days after run time 0."""
    offset = electrode.offset_mv + electrode.drift_mv_per_day * np.asarray(day, dtype=np.float64)
    step = ISOPOTENTIAL_PH - np.asarray(ph, dtype=np.float64)
    return np.asarray(offset + electrode.slope * nernst_slope_mv(temperature_c) * step)


def quantised(values: Floats, steps_per_unit: int) -> Floats:
    """Round to a converter's steps: 10 a mV, 100 a Celsius."""
    return np.asarray(np.rint(values * steps_per_unit) / steps_per_unit)
