"""Estimate from checks how far the electrode has drifted since its calibration (a Kalman filter).

State: offset o (pH, reading minus truth) and rate r (pH a day), with covariance P; a Kalman filter in scalars. At the
calibration o = r = 0 and P = diag(0, rate^2), for the calibration's own doubt is counted apart. Over dt days:

    o += r dt,   P = F P F' + diag(walk^2 dt, 0),   F = [[1, dt], [0, 1]]

and a check that found the deviation z, with variance R, moves it by Kalman's gain. A check that lies further from what
was expected than three standard deviations is not absorbed but told: probe or buffer? It counts once a repeat agrees:
then the electrode has jumped, and the offset is as doubtful before the update as the jump is high. The published pH is
never corrected by o: a known offset counts as doubt, u^2 = o^2 + P_oo.

After a jump the filter's prior is as wide as the jump.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from math import sqrt
from statistics import fmean, median

from logger.config import ErrorModel
from logger.measure.age import Moment, age_us, is_before, of_drift
from logger.model import Calibration, Check, CheckKind, Drift
from logger.units import DAY_US

U_READING_PH = 0.01
"""Standard uncertainty of the settled reading in a check buffer. Common practice, no source."""
EXPECTED_WITHIN = 3.0
LEAST_INTERVALS, LEAST_DAYS, LEAST_RATE_PH_PER_DAY = 3, 1.0, 0.004
ROBUST = 1.4826
"""Standard deviation of a normal distribution for a median of distances from its middle of 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftUpdate:
    """What became of a check."""

    drift: Drift
    absorbed: bool
    expected_ph: float
    """The deviation that was expected before it."""
    allowed_ph: float
    """How far from that it might lie."""


def rate_of(calibration: Calibration, errors: ErrorModel) -> float:
    """Return the standard deviation of the rate (pH a day): the electrode's own, else the stated default."""
    own = calibration.drift_ph_per_day
    return errors.drift_ph_per_day if own is None else own


def start(calibration: Calibration, errors: ErrorModel, *, elapsed_us: int | None = None) -> Drift:
    """Return what is known of the drift at the calibration, which was made at this watch time (None: not known)."""
    rate = rate_of(calibration, errors)
    return Drift(
        offset_ph=0.0,
        rate_ph_per_day=0.0,
        var_offset=0.0,
        cov=0.0,
        var_rate=rate * rate,
        at_us=calibration.at_us,
        elapsed_us=elapsed_us,
    )


def days_until(drift: Drift, *, at_us: int, elapsed_us: int | None = None) -> float:
    """Return how many days later a time (UTC and watch time, microseconds) is; at an earlier one none."""
    since, now = of_drift(drift), Moment(at_us=at_us, elapsed_us=elapsed_us)
    return 0.0 if is_before(now, since) else age_us(at_us, elapsed_us, since) / DAY_US


def advance(drift: Drift, errors: ErrorModel, *, at_us: int, elapsed_us: int | None = None) -> Drift:
    """Return what is known at a later time (UTC and watch time); at an earlier one nothing has changed."""
    if is_before(Moment(at_us=at_us, elapsed_us=elapsed_us), of_drift(drift)):
        return drift
    days = days_until(drift, at_us=at_us, elapsed_us=elapsed_us)
    walk = errors.walk_ph_per_sqrt_day
    return Drift(
        offset_ph=drift.offset_ph + days * drift.rate_ph_per_day,
        rate_ph_per_day=drift.rate_ph_per_day,
        var_offset=drift.var_offset + 2.0 * days * drift.cov + days * days * drift.var_rate + walk * walk * days,
        cov=drift.cov + days * drift.var_rate,
        var_rate=drift.var_rate,
        at_us=at_us,
        elapsed_us=elapsed_us,
    )


def update(drift: Drift, *, deviation_ph: float, variance: float) -> Drift:
    """Return what is known after a deviation (pH) was found now with this variance."""
    total = drift.var_offset + variance
    gain_offset, gain_rate = drift.var_offset / total, drift.cov / total
    surprise = deviation_ph - drift.offset_ph
    return replace(
        drift,
        offset_ph=drift.offset_ph + gain_offset * surprise,
        rate_ph_per_day=drift.rate_ph_per_day + gain_rate * surprise,
        var_offset=(1.0 - gain_offset) * drift.var_offset,
        cov=(1.0 - gain_offset) * drift.cov,
        var_rate=drift.var_rate - gain_rate * drift.cov,
    )


