"""Make a check of one reading: what the probe reads beside what it should.

Law: pure. A check never changes the calibration; it is stored, and the daemon counts what it tells of the drift in the
uncertainty of the readings.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import hypot

import numpy as np

from logger.config import ProbeConfig
from logger.guided.immersion import CalibrationInForce
from logger.guided.state_machine import Conclusion, TakenPoint
from logger.measure import comparison as spots
from logger.measure import estimate
from logger.measure.calibration import deviations_as_found
from logger.measure.comparison import Present, Spot
from logger.measure.uncertainty import standard_uncertainty
from logger.model import Calibration, Check, CheckKind, Estimate, Measurements

U_BUFFER_PH = 0.02 / 3**0.5
"""Standard uncertainty of a buffer that is stated as +/-0.02, rectangular (GUM 4.3.7)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPlan:
    """What is checked, by whom, against what tolerance (pH)."""

    probe: ProbeConfig
    vat: str
    by: str
    tolerance_ph: float
    in_force: Calibration
    standing: CalibrationInForce = field(default_factory=CalibrationInForce)
    """What earlier checks told, and since when the probe has stood in the vat."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UncertaintyChange:
    """Expanded uncertainty (k = 2) of one reading at the check's pH, before the check and after it."""

    ph: float
    before: float
    after: float
    believed: bool
    """The check lies within what could be expected; else nothing is claimed until one about as good does."""


def conclusion(plan: CheckPlan, taken: Sequence[TakenPoint]) -> Conclusion:
    """Return the check that a point in a check buffer makes."""
    (one,) = taken
    check = _in_buffer(plan, one)
    return Conclusion(lines=("", *lines(plan, check)), checks=(check,), is_asked=False)


def lines(plan: CheckPlan, check: Check) -> list[str]:
    """Say what a check shows, what to do, and what it does to the uncertainty of the readings."""
    change = uncertainty_change(plan, check)
    if not change.believed:
        effect = (
            f"It is farther off than expected: U of a reading at pH {change.ph:.1f} (k = 2) is {change.after:.2f} with"
            " it, and nothing is claimed until a check about as good is as expected."
        )
    else:
        change_text = f"{change.before:.2f} before this check, {change.after:.2f} with it"
        effect = f"U of a reading at pH {change.ph:.1f} (k = 2): {change_text}."
    if check.kind is CheckKind.INSTRUMENT:
        return result_lines(check)
    agreeing = [_agreement(plan, check)] if check.kind is CheckKind.SPOT else []
    return [*result_lines(check), *agreeing, effect]


def uncertainty_change(plan: CheckPlan, check: Check) -> UncertaintyChange:
    """Return what a check does to the uncertainty of a reading like it, or in its buffer."""
    errors, line = plan.probe.errors, plan.in_force
    celsius = 25.0 if check.temperature_c is None else check.temperature_c
    before = plan.standing.estimate or estimate.start(line, errors)
    found = estimate.apply_check(before, check)

    def expanded(known: Estimate) -> float:
        days = np.array([estimate.days_until(known, at_us=check.at_us, elapsed_us=None)])
        at = {"ph": np.array([check.reading_ph]), "temperature_c": np.array([celsius])}
        return 2 * float(standard_uncertainty(line, errors, known, days=days, **at)[0])

    return UncertaintyChange(
        ph=check.reading_ph,
        before=expanded(before),
        after=expanded(found.estimate),
        believed=found.is_expected,
    )


def present(plan: CheckPlan, blocks: Sequence[Measurements], *, at_us: int) -> Present:
    """Return what the probe reads in the vat now. Raises RefusedError when that is not known well enough."""
    now = plan.standing
    return spots.present(
        Measurements.concatenate(blocks) if blocks else None,
        plan.probe,
        plan.in_force,
        fresh_us=now.fresh_us,
        elsewhere=now.elsewhere,
        at_us=at_us,
    )


