"""What is known of the error of a probe (reading minus truth), as two normal distributions."""

from logger.structs import Struct


class Account(Struct, frozen=True, kw_only=True):
    """A normal distribution of the numbers of the state; their order: `measure/error_state.py`."""

    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    """Its lower triangle: row i holds the covariances of number i with numbers 0 to i."""


class Instrument(Struct, frozen=True, kw_only=True):
    """Another instrument whose own error is one of the numbers."""

    name: str
    u_ph: float
    """Its standard uncertainty, as it was last said."""


class Question(Struct, frozen=True, kw_only=True):
    """A check that nobody could expect, and that asks: probe or reference."""

    u_ph: float
    """Standard uncertainty of its reference: a rougher check does not answer it."""
    text: str
    """What it found, in words."""


class Estimate(Struct, frozen=True, kw_only=True):
    """What calibration and checks tell of a probe's error, as of the newest of them, in two accounts."""

    steady: Account
    """The electrode does what it did."""
    distrustful: Account
    """Nobody knows what the electrode did since the newest check."""
    priors: tuple[float, ...]
    """The stated uncertainties that it was begun with; with others it must be begun anew."""
    slope: float
    """Slope of the line at the pivot (fraction of the Nernst slope), which turns potentials into pH here."""
    bends_ph: tuple[float, ...]
    """Where the line bends (pH at 25 C)."""
    at_us: int
    """UTC of the newest check, or of the calibration."""
    elapsed_us: int | None = None
    """Watch time of it; None: not known."""
    instruments: tuple[Instrument, ...] = ()
    claimed_days: float = 0.0
    """How long after `at_us` the claim was made whose error is one of the numbers; then 0 from the next check on."""
    claimed_by: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """How offset, slope and junction moved the reading that was claimed."""
    question: Question | None = None
