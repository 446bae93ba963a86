"""Corrections of the log by a later check: they stand beside the results and never in their place."""

from logger.structs import Struct


class Deviation(Struct, frozen=True, kw_only=True):
    """How far a calibration was found off at a reference value: reading minus reference, with its uncertainty."""

    check: int
    """Id of the check."""
    reference_ph: float
    deviation_ph: float
    u_ph: float
    """Standard uncertainty of `deviation_ph`: that of the reference and of the reading in it."""


class Correction(Struct, frozen=True, kw_only=True):
    """A person's decision to correct the records of one calibration, linearly in time, or to take that back."""

    id: int
    probe: str
    at_us: int
    """UTC of the decision."""
    calibration: int
    """Id of the calibration whose records are meant."""
    since_at_us: int
    """UTC of the calibration: no deviation yet."""
    until_at_us: int
    """UTC of the check: the whole deviation."""
    deviations: tuple[Deviation, ...]
    by: str
    why: str
    revokes: int | None = None
    """Id of the correction that this takes back; None: this is one."""
