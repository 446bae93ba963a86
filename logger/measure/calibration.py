"""Compute pH from potential, and a calibration from potentials in buffers.

Model: E = offset + slope * k(T) * (7 - pH), k the Nernst slope: with the usual wiring mV falls as pH rises. What is
kept is the offset (mV at the isopotential pH) and the slope as a fraction of k, never mV per pH, so that temperature
compensation is the formula itself. Compensation corrects the electrode, never the sample's own change with temperature.

Law: E depends on x = k(T) (7 - pH) alone. Two neighbouring segments meet at the x and at the potential of the buffer
between them, at every temperature: so a reading's segment is chosen by its potential, without iteration and without a
step. The order of the points never matters, to the bit.

Bracketing is the default: below 6.86 only the 4.01-6.86 segment counts, and 9.18 is an independent check, since aged
borax would bend one line through all three.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import fsum, hypot, isfinite

import numpy as np

from logger.errors import RefusedError
from logger.measure.nernst import ISOPOTENTIAL_PH, nernst_mv
from logger.model import Calibration, CalibrationPoint, Floats, Method, Segment, Value
from logger.model.figures import BUFFER_PH, POINT_C, POINT_MV, check_point
from logger.structs import Struct, replace

U_POTENTIAL_MV = 0.4
"""Standard uncertainty of one settled potential, mV. Common practice, no source."""
ASSUMED_SLOPE, U_ASSUMED_SLOPE = 0.975, 0.05
"""What a lone buffer's slope is taken for: three pH away U is then 0.3, as IUPAC 2002 (Table 4) has it."""
MOST_POINTS = 5
APART_PH = 0.4
"""Closer than this two buffers are the same one twice: no two of the tables' are, but those of two standards."""


class FittedLine(Struct, frozen=True, kw_only=True):
    """A straight line y = offset + slope x and its covariance."""

    offset: float
    slope: float
    var_offset: float
    var_slope: float
    cov: float


class Pieces(Struct, frozen=True, kw_only=True):
    """The lines that readings are taken from, a row a reading; of one line for all its numbers."""

    offset_mv: Value
    slope: Value
    var_offset: Value
    var_slope: Value
    cov: Value


def ph_of(calibration: Calibration, potential_mv: Floats, temperature_c: Floats) -> Floats:
    """Return pH for potentials (mV) at temperatures (C), elementwise; NaN where either is NaN.

    Infinite where the line is so flat that no number can say it; such a calibration is refused.
    """
    with np.errstate(over="ignore", divide="ignore"):
        return np.asarray(reading_of(calibration, potential_mv, temperature_c))


def reading_of(calibration: Calibration, potential_mv: Value, temperature_c: Value) -> Value:
    """Return the same of bare numbers, or columns of them."""
    row: Value = 0
    for point in _joints(calibration):
        row = row + (potential_mv < point.potential_mv)
    offset_mv, slope = _column(calibration, "offset_mv", row), _column(calibration, "slope", row)
    return ISOPOTENTIAL_PH - (potential_mv - offset_mv) / (slope * nernst_mv(temperature_c))


def pieces_at(calibration: Calibration, ph: Floats, temperature_c: Floats) -> Pieces:
    """Return the line that each result (pH at C) was taken from."""
    return _pieces(calibration, _row_at(calibration, ph, temperature_c))


def slope_at(calibration: Calibration, ph: Value, temperature_c: Value) -> Value:
    """Return the slope (fraction of the Nernst slope) of the line that each result (pH at C) was taken from."""
    return _column(calibration, "slope", _row_at(calibration, ph, temperature_c))


def points_behind(
    calibration: Calibration, *, ph: float, temperature_c: float
) -> tuple[tuple[CalibrationPoint, ...], float]:
    """Return the buffer points that a result (pH at C) rests on, by rising pH, and the slope of their line."""
    rising = tuple(_rising(calibration.points))
    if not calibration.segments:
        return rising, calibration.slope
    row = _row_at(calibration, ph, temperature_c)
    return rising[row : row + 2], calibration.segments[row].slope


def weights_at(points: Sequence[CalibrationPoint], slope: float, *, x: float) -> list[float]:
    """Return how much each point's potential moves the least-squares line through them at x = k(T) (7 - pH), mV."""
    weights = [1.0 / point_u_mv(p, slope) ** 2 for p in points]
    total, xs = fsum(weights), [x_of(p) for p in points]
    middle = fsum(w * each for w, each in zip(weights, xs, strict=True)) / total
    spread = fsum(w * (each - middle) ** 2 for w, each in zip(weights, xs, strict=True))
    lever = (x - middle) / spread if len(points) > 1 else 0.0
    return [w / total + lever * w * (each - middle) for w, each in zip(weights, xs, strict=True)]


def segments_of(calibration: Calibration) -> tuple[Segment, ...]:
    """Return the lines in use, lowest pH first: the segments, else the one line through all points."""
    line = calibration
    whole = Segment(
        low_ph=line.low_ph,
        high_ph=line.high_ph,
        offset_mv=line.offset_mv,
        slope=line.slope,
        var_offset=line.var_offset,
        var_slope=line.var_slope,
        cov=line.cov,
    )
    return line.segments or (whole,)


