"""How far one reading can be believed: a first budget (GUM, JCGM 100), standard uncertainties in pH, k = 1.

    u^2 = u_fit^2 + u_temperature^2 + u_junction^2 + u_drift^2 + u_walk^2 + u_repeatability^2 + u_resolution^2

u_fit carries the covariance of offset and slope (leaving it out misstates u away from the buffers' middle). u_drift
grows with the days since the calibration. u_junction is an allowance for the liquid junction in brine, which no buffer
shows. Only repeatability shrinks when readings are averaged.
"""

import numpy as np

from logger.config import ErrorModel
from logger.measure.nernst import ISOPOTENTIAL_PH, ZERO_C_K, nernst_mv
from logger.model import Calibration, Floats, Ints

DAY_US = 86_400_000_000
INDEPENDENT_S = 60.0
"""Readings closer than this in time share their noise: averaging counts them as one. Common practice, no source."""


def standard_uncertainty(
    calibration: Calibration, errors: ErrorModel, *, at_us: Ints, ph: Floats, temperature_c: Floats
) -> Floats:
    """Return u (pH, k = 1) of single readings, elementwise; NaN where pH is NaN."""
    span = calibration.slope * nernst_mv(temperature_c)
    days = np.abs(at_us - calibration.at_us) / DAY_US
    below = ISOPOTENTIAL_PH - ph
    # pH = 7 - (E - offset) / (slope k):  d pH/d offset = 1 / (slope k),  d pH/d slope = (7 - pH) / slope
    by_offset, by_slope = 1.0 / span, below / calibration.slope
    fit = by_offset * by_offset * calibration.var_offset + by_slope * by_slope * calibration.var_slope
    fit = fit + 2.0 * by_offset * by_slope * calibration.cov
    warmth = below / (temperature_c + ZERO_C_K) * errors.temperature_c
    drift = errors.drift_ph_per_day * days
    walk = errors.walk_ph_per_sqrt_day * errors.walk_ph_per_sqrt_day * days
    systematic = fit + warmth * warmth + errors.junction_ph**2 + drift * drift + walk
    return np.sqrt(systematic + _random(errors) / (span * span))


def of_median(u_single: Floats, count: Ints, *, slope: float, errors: ErrorModel, poll_s: float) -> Floats:
    """Return u of medians of `count` readings each, from the u of one of them.

    The median of n independent normal readings has pi/2 times the variance of their mean (Kenney and Keeping 1962,
    from memory); readings within a minute of each other count as one.
    """
    independent = np.maximum(1.0, count * min(1.0, poll_s / INDEPENDENT_S))
    span = slope * nernst_mv(25.0)
    single = _random(errors) / (span * span)
    shrunk = np.minimum(1.0, np.pi / 2 / independent)
    variance = u_single * u_single - single * (1.0 - shrunk)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _random(errors: ErrorModel) -> float:
    """Return the variance (mV^2) that differs from reading to reading; resolution is rectangular (GUM 4.3.7)."""
    return errors.repeatability_mv**2 + errors.resolution_mv**2 / 12.0