def _in_buffer(plan: CheckPlan, one: TakenPoint) -> Check:
    point = one.point
    (deviation_ph,) = deviations_as_found(plan.in_force, [point])
    return Check(
        id=0,
        probe=plan.probe.id,
        at_us=one.at_us,
        kind=CheckKind.BUFFER,
        reference_ph=point.buffer_ph,
        u_reference_ph=point.u_ph,
        reading_ph=point.buffer_ph + deviation_ph,
        deviation_ph=deviation_ph,
        tolerance_ph=plan.tolerance_ph,
        passed=abs(deviation_ph) <= plan.tolerance_ph,
        calibration=plan.in_force.id,
        potential_mv=point.potential_mv,
        temperature_c=point.temperature_c,
        buffer=point.buffer,
        lot=point.lot,
        electrode=plan.probe.electrode,
        by=plan.by,
    )


def spot_check(plan: CheckPlan, spot: Spot, reading: Present) -> Check:
    """Return the check that an independent measurement of the vat makes. Raises RefusedError for what is none."""
    return spots.spot_check(
        spot, reading, plan.probe, plan.in_force, vat=plan.vat, tolerance_ph=plan.tolerance_ph, by=plan.by
    )


def instrument_check(plan: CheckPlan, *, instrument: str, buffer_ph: float, read_ph: float, at_us: int) -> Check:
    """Return the check of another instrument that was read in a buffer: it shows that instrument's own error."""
    off_ph = read_ph - buffer_ph
    return Check(
        id=0,
        probe=plan.probe.id,
        vat=plan.vat,
        at_us=at_us,
        kind=CheckKind.INSTRUMENT,
        reference_ph=buffer_ph,
        u_reference_ph=U_BUFFER_PH,
        reading_ph=read_ph,
        deviation_ph=off_ph,
        tolerance_ph=plan.probe.check_tolerance_ph,
        passed=abs(off_ph) <= plan.probe.check_tolerance_ph,
        calibration=plan.in_force.id,
        instrument=instrument,
        by=plan.by,
    )


def result_lines(check: Check) -> list[str]:
    """Say what a check shows and what to do."""
    if check.kind is CheckKind.INSTRUMENT:
        off = f"{check.deviation_ph:+.3f}, {'within' if check.passed else 'beyond'} {check.tolerance_ph:g}"
        word = "PASS" if check.passed else "FAIL"
        text = (
            f"{word}: {check.instrument} reads pH {check.reading_ph:.2f} in a buffer of {check.reference_ph:.2f}: {off}"
        )
        return [f"{text}. What it reads beside the probe is judged by that."]
    what = f"{check.buffer} buffer" if check.kind is CheckKind.BUFFER else check.instrument or "independent measurement"
    verdict = "PASS" if check.passed else "FAIL"
    within = "within" if check.passed else "beyond"
    off = f"{check.deviation_ph:+.3f}, {within} {check.tolerance_ph:g}."
    sentence = f"{verdict}: the probe reads pH {check.reading_ph:.2f}, the {what} says {check.reference_ph:.2f}: {off}"
    return [sentence] if check.passed else [sentence, _remedy(check)]


def _remedy(check: Check) -> str:
    if check.kind is CheckKind.BUFFER:
        return (
            f"Probe or buffer? Rinse, take fresh buffer, check again. If it stays so: calibrate it as it is found"
            f" (`vatvigil calibrate {check.probe}`); clean it afterwards."
        )
    return (
        "Probe, instrument or brine? Measure again with care (same place, same temperature), then check the probe in a"
        f" buffer: `vatvigil verify {check.probe} --buffer ID`. A spot measurement never moves the probe's zero."
    )


def _agreement(plan: CheckPlan, check: Check) -> str:
    """Say whether the two agree within their uncertainties."""
    allowed = hypot(2.0 * check.u_reference_ph, uncertainty_change(plan, check).before)
    word = "agree" if abs(check.deviation_ph) <= allowed else "do not agree"
    apart = f"{abs(check.deviation_ph):.2f} apart, {allowed:.2f} allowed (k = 2)"
    return f"The two {word} within their uncertainties: {apart}."
