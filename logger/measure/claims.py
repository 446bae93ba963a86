"""Decide what may be claimed of a vat's target, and whether what was claimed still holds.

The limit is kept with the wanted probability if, in an account of the probe's error,

    x - min(e, 0) + z u <= limit

with x the published median of the newest window, e the error that is expected of it, and u its standard uncertainty:
what a check says against the probe counts whole, what it says for it is no credit. A claim must hold in both accounts,
the steady one with at least 99 %, and be confirmed by another instrument in the same batch, read with the calibration
in force. How near in pH and in time that measurement must be needs no rule: the distrustful account grows wide within
hours.

A claim is withdrawn when, by its own error as later checks tell it, it no longer holds with the wanted probability in
one of the accounts.

Law: pure, in scalars; JCGM 106:2012, 8.3.2. Asked is only when the claim lacks nothing but a measurement: so much u as
there would be after one that agrees.

In a trial on simulated vats one account that trusts the electrode claimed a creeping reference at once, and the credit
of another instrument let its own error in.
"""

from collections.abc import Iterator
from math import sqrt

from logger.config import ErrorModel, TargetConfig
from logger.measure import age, error_state, estimate
from logger.measure.conformance import conformance_probability, coverage_factor
from logger.measure.error_state import CLAIM
from logger.measure.estimate import USUAL_METER
from logger.measure.sensitivity import BENCH_C, error_variance, expected_error, sensitivities
from logger.measure.target_words import MARGIN_PH, STEADY_PROBABILITY, reading
from logger.measure.uncertainty import wandered
from logger.model import (
    Account,
    Carry,
    Claim,
    Confirmation,
    Estimate,
    Instrument,
    Lack,
    TargetProgress,
    TargetWindow,
    WithdrawnClaim,
)
from logger.structs import Struct, replace

ROUGHEST_U_PH = 0.2
"""A rougher measurement confirms nothing: that of a paper strip. Common practice, no source."""
STALE_WINDOWS = 3
"""After so many windows without a new one the newest is no reading any more."""


class Bound(Struct, frozen=True, kw_only=True):
    """What an account says of a reading: the higher of the published and the corrected pH, and its u."""

    ph: float
    u: float
    z: float
    """Of the probability that is wanted in this account."""

    @property
    def upper_ph(self) -> float:
        """Return the pH below which it is with that probability."""
        return self.ph + self.z * self.u

    def conformance(self, limit_ph: float) -> float:
        """Return the probability that it is at or below a limit."""
        return conformance_probability(self.ph, self.u, high=limit_ph)


def factors(target: TargetConfig) -> tuple[float, float]:
    """Return z of both accounts; the distrustful one's leaves the same room on the other side (two-sided)."""
    steady = max(target.probability, STEADY_PROBABILITY)
    return coverage_factor(steady), coverage_factor((1.0 + target.probability) / 2.0)


def bounds(target: TargetConfig, known: Estimate, window: TargetWindow, *, days: float) -> tuple[Bound, Bound]:
    """Return what the steady and the distrustful account say of a window, so many days after the newest check."""
    steady, distrustful = factors(target)
    return _bound(known, window, steady, days=days), _bound(known, window, distrustful, days=days, is_steady=False)


def _bound(known: Estimate, window: TargetWindow, z: float, *, days: float, is_steady: bool = True) -> Bound:
    account = known.steady if is_steady else known.distrustful
    parts = sensitivities(known, ph=window.read_ph, temperature_c=window.temperature_c, days=days, slope=window.slope)
    error = float(expected_error(account, parts))
    variance = float(error_variance(account, parts) + wandered(known, parts, is_steady=is_steady))
    return Bound(ph=window.read_ph - min(error, 0.0), u=sqrt(variance + window.u_noise**2), z=z)


def holds(target: TargetConfig, both: tuple[Bound, Bound]) -> bool:
    """Tell whether the limit is kept in both accounts."""
    return all(bound.upper_ph <= target.ph for bound in both)


