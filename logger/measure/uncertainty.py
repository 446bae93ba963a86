"""Compute the uncertainty of one reading, by its budget (GUM, JCGM 100), standard uncertainties in pH, k = 1.

    u^2 = u_fit^2 + u_temperature^2 + u_junction^2 + u_drift^2 + u_repeatability^2 + u_resolution^2

u_fit carries the covariance of offset and slope of the line that the reading is taken from (leaving it out misstates u
away from the buffers' middle); outside the buffers it grows as it must. u_drift grows with the days since the
calibration or the newest check, and holds what checks found the probe off by: the published pH is never corrected.
u_junction is an allowance for the liquid junction in brine, which no buffer shows. Only repeatability and resolution
shrink when readings are averaged.

Law: elementwise, by + - * / and the square root alone, so that a row's u never depends on its block. `budget.py`
tells the same sum term by term.
"""

from dataclasses import replace

import numpy as np

from logger.config import ErrorModel
from logger.measure.calibration import Pieces, pieces_at
from logger.measure.drift import rate_of
from logger.measure.nernst import ISOPOTENTIAL_PH, ZERO_C_K, nernst_mv
from logger.model import Calibration, Drift, Floats, Ints, Measurements, QualityTests
from logger.units import DAY_US

INDEPENDENT_S = 60.0
"""Readings closer than this in time share their noise: averaging counts them as one. Common practice, no source."""


def standard_uncertainty(
    calibration: Calibration,
    errors: ErrorModel,
    *,
    at_us: Ints,
    ph: Floats,
    temperature_c: Floats,
    drift: Drift | None = None,
    doubt_c: Floats | float = 0.0,
) -> Floats:
    """Return u (pH, k = 1) of single readings, elementwise; NaN where pH is NaN.

    `at_us`: UTC (microseconds) of each. `drift`: what checks since the calibration told; None: there was none.
    `doubt_c`: standard uncertainty of the temperature beside the thermometer's own.
    """
    lines = pieces_at(calibration, ph, temperature_c)
    variance = (
        fit_variance(lines, ph, temperature_c)
        + temperature_variance(errors, ph, temperature_c)
        + _squared((ISOPOTENTIAL_PH - ph) / (temperature_c + ZERO_C_K) * doubt_c)
        + errors.junction_ph * errors.junction_ph
        + errors.own_ph * errors.own_ph
        + _drift(calibration, errors, drift, at_us)
        + _random_mv2(errors) / _squared(lines.slope * nernst_mv(temperature_c))
    )
    return np.asarray(np.sqrt(variance))


def cautious(
    calibration: Calibration, errors: ErrorModel, *, rows: Measurements, drift: Drift | None
) -> tuple[Floats, Floats]:
    """Return the higher of each published pH and of what the checks correct it to, and its u (pH, k = 1).

    For judging whether pH is too high: a probe found to read too low is not given the benefit of it. Where pH is
    corrected the known offset is no doubt any more; where it is not (the probe reads too high) it still counts as such.
    """
    if drift is None:
        return rows.ph, rows.u
    offset, _, _ = drift_parts(calibration, errors, drift, rows.at_us)
    u = standard_uncertainty(
        calibration,
        errors,
        at_us=rows.at_us,
        ph=rows.ph,
        temperature_c=rows.temperature_c,
        drift=replace(drift, offset_ph=0.0, rate_ph_per_day=0.0),
    )
    # By a temperature that is not the record's own its u is as it was computed then.
    reads_low, is_own = offset < 0.0, (rows.tests & QualityTests.THERMOMETER) == 0
    return np.where(reads_low, rows.ph - offset, rows.ph), np.where(reads_low & is_own, u, rows.u)


def fit_uncertainty(calibration: Calibration, *, ph: Floats, temperature_c: Floats) -> Floats:
    """Return what the calibration alone contributes to u (pH, k = 1), elementwise."""
    return np.asarray(np.sqrt(fit_variance(pieces_at(calibration, ph, temperature_c), ph, temperature_c)))


def of_median(
    u_single: Floats, count: Ints, *, slope: float, errors: ErrorModel, poll_s: float, spread: Floats | float = 0.0
) -> Floats:
    """Return u of medians of `count` readings each, from the u of one of them and the spread (pH) seen among them.

    The median of n independent normal readings has pi/2 times the variance of their mean (Kenney and Keeping 1962,
    from memory); readings within a minute of each other count as one. Where they scatter more than that allows (a
    stirrer, a pump), what was seen counts, each reading as one: noise that fast is new each time.
    """
    span = slope * nernst_mv(25.0)
    single = _random_mv2(errors) / (span * span)
    expected = single * shrinkage(count, poll_s)
    wide = np.nan_to_num(spread)
    seen = np.pi / 2 * wide * wide / np.maximum(count, 1)
    variance = u_single * u_single - single + np.maximum(expected, seen)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def fit_variance(lines: Pieces, ph: Floats, temperature_c: Floats) -> Floats:
    """Return the variance (pH^2) that the line's covariance gives.

    pH = 7 - (E - offset) / (slope k):  d pH/d offset = 1 / (slope k),  d pH/d slope = (7 - pH) / slope
    """
    by_offset, by_slope = 1.0 / (lines.slope * nernst_mv(temperature_c)), (ISOPOTENTIAL_PH - ph) / lines.slope
    return (
        by_offset * by_offset * lines.var_offset
        + by_slope * by_slope * lines.var_slope
        + 2.0 * by_offset * by_slope * lines.cov
    )


def temperature_variance(errors: ErrorModel, ph: Floats, temperature_c: Floats) -> Floats:
    """Return the variance that the thermometer's error gives, which vanishes at the isopotential point."""
    return _squared((ISOPOTENTIAL_PH - ph) / (temperature_c + ZERO_C_K) * errors.temperature_c)


def _drift(calibration: Calibration, errors: ErrorModel, drift: Drift | None, at_us: Ints) -> Floats:
    offset_ph, since, walk = drift_parts(calibration, errors, drift, at_us)
    return offset_ph * offset_ph + since + walk


def drift_parts(
    calibration: Calibration, errors: ErrorModel, drift: Drift | None, at_us: Ints
) -> tuple[Floats, Floats, Floats]:
    """Return the offset that checks found (pH), the variance of it and its rate, and that of the walk since then.

    A reading before its calibration or check is as doubtful as one as long after.
    """
    walk = errors.walk_ph_per_sqrt_day * errors.walk_ph_per_sqrt_day
    if drift is None:
        rate, days = rate_of(calibration, errors), np.abs(at_us - calibration.at_us) / DAY_US
        return np.zeros(np.shape(days)), _squared(rate * days), walk * days
    days = np.abs(at_us - drift.at_us) / DAY_US
    since = drift.var_offset + 2.0 * days * drift.cov + days * days * drift.var_rate
    return drift.offset_ph + drift.rate_ph_per_day * days, np.maximum(since, 0.0), walk * days


def shrinkage(count: Ints, poll_s: float) -> Floats:
    """Return by how much the variance of what differs from reading to reading shrinks in a median of `count`."""
    independent = np.maximum(1.0, count * min(1.0, poll_s / INDEPENDENT_S))
    return np.asarray(np.minimum(1.0, np.pi / 2 / independent))


def _random_mv2(errors: ErrorModel) -> float:
    """Return the variance (mV^2) that differs from reading to reading; resolution is rectangular (GUM 4.3.7)."""
    return errors.repeatability_mv**2 + errors.resolution_mv**2 / 12.0


def _squared(values: Floats) -> Floats:
    return values * values
