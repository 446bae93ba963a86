"""From potential to pH, and from buffers to a calibration.

Model: E = offset + slope * k(T) * (7 - pH), k the Nernst slope: with the usual wiring mV falls as pH rises. What is
kept is the offset (mV at the isopotential pH) and the slope as a fraction of k, never mV per pH, so that temperature
compensation is the formula itself. Compensation corrects the electrode, never the sample's own change with temperature.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from logger.errors import RefusedError
from logger.measure.nernst import ISOPOTENTIAL_PH, nernst_mv
from logger.model import Calibration, CalibrationPoint, Floats

U_BUFFER_PH = 0.02 / 3**0.5
"""Standard uncertainty of a buffer stated as +/-0.02 pH, rectangular (GUM 4.3.7). Common practice, no source."""
U_POTENTIAL_MV = 0.4
"""Standard uncertainty of one settled potential, mV. Common practice, no source."""
SLOPE_LIMITS = (0.85, 1.05)
OFFSET_LIMIT_MV = 60.0


def ph_of(calibration: Calibration, potential_mv: Floats, temperature_c: Floats) -> Floats:
    """Return pH for potentials (mV) at temperatures (C), elementwise; NaN where either is NaN."""
    span = calibration.slope * nernst_mv(temperature_c)
    return ISOPOTENTIAL_PH - (potential_mv - calibration.offset_mv) / span


def fit(points: Sequence[CalibrationPoint], *, probe: str, at_us: int, by: str) -> Calibration:
    """Return the least-squares line through two or more buffer points (id 0: not stored yet).

    Its covariance is that of the stated uncertainties of buffer and potential, not of the scatter: three points cannot
    tell their own. Raises RefusedError for points that make no line or a slope or offset no working electrode has.
    """
    _check_points(points)
    x = np.array([nernst_mv(p.temperature_c) * (ISOPOTENTIAL_PH - p.buffer_ph) for p in points])
    y = np.array([p.potential_mv for p in points])
    u_y = np.array([np.hypot(U_POTENTIAL_MV, U_BUFFER_PH * nernst_mv(p.temperature_c)) for p in points])
    design = np.column_stack([np.ones_like(x), x]) / u_y[:, None]
    covariance = np.linalg.inv(design.T @ design)
    offset, slope = covariance @ design.T @ (y / u_y)
    _check_line(float(offset), float(slope))
    return Calibration(
        id=0,
        probe=probe,
        at_us=at_us,
        offset_mv=float(offset),
        slope=float(slope),
        var_offset=float(covariance[0, 0]),
        var_slope=float(covariance[1, 1]),
        cov=float(covariance[0, 1]),
        low_ph=min(p.buffer_ph for p in points),
        high_ph=max(p.buffer_ph for p in points),
        points=tuple(points),
        by=by,
        residual_mv=float(np.max(np.abs(y - offset - slope * x))),
    )


def _check_points(points: Sequence[CalibrationPoint]) -> None:
    minimum, apart = 2, 1.0
    values = sorted(p.buffer_ph for p in points)
    if len(points) < minimum:
        raise RefusedError(f"a calibration needs at least two buffer points, got {len(points)}: dip a second buffer")
    for point in points:
        if not np.all(np.isfinite([point.buffer_ph, point.potential_mv, point.temperature_c])):
            raise RefusedError(f"a calibration point has a value that is no number: {point}")
        if not (0 < point.buffer_ph < 14 and -2 <= point.temperature_c <= 60):  # noqa: PLR2004 - the scale's own ends
            raise RefusedError(
                f"buffer pH {point.buffer_ph:g} at {point.temperature_c:g} C is outside pH 0 to 14, -2 to 60 C:"
                " check the units"
            )
    if min(b - a for a, b in pairwise(values)) < apart:
        raise RefusedError("two of the buffers are less than 1 pH apart: was the same buffer dipped twice?")


def _check_line(offset_mv: float, slope: float) -> None:
    low, high = SLOPE_LIMITS
    if not low <= slope <= high:
        raise RefusedError(
            f"slope {slope:.1%} of the Nernst slope is outside {low:.0%} to {high:.0%}: buffers swapped, stale or mixed"
            " up, mV with the wrong sign, or a dirty, dry or cracked bulb. The calibration in force stays"
        )
    if abs(offset_mv) > OFFSET_LIMIT_MV:
        raise RefusedError(
            f"offset {offset_mv:+.1f} mV at pH 7 is beyond +/-{OFFSET_LIMIT_MV:g} mV: wrong buffer value, or a worn or"
            " fouled electrode. Clean it, use fresh buffers, try again. The calibration in force stays"
        )
