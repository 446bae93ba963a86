"""The drift of an electrode, as its checks show it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """What checks since the calibration say of its drift: offset (pH) and rate (pH a day), with their covariance."""

    offset_ph: float
    rate_ph_per_day: float
    var_offset: float
    cov: float
    var_rate: float
    at_us: int
    """UTC of the newest check (or of the calibration) that this speaks of."""
    elapsed_us: int | None = None
    """Watch time of it; None: not known."""
    unexpected: tuple[float, float] | None = None
    """Deviation (pH) and variance of a check that nobody could expect: it counts once a repeat agrees."""
