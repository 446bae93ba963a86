"""Decide whether a claim still holds, now that a later check is known.

The claim's pH is corrected after the fact, as USGS TM1-D3 corrects records of sensors, by the drift filter run
backwards: the error e of the
probe at the claim and the deviation that a check finds later are jointly normal, so

    gain = cov(e, deviation) / var(deviation),   e' = e + gain (deviation - expected),   u'^2 = u^2 - gain cov

with what both have in common: the drift as far as it was there already, the calibration's own error and, of a check in
the brine, the junction's. Where nothing is known of the drift and the check is exact this is the straight line from the
calibration to the check, w = (t - t0) / (t1 - t0); a rough check (a strip) says little, as it must. A check takes
doubt away, never adds any, so one that finds nothing leaves every claim standing. A deviation that nobody could expect
is no drift: the probe has jumped, nobody knows when, or the reference is wrong. It counts whole, and takes no doubt.

Law: pure. A check speaks of a claim that was made with the calibration that it was read with, of no other.

As found is taken from the points of the new calibration itself; of a refused one, and of another electrode, it says
nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from logger.config import ErrorModel
from logger.measure import drift
from logger.measure.calibration import deviations_as_found
from logger.measure.target_words import reading
from logger.model import Calibration, CalibrationPoint, Check, CheckKind, Claim, TargetProgress, WithdrawnClaim


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundDeviation:
    """How far the probe was found off (reading minus reference, pH), when (UTC), and how."""

    deviation_ph: float
    u_ph: float
    """Standard uncertainty of the reference and of the reading in it."""
    at_us: int
    in_brine: bool
    """The check saw the junction in brine, too."""
    words: str
    elapsed_us: int | None = None
    """Watch time of it; None: not known."""


def of_check(check: Check, errors: ErrorModel, *, elapsed_us: int | None = None) -> FoundDeviation:
    """Return what a check says; the other instrument beside the probe has a junction of its own."""
    in_brine = check.kind is CheckKind.SPOT
    what = "A measurement beside the probe" if in_brine else "A check buffer"
    return FoundDeviation(
        deviation_ph=check.deviation_ph,
        u_ph=sqrt(drift.variance_of(check, errors, u_fit_ph=0.0)),
        at_us=check.at_us,
        elapsed_us=elapsed_us,
        in_brine=in_brine,
        words=f"{what} was {check.reference_ph:.2f}, the probe read {check.reading_ph:.2f}",
    )


def of_points(
    before: Calibration, points: Sequence[CalibrationPoint], *, ph: float, at_us: int, elapsed_us: int | None = None
) -> FoundDeviation:
    """Return how far off a calibration was found at this pH, in the buffers of the next one.

    Between two buffers the deviation runs straight, beyond them it is that of the last.
    """
    rising = sorted(zip(points, deviations_as_found(before, points), strict=True), key=lambda each: each[0].buffer_ph)
    off = float(np.interp(ph, [p.buffer_ph for p, _ in rising], [e for _, e in rising]))
    return FoundDeviation(
        deviation_ph=off,
        u_ph=sqrt(max(p.u_ph for p in points) ** 2 + drift.U_READING_PH**2),
        at_us=at_us,
        elapsed_us=elapsed_us,
        in_brine=False,
        words=f"In the buffers of the next calibration it was found {off:+.2f} off",
    )


def corrected_claim(claim: Claim, deviation: FoundDeviation, errors: ErrorModel) -> tuple[float, float]:
    """Return the claim's pH and its u as they are known with what was found later.

    As in the claim itself, a probe that read too high is given no credit for it.
    """
    then = claim.drift
    later = drift.advance(then, errors, at_us=deviation.at_us, elapsed_us=deviation.elapsed_us)
    days = drift.days_until(then, at_us=deviation.at_us, elapsed_us=deviation.elapsed_us)
    common = claim.u_fit_ph**2 + (errors.junction_ph**2 if deviation.in_brine else 0.0)
    covariance = then.var_offset + days * then.cov + common
    variance = later.var_offset + common + deviation.u_ph**2
    surprise, gain = deviation.deviation_ph - later.offset_ph, covariance / variance
    published = claim.ph - max(0.0, -then.offset_ph)
    if abs(surprise) > drift.EXPECTED_WITHIN * sqrt(variance):
        return published + max(0.0, -deviation.deviation_ph), claim.u
    return published + max(0.0, -(then.offset_ph + gain * surprise)), sqrt(claim.u**2 - gain * covariance)


def reconsider(
    progress: TargetProgress,
    deviation: FoundDeviation,
    errors: ErrorModel,
    *,
    calibration: int,
    at_us: int,
    elapsed_us: int,
) -> TargetProgress:
    """Return the progress with its claim withdrawn, if the claim would not have been made knowing what was found.

    `calibration`: that of the reading in the check. `at_us`, `elapsed_us`: now.
    """
    claim = progress.claim
    if claim is None or claim.calibration != calibration:
        return progress
    ph, u = corrected_claim(claim, deviation, errors)
    if ph + claim.z * u <= claim.limit_ph:
        return progress
    text = (
        f"pH {reading(claim.ph, claim.u)} was claimed to be at or below {claim.limit_ph:.2f}."
        f" {deviation.words}: by that it was {reading(ph, u)}, and {claim.limit_ph - claim.z * u:.2f} or lower was"
        " needed"
    )
    withdrawn = WithdrawnClaim(claim=claim, at_us=at_us, elapsed_us=elapsed_us, ph=ph, u=u, text=text)
    return replace(progress, claim=None, withdrawn=withdrawn, shows=0)
