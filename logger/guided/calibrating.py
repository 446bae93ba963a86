"""From the points of a sitting to a calibration with its verdict, told as a card a person can sign.

Law: pure. What the calibration in force reads in the same buffers is kept as checks (as found), so that the log since
then can be judged; a refused one leaves no such checks: its buffers are in doubt themselves.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from logger.config import ProbeConfig
from logger.guided.state_machine import Conclusion, TakenPoint
from logger.measure import calibration_acceptance
from logger.measure.buffers import Buffer, expired
from logger.measure.calibration import as_found, chi_square, fit, is_replaced, residuals_mv, segments_of, tells_of
from logger.measure.drift import rate_from_history
from logger.measure.nernst import nernst_mv
from logger.model import Acceptance, Calibration, CalibrationPoint, Check, CheckKind, Method
from logger.units import SECOND_US

RESIDUAL_FULL_MV = 3.0
"""A residual that fills its bar. [CP]"""
BAR = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPlan:
    """What a calibration is of, by whom and how."""

    probe: ProbeConfig
    by: str
    method: Method = Method.BRACKETING
    buffers: tuple[Buffer, ...] = ()
    in_force: Calibration | None = None
    calibrations: tuple[Calibration, ...] = ()
    """All of the probe so far, and below how they were found: they tell how fast this electrode drifts."""
    checks: tuple[Check, ...] = ()


def conclusion(order: CalibrationPlan, taken: Sequence[TakenPoint]) -> Conclusion:
    """Return what comes of the points, for a person to decide. Raises RefusedError for points that make no line."""
    made, checks = judged(order, taken)
    refused = made.verdict is Acceptance.REFUSED
    return Conclusion(lines=tuple(card(made)), calibration=made, checks=checks, is_refused=refused)


def judged(order: CalibrationPlan, taken: Sequence[TakenPoint]) -> tuple[Calibration, tuple[Check, ...]]:
    """Return the calibration with its verdict, and how the one in force was found in the same buffers.

    Raises RefusedError for points that make no line.
    """
    points = [one.point for one in taken]
    made = fit(
        points,
        probe=order.probe.id,
        at_us=max(one.at_us for one in taken),
        by=order.by,
        method=order.method,
        electrode=order.probe.electrode,
        previous=order.in_force,
    )
    made = calibration_acceptance.accept(
        made, order.probe.calibration, previous=order.in_force, warnings=_warnings(order, taken)
    )
    before = order.in_force
    if made.verdict is Acceptance.REFUSED or before is None or is_replaced(before.electrode, made.electrode):
        checks: tuple[Check, ...] = ()  # another electrode says nothing of how the old one was
    else:
        checks = found(order, made, before)
    rate = rate_from_history([*order.checks, *checks], order.calibrations, electrode=order.probe.electrode)
    return replace(made, drift_ph_per_day=rate), checks


def found_since(order: CalibrationPlan, made: Calibration) -> tuple[Check, ...]:
    """Return what the one in force reads in the buffers of a stored calibration, if they say how it is and it is new.

    A calibration that was made after these buffers were read, or was found in them before, is not found again.
    """
    before = order.in_force
    if before is None or not tells_of(made, before):
        return ()
    known = {(check.kind, check.calibration, check.at_us) for check in order.checks}
    checks = found(order, made, before)
    return tuple(check for check in checks if (check.kind, check.calibration, check.at_us) not in known)


def found(order: CalibrationPlan, made: Calibration, in_force: Calibration) -> tuple[Check, ...]:
    """Return what a calibration reads in the buffers of the next, all at the time of that: one finding, not several."""
    deviations = as_found(in_force, made.points)
    pairs = zip(made.points, deviations, strict=True)
    return tuple(_found(order, point, in_force, deviation_ph=off, at_us=made.at_us) for point, off in pairs)


def _found(
    order: CalibrationPlan, point: CalibrationPoint, in_force: Calibration, *, deviation_ph: float, at_us: int
) -> Check:
    return Check(
        id=0,
        probe=order.probe.id,
        at_us=at_us,
        kind=CheckKind.AS_FOUND,
        reference_ph=point.buffer_ph,
        u_reference_ph=point.u_ph,
        reading_ph=point.buffer_ph + deviation_ph,
        deviation_ph=deviation_ph,
        tolerance_ph=order.probe.check_tolerance_ph,
        passed=abs(deviation_ph) <= order.probe.check_tolerance_ph,
        calibration=in_force.id,
        potential_mv=point.potential_mv,
        temperature_c=point.temperature_c,
        buffer=point.buffer,
        lot=point.lot,
        electrode=order.probe.electrode,
        by=order.by,
    )


def _warnings(order: CalibrationPlan, taken: Sequence[TakenPoint]) -> list[str]:
    shelf = {buffer.id: buffer for buffer in order.buffers}
    said = []
    for one in taken:
        buffer = shelf.get(one.point.buffer)
        day = datetime.fromtimestamp(one.at_us // SECOND_US, UTC).date()
        said.append(None if buffer is None else expired(buffer, on=day))
    return [text for text in said if text is not None]


def card(made: Calibration) -> list[str]:
    """Say a calibration as a person would sign it: line, points with residuals, verdict."""
    lines = ["", f"{made.verdict.upper()}: calibration of {made.probe}{_electrode(made)}"]
    if made.segments:
        lines += [
            f"  pH {s.low_ph:.2f} to {s.high_ph:.2f}   slope {s.slope:6.1%}   offset {s.offset_mv:+.1f} mV"
            for s in segments_of(made)
        ]
    mv_per_ph = made.slope * nernst_mv(25.0)
    lines.append(
        f"  All points         slope {made.slope:6.1%}   offset {made.offset_mv:+.1f} mV   {mv_per_ph:.2f} mV/pH"
    )
    lines += [_residual(p, r) for p, r in zip(made.points, residuals_mv(made), strict=True)]
    square, degrees = chi_square(made)
    if degrees:
        freedom = "1 degree of freedom" if degrees == 1 else f"{degrees} degrees of freedom"
        lines.append(f"  Chi-square {square:.2f}, {freedom}: far above it, a buffer would be off")
    return [*lines, *(f"  - {text.rstrip('.')}." for text in made.findings)]


def _residual(point: CalibrationPoint, residual_mv: float) -> str:
    bar = "#" * min(BAR, round(abs(residual_mv) / RESIDUAL_FULL_MV * BAR))
    where = f"  {point.buffer or 'buffer':<17} pH {point.buffer_ph:6.3f}   {point.potential_mv:+7.1f} mV"
    return f"{where}   off the line {residual_mv:+z.1f} mV {bar}"


def _electrode(made: Calibration) -> str:
    return f", electrode {made.electrode}" if made.electrode else ""
