"""The target of a vat: its progress, claims, and their withdrawal."""

from enum import StrEnum

from logger.structs import Struct

PREMISES = (
    "the stated uncertainty is right (electrode, buffers, junction in this brine)",
    "the other instrument is as good as was said",
    "the probe did since that measurement what electrodes do, which one probe alone cannot tell",
    "the vat is the same all through: stir it, or measure at two depths",
    "the brine stands for the solids, whose inside acidifies later",
)
"""What a claim rests on and no reading shows; it speaks of the brine at the probe."""


class Lack(StrEnum):
    """What a claim wants and has not."""

    CALIBRATION = "calibration"
    READING = "reading"
    """No window was judged since the newest calibration or mark, or for a while."""
    BELIEF = "belief"
    """The newest window is not believed."""
    PH = "ph"
    """It does not read low enough: even another instrument that agrees now would not do."""
    TIME = "time"
    """It does, but not yet for as many windows as are wanted."""
    CONFIRMATION = "confirmation"
    """Another instrument must measure now, in this batch and with the calibration in force."""
    QUESTION = "question"
    """A check that nobody expected stands: probe or reference?"""
    TRUST = "trust"
    """The probe is doubted, or trust in it is lost."""
    ALARM = "alarm"
    """The condition of an alarm speaks against it."""


class TargetWindow(Struct, frozen=True, kw_only=True):
    """The median of the newest whole window, as the target judges it."""

    at_us: int
    """UTC of the record that closed the window."""
    elapsed_us: int
    """Watch time of it."""
    seq: int
    """Number of it."""
    read_ph: float
    """The median as published."""
    u_noise: float
    """Its standard uncertainty by what no check tells: the noise, and what a probe's own pH adds."""
    temperature_c: float
    slope: float
    """Slope of the line that it was read from (fraction of the Nernst slope)."""
    ph: float
    """The higher of the published pH and of what the checks correct it to, by the steady account."""
    u: float
    """Standard uncertainty of it."""
    believed: bool


class Confirmation(Struct, frozen=True, kw_only=True):
    """A measurement with another instrument beside the probe, in the present batch."""

    check: int
    """Its number."""
    at_us: int
    calibration: int
    """With which the probe was read."""
    ph: float
    """What the other instrument read."""
    u: float
    """Its standard uncertainty."""
    instrument: str


class Claim(Struct, frozen=True, kw_only=True):
    """Measured at or below a limit with a probability, and all that this rests on."""

    limit_ph: float
    probability: float
    """What was asked for."""
    ph: float
    """The higher of the published pH and of what the checks correct it to, by the steady account."""
    u: float
    conformance: float
    """Probability that the limit is kept (JCGM 106:2012, 7.4): the lower of both accounts'."""
    read_ph: float
    """The median as published."""
    u_noise: float
    """As in `TargetWindow`."""
    window_s: float
    windows: int
    calibration: int
    spot: Confirmation
    """The measurement that confirms it."""
    at_us: int
    """UTC at which it was made."""
    seq: int
    """Number of the record that closed the window."""


class WithdrawnClaim(Struct, frozen=True, kw_only=True):
    """A claim that a later check contradicts, or that nothing that is known now bears out."""

    claim: Claim | None
    """None: an earlier vatvigil made it, by other rules."""
    at_us: int
    elapsed_us: int
    ph: float
    """What the claim's pH is by that check."""
    u: float
    text: str


class TargetProgress(Struct, frozen=True, kw_only=True):
    """How far the target of a vat has been shown in the present batch; see `measure/target.py`."""

    started_us: int | None = None
    """`BatchState.started_us` when this began: what came before is of another batch."""
    fresh_us: int = 0
    """`WindowState.fresh_us` when the windows below began."""
    reads: int = 0
    """So many of the newest windows, without a break, are believed and at or below the limit."""
    shows: int = 0
    """So many of them also by the margin that a claim wants."""
    newest: TargetWindow | None = None
    reading_at_us: int | None = None
    """UTC when the reading was told to be at the target; None: not yet."""
    is_asked: bool = False
    """The claim lacks nothing but a confirmation by another instrument."""
    claim: Claim | None = None
    withdrawn: WithdrawnClaim | None = None
    """The newest claim that did not hold, until there is a new one."""
    spot: Confirmation | None = None
    """The newest measurement with another instrument in this batch."""