def variance_of(check: Check, errors: ErrorModel, *, u_fit_ph: float) -> float:
    """Return the variance of a check's deviation as a witness of drift.

    Of a buffer: its own, the reading's and that of the calibration where it is read. Of a spot measurement: its own,
    and the junction's, which no buffer shows.
    """
    own = errors.junction_ph if check.kind is CheckKind.SPOT else U_READING_PH
    return check.u_reference_ph**2 + own**2 + u_fit_ph**2


def apply_check(
    before: Drift, check: Check, errors: ErrorModel, *, u_fit_ph: float, elapsed_us: int | None = None
) -> DriftUpdate:
    """Return what is known after a check, and whether it was believed.

    `u_fit_ph`: the standard uncertainty of the calibration itself at the check's reading; `elapsed_us`: the watch time
    at which the check was made, None: not known.
    """
    now = advance(before, errors, at_us=check.at_us, elapsed_us=elapsed_us)
    variance = variance_of(check, errors, u_fit_ph=u_fit_ph)
    allowed = EXPECTED_WITHIN * (now.var_offset + variance) ** 0.5
    surprise = check.deviation_ph - now.offset_ph
    is_expected = abs(surprise) <= allowed
    absorbed = is_expected or _is_repeat(before, check.deviation_ph, variance)
    if absorbed:
        prior = now if is_expected else replace(now, var_offset=now.var_offset + surprise * surprise)
        after = replace(update(prior, deviation_ph=check.deviation_ph, variance=variance), unexpected=None)
    else:
        after = replace(before, unexpected=(check.deviation_ph, variance))
    return DriftUpdate(drift=after, absorbed=absorbed, expected_ph=now.offset_ph, allowed_ph=allowed)


def _is_repeat(before: Drift, deviation_ph: float, variance: float) -> bool:
    """Tell whether the check before was unexpected, too, and found the same."""
    if before.unexpected is None:
        return False
    found_ph, its_variance = before.unexpected
    return abs(deviation_ph - found_ph) <= EXPECTED_WITHIN * sqrt(variance + its_variance)


def sentence(check: Check, result: DriftUpdate) -> str:
    """Say what a check found and what became of it."""
    what = {CheckKind.SPOT: "Spot measurement"}.get(check.kind, "Check buffer")
    passed = "passed" if check.passed else "failed"
    text = (
        f"{what} {check.reference_ph:.2f}, probe {check.reading_ph:.2f}: off by {check.deviation_ph:+.2f}, {passed}"
        f" (tolerance {check.tolerance_ph:.2f})"
    )
    if not result.absorbed:
        return (
            f"{text}. Expected {result.expected_ph:+.2f} +/- {result.allowed_ph:.2f}: probe or reference? It does not"
            " count until a repeat agrees; rinse, take a fresh buffer, check again, or calibrate"
        )
    return text if check.passed else f"{text}. Rinse and repeat; if it stays, clean the probe and calibrate it"


def rate_from_history(checks: Iterable[Check], calibrations: Sequence[Calibration], *, electrode: str) -> float | None:
    """Return the standard deviation of the drift rate (pH a day) as this electrode was found at its calibrations.

    None before there are three intervals of a day or more. Robust: from the median distance from no drift; never below
    0.004, for a few quiet intervals prove little.
    """
    made_at = {c.id: c.at_us for c in calibrations if c.electrode == electrode}
    mine = [c for c in checks if c.kind is CheckKind.AS_FOUND and c.electrode == electrode and c.calibration in made_at]
    rates: list[float] = []
    for (calibration, at_us), group in groupby(_in_order(mine), key=lambda c: (c.calibration, c.at_us)):
        days = (at_us - made_at[calibration]) / DAY_US
        if days >= LEAST_DAYS:
            rates.append(fmean(c.deviation_ph for c in group) / days)
    if len(rates) < LEAST_INTERVALS:
        return None
    return max(LEAST_RATE_PH_PER_DAY, ROBUST * float(median(map(abs, rates))))


def _in_order(checks: Iterable[Check]) -> list[Check]:
    return sorted(checks, key=lambda c: (c.calibration, c.at_us, c.reference_ph))