def bounds_now(target: TargetConfig, carry: Carry, window: TargetWindow) -> tuple[Bound, Bound] | None:
    """Return what both accounts say of the newest window; None: no calibration is in force."""
    known = carry.electrode.estimate
    if known is None:
        return None
    days = estimate.days_until(known, at_us=window.at_us, elapsed_us=window.elapsed_us)
    return bounds(target, known, window, days=days)


def renewed(carry: Carry, window: TargetWindow) -> TargetWindow:
    """Return a window as the steady account knows it now."""
    known = carry.electrode.estimate
    if known is None:
        return window
    days = estimate.days_until(known, at_us=window.at_us, elapsed_us=window.elapsed_us)
    steady = _bound(known, window, 0.0, days=days)
    return replace(window, ph=steady.ph, u=steady.u)


def lacks(
    target: TargetConfig, carry: Carry, progress: TargetProgress, *, at_us: int, elapsed_us: int | None
) -> tuple[Lack, ...]:
    """Return what a claim wants and has not at a time (UTC and watch time, microseconds); empty: it may be made."""
    return tuple(_lacks(target, carry, progress, at_us=at_us, elapsed_us=elapsed_us))


def _lacks(
    target: TargetConfig, carry: Carry, progress: TargetProgress, *, at_us: int, elapsed_us: int | None
) -> Iterator[Lack]:
    newest, known = progress.newest, carry.electrode.estimate
    if known is None:
        yield Lack.CALIBRATION
        return
    if newest is None or _is_stale(target, newest, at_us=at_us, elapsed_us=elapsed_us):
        yield Lack.READING
    elif not newest.believed:
        yield Lack.BELIEF
    elif newest.ph > target.ph - MARGIN_PH:
        yield Lack.PH
    elif progress.shows < target.windows:
        yield Lack.TIME
    if not carry.trust.is_sound:
        yield Lack.TRUST
    if known.question is not None:
        yield Lack.QUESTION
    both = None if newest is None or not _is_confirmed(carry, progress.spot) else bounds_now(target, carry, newest)
    if both is None or not holds(target, both):
        # Once asked it goes on being asked while the reading stays low: what would come of an answer hardly changes.
        if newest is not None and newest.ph <= target.ph - MARGIN_PH and not progress.is_asked:
            yield from () if _could_hold(target, known, newest, progress.spot) else (Lack.PH,)
        yield Lack.CONFIRMATION


def _is_stale(target: TargetConfig, window: TargetWindow, *, at_us: int, elapsed_us: int | None) -> bool:
    since = age.Moment(at_us=window.at_us, elapsed_us=window.elapsed_us)
    return age.age_us(at_us, elapsed_us, since) > STALE_WINDOWS * target.window_s * 1e6


def _could_hold(target: TargetConfig, known: Estimate, window: TargetWindow, spot: Confirmation | None) -> bool:
    """Tell whether a measurement that agreed now would show the limit kept, by the instrument used last."""
    return holds(target, bounds(target, _if_agreed(known, window, spot), window, days=0.0))


def _if_agreed(known: Estimate, window: TargetWindow, spot: Confirmation | None) -> Estimate:
    """Return what would be known if the instrument used last read what the probe reads."""
    at = estimate.advance(known, at_us=window.at_us, elapsed_us=window.elapsed_us)
    return estimate.with_agreeing_spot(
        at, _at_hand(spot), ph=window.read_ph, temperature_c=window.temperature_c, slope=window.slope
    )


def _at_hand(spot: Confirmation | None) -> Instrument:
    return USUAL_METER if spot is None else Instrument(name=spot.instrument, u_ph=spot.u)


