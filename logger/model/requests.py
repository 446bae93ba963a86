"""What a person asks of the watch: calibrations and commands."""

from dataclasses import dataclass
from enum import StrEnum


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPoint:
    """A buffer's pH at its temperature (C), and the potential (mV) read in it."""

    buffer_ph: float
    potential_mv: float
    temperature_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """An electrode's line E = offset + slope * k(T) * (7 - pH), k the Nernst slope, and its covariance."""

    id: int
    probe: str
    at_us: int
    offset_mv: float
    """Potential at the isopotential pH 7."""
    slope: float
    """Fraction of the Nernst slope (1.0 is 100 %)."""
    var_offset: float
    var_slope: float
    cov: float
    low_ph: float
    """Lowest buffer: below it the line is extrapolated."""
    high_ph: float
    points: tuple[CalibrationPoint, ...]
    by: str = ""
    residual_mv: float = 0.0
    """Largest distance of a point from the line."""


class CommandKind(StrEnum):
    """What may be asked of the watch through the inbox."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    RESET = "reset"
    OUT_OF_SERVICE = "out-of-service"
    RETURN_TO_SERVICE = "return-to-service"
    MARK = "mark"
    """`note` names the mark: probe-out or probe-in."""
    CALIBRATE = "calibrate"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One row of the inbox. Applied before record `seq` of its vat's probe (0: not consumed yet)."""

    id: int
    at_us: int
    kind: CommandKind
    vat: str
    """Empty for a command that concerns a probe (calibrate)."""
    probe: str = ""
    alarm: str = ""
    occurrence: int | None = None
    duration_s: float | None = None
    calibration: Calibration | None = None
    by: str = ""
    note: str = ""
    seq: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of a command: the record it was applied before, and the words for who asked."""

    command: int
    seq: int
    applied: bool
    text: str = ""
    probe: str = ""
    """Whose record `seq` is."""
