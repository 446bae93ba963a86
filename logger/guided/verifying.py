"""From one reading to a check: what the probe reads beside what it should.

Law: pure. A check never changes the calibration; it is stored, and the daemon takes what it tells of the drift into
the doubt of the readings.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import hypot

import numpy as np

from logger.config import ProbeConfig
from logger.guided.immersion import CalibrationInForce
from logger.guided.state_machine import Conclusion, TakenPoint
from logger.measure import comparison as spots
from logger.measure import drift
from logger.measure.calibration import as_found
from logger.measure.comparison import Present, Spot
from logger.measure.uncertainty import fit_uncertainty, standard_uncertainty
from logger.model import Calibration, Check, CheckKind, Drift, Measurements


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
class Doubt:
    """Expanded uncertainty (k = 2) of one reading at the check's pH, before the check and after it."""

    ph: float
    before: float
    after: float
    believed: bool
    """The check lies within what could be expected; else it does not count until a repeat agrees."""


def conclusion(order: CheckPlan, taken: Sequence[TakenPoint]) -> Conclusion:
    """Return the check that a point in a check buffer makes."""
    (one,) = taken
    made = _in_buffer(order, one)
    return Conclusion(lines=("", *lines(order, made)), checks=(made,), is_asked=False)


def lines(order: CheckPlan, made: Check) -> list[str]:
    """Say what a check shows, what to do, and what it does to the doubt of the readings."""
    found = doubt(order, made)
    if not found.believed:
        effect = "It is farther off than expected: it does not count until a repeat agrees."
    else:
        known = f"{found.before:.2f} before this check, {found.after:.2f} with it"
        effect = f"U of a reading at pH {found.ph:.1f} (k = 2): {known}."
    agreeing = [_agreement(order, made)] if made.kind is CheckKind.SPOT else []
    return [*told(made), *agreeing, effect]


def doubt(order: CheckPlan, made: Check) -> Doubt:
    """Return what a check does to the doubt of a reading like it."""
    errors, line = order.probe.errors, order.in_force
    celsius = 25.0 if made.temperature_c is None else made.temperature_c
    at = {"ph": np.array([made.reading_ph]), "temperature_c": np.array([celsius])}
    before = drift.start(line, errors) if order.standing.drift is None else order.standing.drift
    u_fit = float(fit_uncertainty(line, **at)[0])
    taken = drift.apply_check(before, made, errors, u_fit_ph=u_fit)

    def expanded(known: Drift | None) -> float:
        return 2 * float(standard_uncertainty(line, errors, at_us=np.array([made.at_us]), drift=known, **at)[0])

    return Doubt(
        ph=made.reading_ph,
        before=expanded(order.standing.drift),
        after=expanded(taken.drift if taken.absorbed else order.standing.drift),
        believed=taken.absorbed,
    )


def present(order: CheckPlan, blocks: Sequence[Measurements], *, at_us: int) -> Present:
    """Return what the probe reads in the vat now. Raises RefusedError when that is not known well enough."""
    now = order.standing
    return spots.present(
        Measurements.concatenate(blocks) if blocks else None,
        order.probe,
        order.in_force,
        fresh_us=now.fresh_us,
        elsewhere=now.elsewhere,
        at_us=at_us,
    )


def _in_buffer(order: CheckPlan, one: TakenPoint) -> Check:
    point = one.point
    (deviation_ph,) = as_found(order.in_force, [point])
    return Check(
        id=0,
        probe=order.probe.id,
        at_us=one.at_us,
        kind=CheckKind.BUFFER,
        reference_ph=point.buffer_ph,
        u_reference_ph=point.u_ph,
        reading_ph=point.buffer_ph + deviation_ph,
        deviation_ph=deviation_ph,
        tolerance_ph=order.tolerance_ph,
        passed=abs(deviation_ph) <= order.tolerance_ph,
        calibration=order.in_force.id,
        potential_mv=point.potential_mv,
        temperature_c=point.temperature_c,
        buffer=point.buffer,
        lot=point.lot,
        electrode=order.probe.electrode,
        by=order.by,
    )


def spot_check(order: CheckPlan, spot: Spot, reading: Present) -> Check:
    """Return the check that an independent measurement of the vat makes. Raises RefusedError for what is none."""
    return spots.spot_check(
        spot, reading, order.probe, order.in_force, vat=order.vat, tolerance_ph=order.tolerance_ph, by=order.by
    )


def told(made: Check) -> list[str]:
    """Say what a check shows and what to do."""
    what = f"{made.buffer} buffer" if made.kind is CheckKind.BUFFER else made.instrument or "independent measurement"
    verdict = "PASS" if made.passed else "FAIL"
    within = "within" if made.passed else "beyond"
    off = f"{made.deviation_ph:+.3f}, {within} {made.tolerance_ph:g}."
    said = f"{verdict}: the probe reads pH {made.reading_ph:.2f}, the {what} says {made.reference_ph:.2f}: {off}"
    return [said] if made.passed else [said, _remedy(made)]


def _remedy(made: Check) -> str:
    if made.kind is CheckKind.BUFFER:
        return (
            f"Probe or buffer? Rinse, take fresh buffer, check again. If it stays so: calibrate it as it is found"
            f" (`vatvigil calibrate {made.probe}`); clean it afterwards."
        )
    return (
        "Probe, instrument or brine? Measure again with care (same place, same temperature), then check the probe in a"
        f" buffer: `vatvigil verify {made.probe} --buffer ID`. A spot measurement never moves the probe's zero."
    )


def _agreement(order: CheckPlan, made: Check) -> str:
    """Say whether the two agree within their doubts."""
    allowed = hypot(2.0 * made.u_reference_ph, doubt(order, made).before)
    word = "agree" if abs(made.deviation_ph) <= allowed else "do not agree"
    return (
        f"The two {word} within their uncertainties: {abs(made.deviation_ph):.2f} apart, {allowed:.2f} allowed (k = 2)."
    )