def _is_confirmed(carry: Carry, spot: Confirmation | None) -> bool:
    """Tell whether another instrument has measured in this batch, with the calibration in force, and trust held."""
    line = carry.electrode.calibration
    return (
        spot is not None
        and line is not None
        and spot.calibration == line.id
        and spot.u <= ROUGHEST_U_PH
        and carry.trust.unbroken_at_us <= spot.at_us
    )


def answer_counts_h(target: TargetConfig, carry: Carry, window: TargetWindow, spot: Confirmation | None) -> float:
    """Return for how many hours a measurement that agreed now would let a reading like this be claimed."""
    known = carry.electrode.estimate
    if known is None:
        return 0.0
    agreed = _if_agreed(known, window, spot)
    hours = (0.25 * step for step in range(1, 49))
    last = 0.0
    for hour in hours:
        if not holds(target, bounds(target, agreed, window, days=hour / 24.0)):
            break
        last = hour
    return last


def claim(target: TargetConfig, carry: Carry, progress: TargetProgress, *, at_us: int) -> tuple[Claim, Estimate] | None:
    """Return the claim that the newest window makes where nothing lacks, and the estimate with its error in it."""
    newest, spot, known = progress.newest, progress.spot, carry.electrode.estimate
    line = carry.electrode.calibration
    if newest is None or spot is None or known is None or line is None:
        return None
    days = estimate.days_until(known, at_us=newest.at_us, elapsed_us=newest.elapsed_us)
    both = bounds(target, known, newest, days=days)
    made = Claim(
        limit_ph=target.ph,
        probability=target.probability,
        ph=both[0].ph,
        u=both[0].u,
        conformance=min(bound.conformance(target.ph) for bound in both),
        read_ph=newest.read_ph,
        u_noise=newest.u_noise,
        window_s=target.window_s,
        windows=target.windows,
        calibration=line.id,
        spot=spot,
        at_us=at_us,
        seq=newest.seq,
    )
    return made, estimate.with_claim(
        known, days=days, ph=newest.read_ph, temperature_c=newest.temperature_c, slope=newest.slope
    )


def withdraw(progress: TargetProgress, known: Estimate, *, words: str, at_us: int, elapsed_us: int) -> TargetProgress:
    """Return the progress with its claim withdrawn, if by what is known now (`words`: by which check) it fails."""
    made = progress.claim
    if made is None:
        return progress
    z = coverage_factor(made.probability)
    ph, u = max(
        (_as_known(made, account) for account in (known.steady, known.distrustful)),
        key=lambda each: each[0] + z * each[1],
    )
    if ph + z * u <= made.limit_ph:
        return progress
    text = (
        f"pH {reading(made.ph, made.u)} was claimed to be at or below {made.limit_ph:.2f}. Then {words}: by that it was"
        f" {reading(ph, u)}, and {made.limit_ph - z * u:.2f} or lower was needed"
    )
    gone = WithdrawnClaim(claim=made, at_us=at_us, elapsed_us=elapsed_us, ph=ph, u=u, text=text)
    return replace(progress, claim=None, withdrawn=gone, shows=0)


def refreshed(carry: Carry, errors: ErrorModel) -> Carry:
    """Return the carry with an estimate by the uncertainties that are stated now, what is claimed in it."""
    electrode, made = estimate.refreshed(carry.electrode, errors), carry.batch.progress.claim
    if electrode is carry.electrode:
        return carry
    if electrode.estimate is not None and made is not None:
        known = electrode.estimate
        known = estimate.with_claim(known, days=0.0, ph=made.read_ph, temperature_c=BENCH_C, slope=known.slope)
        electrode = replace(electrode, estimate=known)
    return replace(carry, electrode=electrode)


def _as_known(made: Claim, account: Account) -> tuple[float, float]:
    """Return the claim's pH by an account, and its u."""
    variance = error_state.covariance(account, CLAIM, CLAIM)
    return made.read_ph - min(account.mean[CLAIM], 0.0), sqrt(max(0.0, variance) + made.u_noise**2)
