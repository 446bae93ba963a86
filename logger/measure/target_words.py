"""Write the sentences about a target.

Law: a reading with its doubt, what would be needed, and never that anything is safe.
"""

from math import floor

from logger.config import TargetConfig
from logger.measure.conformance import acceptance_limit
from logger.model import PREMISES, Claim, TargetWindow


def reading(ph: float, u: float) -> str:
    """Say a pH with its expanded uncertainty (k = 2)."""
    return f"{ph:.2f} +/- {2 * u:.2f} (k=2)"


def needed(target: TargetConfig, u: float) -> str:
    """Say how low it must read, rounded down: what is said to be enough is enough."""
    return f"needs {floor(acceptance_limit(target.ph, u, target.probability) * 100.0) / 100.0:.2f} or lower"


def limit(ph: float, probability: float) -> str:
    """Say what is to be shown."""
    return f"at or below pH {ph:.2f} ({100.0 * probability:.4g} %)"


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


def claimed(claim: Claim) -> str:
    """Say what was shown, for how long, and what that rests on."""
    minutes = claim.windows * claim.window_s / 60.0
    return (
        f"Measured {limit(claim.limit_ph, claim.probability)}: {reading(claim.ph, claim.u)}, low enough for"
        f" {minutes:.0f} min, conformance probability {100.0 * claim.conformance:.1f} %, calibration"
        f" {claim.calibration}. It speaks of the brine at the probe, and holds if {'; '.join(PREMISES)}"
    )