def deviations_as_found(calibration: Calibration, points: Sequence[CalibrationPoint]) -> tuple[float, ...]:
    """Return how far a calibration is off in each buffer (pH): what it reads there minus the buffer's pH."""
    mv, warm, buffer = (
        np.array(column)
        for column in zip(*((p.potential_mv, p.temperature_c, p.buffer_ph) for p in points), strict=True)
    )
    return tuple((ph_of(calibration, mv, warm) - buffer).tolist())


def is_replaced(before: str, now: str) -> bool:
    """Tell whether two serial numbers say that the electrode is another one; an unknown one says nothing."""
    return bool(before and now and before != now)


def can_assess(new: Calibration, before: Calibration) -> bool:
    """Tell whether the buffers of a calibration say how another was: one of its electrode, made no later."""
    return new.at_us >= before.at_us and not is_replaced(before.electrode, new.electrode)


def residuals_mv(calibration: Calibration) -> tuple[float, ...]:
    """Return each point's distance (mV) from the line through all, in the order of the points."""
    line = calibration
    return tuple(p.potential_mv - line.offset_mv - line.slope * x_of(p) for p in line.points)


def chi_square(calibration: Calibration) -> tuple[float, int]:
    """Return chi-square of the line through all points and its degrees of freedom (0: nothing to judge it by).

    It is near its degrees of freedom when the stated uncertainties of buffers and potentials are right (GUM H.3).
    """
    us = [point_u_mv(p, calibration.slope) for p in calibration.points]
    scaled = [r / u for r, u in zip(residuals_mv(calibration), us, strict=True)]
    return fsum(r * r for r in scaled), max(0, len(us) - 2)


def fit(
    points: Sequence[CalibrationPoint],
    *,
    probe: str,
    at_us: int,
    by: str,
    method: Method = Method.BRACKETING,
    electrode: str = "",
    previous: Calibration | None = None,
) -> Calibration:
    """Return the calibration through one to five buffer points (id 0: not stored yet, not judged yet).

    One point gives the offset only; the slope is that of `previous`, unless of another electrode. Covariances are those
    of the stated uncertainties of buffers and potentials, not of the scatter: three points cannot tell their own.
    Raises RefusedError for points that make no line; what makes a bad one is for `calibration_acceptance.accept`.
    """
    _check_points(points)
    rising = _rising(points)
    line, findings = (
        _one_point_line(rising[0], previous, electrode=electrode) if len(rising) == 1 else (_line(rising), ())
    )
    is_bracketed = method is Method.BRACKETING and len(rising) > 2  # noqa: PLR2004 - two points are their own segment
    calibration = Calibration(
        id=0,
        probe=probe,
        at_us=at_us,
        offset_mv=line.offset,
        slope=line.slope,
        var_offset=line.var_offset,
        var_slope=line.var_slope,
        cov=line.cov,
        low_ph=rising[0].buffer_ph,
        high_ph=rising[-1].buffer_ph,
        points=tuple(points),
        by=by,
        method=method,
        segments=tuple(map(_segment, pairwise(rising))) if is_bracketed else (),
        findings=findings,
        electrode=electrode,
    )
    return replace(calibration, residual_mv=max(map(abs, residuals_mv(calibration))))


def weighted_line(x: Sequence[float], y: Sequence[float], u: Sequence[float]) -> FittedLine:
    """Return the least-squares line through two or more points of stated standard uncertainty `u` in y.

    Weighted by 1/u^2, with the covariance that these u give (GUM H.3, with u stated in place of the scatter).
    """
    weights = [1.0 / (each * each) for each in u]
    total = fsum(weights)
    middle_x = fsum(w * each for w, each in zip(weights, x, strict=True)) / total
    middle_y = fsum(w * each for w, each in zip(weights, y, strict=True)) / total
    spread = fsum(w * (each - middle_x) ** 2 for w, each in zip(weights, x, strict=True))
    common = fsum(w * (a - middle_x) * (b - middle_y) for w, a, b in zip(weights, x, y, strict=True))
    slope = common / spread
    return FittedLine(
        offset=middle_y - slope * middle_x,
        slope=slope,
        var_offset=1.0 / total + middle_x * middle_x / spread,
        var_slope=1.0 / spread,
        cov=-middle_x / spread,
    )


def x_of(point: CalibrationPoint) -> float:
    """Return what the potential depends on: k(T) (7 - pH), mV."""
    return nernst_mv(point.temperature_c) * (ISOPOTENTIAL_PH - point.buffer_ph)


def point_u_mv(point: CalibrationPoint, slope: float) -> float:
    """Return the standard uncertainty of a point's potential (mV), that of its buffer's pH carried over."""
    return hypot(U_POTENTIAL_MV, point.noise_mv, slope * nernst_mv(point.temperature_c) * point.u_ph)


def _line(points: Sequence[CalibrationPoint]) -> FittedLine:
    """Return the line through points; their weights need a slope, which a line without weights is good enough for."""
    x, y = [x_of(p) for p in points], [p.potential_mv for p in points]
    rough = weighted_line(x, y, [1.0] * len(points)).slope
    return weighted_line(x, y, [point_u_mv(p, rough) for p in points])


