"""Compute the uncertainty of one reading, by its budget (GUM, JCGM 100), standard uncertainties in pH, k = 1.

    u^2 = e^2 + h' P h + u_wander^2 + u_repeatability^2 + u_resolution^2

e and P are what calibration and checks tell of the probe's error (`estimate.py`), h how this reading hangs on it: the
line's offset and slope with their covariance (leaving that out misstates u away from the buffers' middle), the drift,
the junction in brine, the thermometer. u grows with the days since the newest check, and outside the buffers as it
must. The published pH is never corrected: an error that is expected counts as doubt. Only repeatability and resolution
shrink when readings are averaged.

Law: elementwise, by + - * / and the square root alone, so that a row's u never depends on its block. `budget.py`
tells the same sum term by term.
"""

import numpy as np

from logger.config import ErrorModel
from logger.measure.calibration import Pieces, pieces_at, slope_at
from logger.measure.estimate import wander_of
from logger.measure.nernst import ABSOLUTE_ZERO_C, ISOPOTENTIAL_PH, NERNST_MV_PER_K, ZERO_C_K, nernst_mv
from logger.measure.sensitivity import BENCH_C, Sensitivities, error_variance, expected_error, sensitivities
from logger.model import Calibration, Estimate, Floats, Ints, Measurements, Value
from logger.model.elementwise import root, where

INDEPENDENT_S = 60.0
"""Readings closer than this in time share their noise: averaging counts them as one. Common practice, no source."""


def standard_uncertainty(
    calibration: Calibration,
    errors: ErrorModel,
    known: Estimate,
    *,
    days: Floats,
    ph: Floats,
    temperature_c: Floats,
    doubt_c: Floats | float = 0.0,
) -> Floats:
    """Return u (pH, k = 1) of single readings, elementwise; NaN where pH is NaN.

    `known`: what calibration and checks tell; `days`: how long after the newest of them each was made. `doubt_c`:
    standard uncertainty of the temperature beside the thermometer's own.
    """
    u2 = variance(calibration, errors, known, days=days, ph=ph, temperature_c=temperature_c, doubt_c=doubt_c)
    return np.asarray(np.sqrt(u2))


def variance(
    calibration: Calibration,
    errors: ErrorModel,
    known: Estimate,
    *,
    days: Value,
    ph: Value,
    temperature_c: Value,
    doubt_c: Value,
) -> Value:
    """Return u^2 of bare numbers, or columns of them."""
    slope = slope_at(calibration, ph, temperature_c)
    parts = sensitivities(known, ph=ph, temperature_c=temperature_c, days=days, slope=slope)
    error = expected_error(known.steady, parts)
    by_temperature = (ISOPOTENTIAL_PH - ph) / (temperature_c + ZERO_C_K) * doubt_c
    span = slope * (NERNST_MV_PER_K * (temperature_c + ZERO_C_K))
    return (
        error * error
        + error_variance(known.steady, parts)
        + wandered(known, parts)
        + by_temperature * by_temperature
        + errors.own_ph * errors.own_ph
        + _random_mv2(errors) / (span * span)
    )


def wandered(known: Estimate, parts: Sensitivities, *, is_steady: bool = True) -> Value:
    """Return the variance (pH^2) by what wandered since the newest check."""
    wander = wander_of(known, is_steady=is_steady)
    line = wander.offset * parts.line * parts.line + wander.slope * parts.steep * parts.steep
    return parts.days * (line + wander.junction)


def cautious(calibration: Calibration, known: Estimate, *, rows: Measurements, days: Value) -> tuple[Value, Value]:
    """Return the higher of each published pH and of what the checks correct it to, and its u (pH, k = 1); elementwise.

    For judging whether pH is too high: a probe found to read too low is not given the benefit of it. Where pH is
    corrected the known error is no doubt any more; where it is not (the probe reads too high) it still counts as such.
    """
    warm_c = where(rows.temperature_c > ABSOLUTE_ZERO_C, rows.temperature_c, BENCH_C)
    slope = slope_at(calibration, rows.ph, warm_c)
    parts = sensitivities(known, ph=rows.ph, temperature_c=warm_c, days=days, slope=slope)
    error = expected_error(known.steady, parts)
    left = rows.u * rows.u - error * error
    reads_low = error < 0.0
    u = root(where(left < 0.0, 0.0, left))
    return where(reads_low, rows.ph - error, rows.ph), where(reads_low, u, rows.u)


def fit_uncertainty(calibration: Calibration, *, ph: Floats, temperature_c: Floats) -> Floats:
    """Return what the calibration alone contributes to u (pH, k = 1), elementwise."""
    return np.asarray(np.sqrt(fit_variance(pieces_at(calibration, ph, temperature_c), ph, temperature_c)))


def of_median(
    u_single: Floats, count: Ints, *, slope: float, errors: ErrorModel, poll_s: float, spread: Floats | float = 0.0
) -> Floats:
    """Return u of medians of `count` readings each, from the u of one of them and the spread (pH) seen among them."""
    single = _random_mv2(errors) / (slope * nernst_mv(BENCH_C)) ** 2
    of_noise = noise_of_median(count, slope=slope, errors=errors, poll_s=poll_s, spread=spread)
    return np.asarray(np.sqrt(np.maximum(u_single * u_single - single + of_noise, 0.0)))


def noise_of_median(count: Ints, *, slope: float, errors: ErrorModel, poll_s: float, spread: Floats | float) -> Floats:
    """Return the variance (pH^2) of medians of `count` readings by what differs from reading to reading.

    The median of n independent normal readings has pi/2 times the variance of their mean (Kenney and Keeping 1962,
    from memory); readings within a minute of each other count as one. Where they scatter more than that allows (a
    stirrer, a pump), what was seen counts, each reading as one: noise that fast is new each time.
    """
    span = slope * nernst_mv(BENCH_C)
    expected = _random_mv2(errors) / (span * span) * shrinkage(count, poll_s)
    wide = np.nan_to_num(spread)
    return np.asarray(np.maximum(expected, np.pi / 2 * wide * wide / np.maximum(count, 1)))


def fit_variance(lines: Pieces, ph: Floats, temperature_c: Floats) -> Floats:
    """Return the variance (pH^2) that the line's covariance gives.

    pH = 7 - (E - offset) / (slope k):  d pH/d offset = 1 / (slope k),  d pH/d slope = (7 - pH) / slope
    """
    by_offset, by_slope = 1.0 / (lines.slope * nernst_mv(temperature_c)), (ISOPOTENTIAL_PH - ph) / lines.slope
    return np.asarray(
        by_offset * by_offset * lines.var_offset
        + by_slope * by_slope * lines.var_slope
        + 2.0 * by_offset * by_slope * lines.cov
    )


def shrinkage(count: Ints, poll_s: float) -> Floats:
    """Return by how much the variance of what differs from reading to reading shrinks in a median of `count`."""
    independent = np.maximum(1.0, count * min(1.0, poll_s / INDEPENDENT_S))
    return np.asarray(np.minimum(1.0, np.pi / 2 / independent))


def _random_mv2(errors: ErrorModel) -> float:
    """Return the variance (mV^2) that differs from reading to reading; resolution is rectangular (GUM 4.3.7)."""
    return errors.repeatability_mv**2 + errors.resolution_mv**2 / 12.0


def _squared(values: Floats) -> Floats:
    return values * values
