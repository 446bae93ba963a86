"""Write the sentences about a target.

Law: a reading with its doubt, what would be needed, and never that anything is safe.
"""

from math import floor

from logger.config import TargetConfig
from logger.measure.conformance import acceptance_limit
from logger.model import PREMISES, Claim, TargetWindow

STEADY_PROBABILITY = 0.99
"""The steady account must show a claim with at least this probability."""
MARGIN_PH = 0.05
"""So far below the limit all windows of a claim must read. Common practice, no source."""
MOST_SAID = 0.999
"""Beyond that the tails of a normal distribution are a guess."""


def reading(ph: float, u: float) -> str:
    """Say a pH with its expanded uncertainty (k = 2)."""
    return f"{ph:.2f} +/- {2 * u:.2f} (k=2)"


def needed_ph(target: TargetConfig, u: float) -> float:
    """Return how low it must read with this u of the steady account, if a measurement confirms it; rounded down."""
    by_doubt = acceptance_limit(target.ph, u, max(target.probability, STEADY_PROBABILITY))
    return floor(min(by_doubt, target.ph - MARGIN_PH) * 100.0) / 100.0


def needed(target: TargetConfig, u: float) -> str:
    """Say the same."""
    return f"needs {needed_ph(target, u):.2f} or lower"


def limit(ph: float, probability: float) -> str:
    """Say what is to be shown."""
    return f"at or below pH {ph:.2f} ({100.0 * probability:.4g} %)"


def chance(probability: float) -> str:
    """Say a probability of conformance; never that it is certain."""
    return "over 99.9 %" if probability > MOST_SAID else f"{100.0 * probability:.1f} %"


def not_yet(target: TargetConfig, newest: TargetWindow) -> str:
    """Say that a reading shows nothing yet, and which would."""
    return f"not yet shown: {reads(target, newest)}"


def reads(target: TargetConfig, newest: TargetWindow) -> str:
    """Say what it reads, and what it would have to."""
    return f"reads {reading(newest.ph, newest.u)}, {needed(target, newest.u)}"


def read_at(target: TargetConfig, newest: TargetWindow) -> str:
    """Say that the reading is at the target, which claims nothing."""
    asked = limit(target.ph, target.probability)
    return f"The reading is at the target: {reading(newest.ph, newest.u)}. To be {asked} it {needed(target, newest.u)}"


def asked(target: TargetConfig, newest: TargetWindow, *, probe: str, counts_h: float) -> str:
    """Say that a measurement is wanted, how it is told, and for how long it counts."""
    counts = f"; it counts for about {counts_h:.2g} h" if counts_h > 0.0 else ""
    return (
        f"it reads {reading(newest.ph, newest.u)}, and {limit(target.ph, target.probability)} lacks nothing but another"
        f" instrument: {_how(probe)}{counts}"
    )


def overdue(target: TargetConfig, newest: TargetWindow, *, probe: str) -> str:
    """Say what a reading at the target wants that would show nothing yet, were it confirmed."""
    return f"it {reads(target, newest)}, confirmed by another instrument: {_how(probe)}"


def _how(probe: str) -> str:
    return (
        "measure the vat beside the probe and tell it at the hub or by"
        f" `vatvigil verify {probe} --spot PH --u U --instrument NAME`"
    )


def claimed(claim: Claim) -> str:
    """Say what was shown, for how long, by which measurement, and what that rests on."""
    minutes, spot = claim.windows * claim.window_s / 60.0, claim.spot
    return (
        f"Measured {limit(claim.limit_ph, claim.probability)}: {reading(claim.ph, claim.u)}, low enough for"
        f" {minutes:.0f} min, confirmed by {spot.instrument or 'another instrument'} at {spot.ph:.2f} (u {spot.u:.2g}),"
        f" conformance probability {chance(claim.conformance)}, calibration {claim.calibration}. It speaks of the"
        f" brine at the probe, and holds if {'; '.join(PREMISES)}"
    )
