"""The target of a vat: its progress, claims, and their withdrawal."""

from dataclasses import dataclass
from enum import StrEnum

from logger.model.drift import Drift

PREMISES = (
    "the stated uncertainty is right (electrode, buffers, junction in this brine)",
    "the vat is the same all through: stir it, or measure at two depths",
    "the brine stands for the solids, whose inside acidifies later",
)
"""What a claim rests on and no reading shows; it speaks of the brine at the probe."""


class Lack(StrEnum):
    """What a claim wants and has not."""

    CALIBRATION = "calibration"
    READING = "reading"
    """No window was judged since the newest calibration or mark."""
    BELIEF = "belief"
    """The newest window is not believed."""
    PH = "ph"
    """It does not read low enough for the doubt there is."""
    TIME = "time"
    """It does, but not yet for as many windows as are wanted."""
    RECENT_CHECK = "recent-check"
    PASSED_CHECK = "passed-check"
    SPOT_CHECK = "spot-check"
    TRUST = "trust"
    """The probe is doubted, or trust in it was lost since the check that would support the claim."""
    ALARM = "alarm"
    """The condition of an alarm speaks against it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetWindow:
    """The median of the newest whole window, as the target judges it."""

    at_us: int
    """UTC of the record that closed the window."""
    ph: float
    """The higher of the published pH and of what the last check corrects it to."""
    u: float
    """Standard uncertainty of it."""
    believed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LastCheck:
    """The newest check of its kind."""

    at_us: int
    passed: bool
    elapsed_us: int | None = None
    """Watch time at which it was made; None: not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """Measured at or below a limit with a probability, and all that this rests on."""

    limit_ph: float
    probability: float
    """What was asked for."""
    ph: float
    u: float
    z: float
    conformance: float
    """Probability that the limit is kept, by `ph` and `u` (JCGM 106:2012, 7.4)."""
    window_s: float
    windows: int
    calibration: int
    at_us: int
    """UTC of the record that closed the last window."""
    seq: int
    drift: Drift
    """What was known of the drift then."""
    u_fit_ph: float
    """What the calibration alone contributed to u."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WithdrawnClaim:
    """A claim that a later check contradicts."""

    claim: Claim
    at_us: int
    elapsed_us: int
    ph: float
    """What the claim's pH is by that check."""
    u: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetProgress:
    """How far the target of a vat has been shown in the present batch; see `measure/target.py`."""

    started_us: int | None = None
    """`BatchState.started_us` when this began: what came before is of another batch."""
    fresh_us: int = 0
    """`WindowState.fresh_us` when the windows below began."""
    reads: int = 0
    """So many of the newest windows, without a break, are believed and at or below the limit."""
    shows: int = 0
    """So many of them also with the guard band."""
    newest: TargetWindow | None = None
    reading_at_us: int | None = None
    """UTC when the reading was told to be at the target; None: not yet."""
    claim: Claim | None = None
    withdrawn: WithdrawnClaim | None = None
    """The newest claim that did not hold, until there is a new one."""
    check: LastCheck | None = None
    """The newest check in a buffer or beside another instrument."""
    spot: LastCheck | None = None
    """The newest check beside another instrument."""