def _one_point_line(
    point: CalibrationPoint, previous: Calibration | None, *, electrode: str
) -> tuple[FittedLine, tuple[str, ...]]:
    """Return the line through one point, with the slope that was in force there or the usual one."""
    slope, u_slope, whose = ASSUMED_SLOPE, U_ASSUMED_SLOPE, "assumed, no earlier calibration being in force"
    if previous is not None and not is_replaced(previous.electrode, electrode):
        near = min(segments_of(previous), key=lambda s: max(s.low_ph - point.buffer_ph, point.buffer_ph - s.high_ph))
        slope, u_slope, whose = near.slope, near.var_slope**0.5, f"that of calibration {previous.id}"
    x, var_slope = x_of(point), u_slope * u_slope
    u = point_u_mv(point, slope)
    line = FittedLine(
        offset=point.potential_mv - slope * x,
        slope=slope,
        var_offset=u * u + x * x * var_slope,
        var_slope=var_slope,
        cov=-x * var_slope,
    )
    finding = f"One buffer sets only the offset: the slope, {slope:.1%}, is {whose}. Dip a second buffer to measure it"
    return line, (finding,)


def _segment(ends: tuple[CalibrationPoint, CalibrationPoint]) -> Segment:
    low, high = ends
    line = _line(ends)
    return Segment(
        low_ph=low.buffer_ph,
        high_ph=high.buffer_ph,
        offset_mv=line.offset,
        slope=line.slope,
        var_offset=line.var_offset,
        var_slope=line.var_slope,
        cov=line.cov,
    )


def _rising(points: Sequence[CalibrationPoint]) -> list[CalibrationPoint]:
    return sorted(points, key=lambda p: (p.buffer_ph, p.potential_mv))


def _joints(calibration: Calibration) -> list[CalibrationPoint]:
    """Return the buffers at which two segments meet, by rising pH."""
    return _rising(calibration.points)[1:-1] if calibration.segments else []


def _row_at(calibration: Calibration, ph: Value, temperature_c: Value) -> Value:
    """Return the number of the segment that each result lies in."""
    row: Value = 0
    for point in _joints(calibration):
        row = row + (ph > ISOPOTENTIAL_PH - x_of(point) / nernst_mv(temperature_c))
    return row


def _pieces(calibration: Calibration, row: Value) -> Pieces:
    names = ("offset_mv", "slope", "var_offset", "var_slope", "cov")
    return Pieces(**{name: _column(calibration, name, row) for name in names})


def _column(calibration: Calibration, name: str, row: Value) -> Value:
    """Return a figure of the segment with each of these numbers; of one line for all a number."""
    if not calibration.segments:  # nearly always
        return getattr(calibration, name)
    if isinstance(row, int):
        return getattr(calibration.segments[row], name)
    return np.array([getattr(line, name) for line in calibration.segments])[row]


def _check_points(points: Sequence[CalibrationPoint]) -> None:
    if not 1 <= len(points) <= MOST_POINTS:
        raise RefusedError(f"a calibration is made of 1 to {MOST_POINTS} buffer points, not of {len(points)}")
    for point in points:
        _check_point(point)
    rising = sorted(points, key=lambda p: p.buffer_ph)
    for low, high in pairwise(rising):
        if high.buffer_ph - low.buffer_ph < APART_PH:
            raise RefusedError(
                f"buffers pH {low.buffer_ph:g} and {high.buffer_ph:g} are less than {APART_PH} pH apart: was the same"
                " buffer dipped twice? Dip another one"
            )
        if x_of(low) - x_of(high) < nernst_mv(0.0) * APART_PH / 2.0:
            raise RefusedError(
                f"buffers pH {low.buffer_ph:g} at {low.temperature_c:g} C and {high.buffer_ph:g} at"
                f" {high.temperature_c:g} C make no line: bring them to one temperature"
            )


def _check_point(point: CalibrationPoint) -> None:
    numbers = (point.buffer_ph, point.potential_mv, point.temperature_c, point.u_ph, point.noise_mv)
    if not all(map(isfinite, numbers)) or point.u_ph < 0 or point.noise_mv < 0:
        raise RefusedError(
            f"buffer pH {point.buffer_ph:g}, {point.potential_mv:g} mV, {point.temperature_c:g} C"
            f" (u {point.u_ph:g}, noise {point.noise_mv:g} mV): a value that is no number, or below 0 where it cannot:"
            " correct that point"
        )
    if BUFFER_PH.why_not(point.buffer_ph) or POINT_C.why_not(point.temperature_c):
        raise RefusedError(
            f"buffer pH {point.buffer_ph:g} at {point.temperature_c:g} C is outside pH 0 to 14, -2 to 60 C:"
            " check the units"
        )
    if POINT_MV.why_not(point.potential_mv):
        raise RefusedError(f"{point.potential_mv:g} mV in pH {point.buffer_ph:g} is no electrode's: check the unit")
    check_point(point)
