"""Compute a calibration with its verdict from the points of a session, and print it as a card a person can sign.

Law: pure. What the calibration in force reads in the same buffers is kept as checks (as found), so that the log since
then can be judged; a refused one leaves no such checks: its buffers themselves may be wrong.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from logger.config import ProbeConfig
from logger.guided.state_machine import Conclusion, TakenPoint
from logger.measure import calibration_acceptance
from logger.measure.buffers import Buffer, expired
from logger.measure.calibration import (
    can_assess,
    chi_square,
    deviations_as_found,
    fit,
    is_replaced,
    residuals_mv,
    segments_of,
)
from logger.measure.drift import rate_from_history
from logger.measure.nernst import nernst_mv
from logger.model import Acceptance, Calibration, CalibrationPoint, Check, CheckKind, Method
from logger.structs import replace
from logger.units import SECOND_US

RESIDUAL_FULL_MV = 3.0
"""A residual that fills its bar. Common practice, no source."""
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


def conclusion(plan: CalibrationPlan, taken: Sequence[TakenPoint]) -> Conclusion:
    """Return what comes of the points, for a person to decide. Raises RefusedError for points that make no line."""
    calibration, checks = fit_and_judge(plan, taken)
    refused = calibration.verdict is Acceptance.REFUSED
    return Conclusion(lines=tuple(card(calibration)), calibration=calibration, checks=checks, is_refused=refused)


def fit_and_judge(plan: CalibrationPlan, taken: Sequence[TakenPoint]) -> tuple[Calibration, tuple[Check, ...]]:
    """Return the calibration with its verdict, and how the one in force was found in the same buffers.

    Raises RefusedError for points that make no line.
    """
    points = [one.point for one in taken]
    calibration = fit(
        points,
        probe=plan.probe.id,
        at_us=max(one.at_us for one in taken),
        by=plan.by,
        method=plan.method,
        electrode=plan.probe.electrode,
        previous=plan.in_force,
    )
    calibration = calibration_acceptance.accept(
        calibration, plan.probe.calibration, previous=plan.in_force, warnings=_warnings(plan, taken)
    )
    previous = plan.in_force
    if (
        calibration.verdict is Acceptance.REFUSED
        or previous is None
        or is_replaced(previous.electrode, calibration.electrode)
    ):
        checks: tuple[Check, ...] = ()  # another electrode says nothing of how the old one was
    else:
        checks = as_found_checks(plan, calibration, previous)
    rate = rate_from_history([*plan.checks, *checks], plan.calibrations, electrode=plan.probe.electrode)
    return replace(calibration, drift_ph_per_day=rate), checks


def new_as_found_checks(plan: CalibrationPlan, calibration: Calibration) -> tuple[Check, ...]:
    """Return what the one in force reads in the buffers of a stored calibration, if they say how it is and it is new.

    A calibration that was made after these buffers were read, or was found in them before, is not found again.
    """
    previous = plan.in_force
    if previous is None or not can_assess(calibration, previous):
        return ()
    kept = {(check.kind, check.calibration, check.at_us) for check in plan.checks}
    checks = as_found_checks(plan, calibration, previous)
    return tuple(check for check in checks if (check.kind, check.calibration, check.at_us) not in kept)


def as_found_checks(plan: CalibrationPlan, calibration: Calibration, in_force: Calibration) -> tuple[Check, ...]:
    """Return what a calibration reads in the buffers of the next, all at the time of that: one finding, not several."""
    deviations = deviations_as_found(in_force, calibration.points)
    pairs = zip(calibration.points, deviations, strict=True)
    return tuple(
        _as_found_check(plan, point, in_force, deviation_ph=off, at_us=calibration.at_us) for point, off in pairs
    )


def _as_found_check(
    plan: CalibrationPlan, point: CalibrationPoint, in_force: Calibration, *, deviation_ph: float, at_us: int
) -> Check:
    return Check(
        id=0,
        probe=plan.probe.id,
        at_us=at_us,
        kind=CheckKind.AS_FOUND,
        reference_ph=point.buffer_ph,
        u_reference_ph=point.u_ph,
        reading_ph=point.buffer_ph + deviation_ph,
        deviation_ph=deviation_ph,
        tolerance_ph=plan.probe.check_tolerance_ph,
        passed=abs(deviation_ph) <= plan.probe.check_tolerance_ph,
        calibration=in_force.id,
        potential_mv=point.potential_mv,
        temperature_c=point.temperature_c,
        buffer=point.buffer,
        lot=point.lot,
        electrode=plan.probe.electrode,
        by=plan.by,
    )


def _warnings(plan: CalibrationPlan, taken: Sequence[TakenPoint]) -> list[str]:
    buffers = {buffer.id: buffer for buffer in plan.buffers}
    warnings = []
    for one in taken:
        buffer = buffers.get(one.point.buffer)
        day = datetime.fromtimestamp(one.at_us // SECOND_US, UTC).date()
        warnings.append(None if buffer is None else expired(buffer, on=day))
    return [text for text in warnings if text is not None]


def card(calibration: Calibration) -> list[str]:
    """Say a calibration as a person would sign it: line, points with residuals, verdict."""
    lines = ["", f"{calibration.verdict.upper()}: calibration of {calibration.probe}{_electrode(calibration)}"]
    if calibration.segments:
        lines += [
            f"  pH {s.low_ph:.2f} to {s.high_ph:.2f}   slope {s.slope:6.1%}   offset {s.offset_mv:+.1f} mV"
            for s in segments_of(calibration)
        ]
    mv_per_ph = calibration.slope * nernst_mv(25.0)
    figures = f"slope {calibration.slope:6.1%}   offset {calibration.offset_mv:+.1f} mV   {mv_per_ph:.2f} mV/pH"
    lines.append(f"  All points         {figures}")
    lines += [_residual(p, r) for p, r in zip(calibration.points, residuals_mv(calibration), strict=True)]
    square, degrees = chi_square(calibration)
    if degrees:
        freedom = "1 degree of freedom" if degrees == 1 else f"{degrees} degrees of freedom"
        lines.append(f"  Chi-square {square:.2f}, {freedom}: far above it, a buffer would be off")
    return [*lines, *(f"  - {text.rstrip('.')}." for text in calibration.findings)]


def _residual(point: CalibrationPoint, residual_mv: float) -> str:
    bar = "#" * min(BAR, round(abs(residual_mv) / RESIDUAL_FULL_MV * BAR))
    where = f"  {point.buffer or 'buffer':<17} pH {point.buffer_ph:6.3f}   {point.potential_mv:+7.1f} mV"
    return f"{where}   off the line {residual_mv:+z.1f} mV {bar}"


def _electrode(calibration: Calibration) -> str:
    return f", electrode {calibration.electrode}" if calibration.electrode else ""
