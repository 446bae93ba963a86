"""Trust in a probe as a state of its own: what was learnt of its vat, and what speaks against it.

Levels are kept in mV and C: a calibration changes what they mean, not what they were. How the state comes about:
`measure/trust.py`.
"""

from enum import StrEnum

from logger.structs import Struct, field


class TrustLevel(StrEnum):
    """How far a probe is trusted to tell of its vat."""

    EARNED = "earned"
    DOUBTED = "doubted"
    """No claim is made; alarms go on."""
    LOST = "lost"
    """Nothing that it reads is believed."""


class TrustCause(StrEnum):
    """What trust was lost or is doubted by."""

    JUMP = "jump"
    """The level left its course by a step that no vat makes."""
    FROZEN = "frozen"
    """The instrument shows far fewer different values than it used to."""
    CONTACT = "contact"
    """Readings lie far apart again and again: a loose contact, or an instrument that restarts."""
    NOT_BORNE_OUT = "not-borne-out"
    """Somebody said that the probe is back in the vat, and it reads something else than before."""
    AIR = "air"
    """The temperature stepped, and the potential is noisier since: a film of brine is a poor screen."""
    TEMPERATURE = "temperature"
    """The temperature changed by a step that so much liquid does not make by itself."""
    BACKUP = "backup"
    """What is known of the probe comes from a backup: it may have been calibrated or changed since."""
    THERMOMETER = "thermometer"
    """The thermometer shows no temperature of a vat, or far fewer different values than it used to."""


class EarnedBy(StrEnum):
    """What trust was last earned by, or a doubt ended."""

    START = "start"
    """Somebody said that a batch was started."""
    CHECK = "check"
    """Another instrument beside the probe agrees."""
    BORNE_OUT = "borne-out"
    """It was said to be back in the vat, and the reading goes on where the vat was."""
    RETURN = "return"
    """What left its course came back into it and stayed."""
    SECOND_PROBE = "second-probe"
    """The vat's second probe reads the same."""
    LASTED = "lasted"
    """Nothing else spoke for half a day, so the temperature is the vat's."""


class TrustWindow(Struct, frozen=True, kw_only=True):
    """A closed window of the raw signal: medians, and how the readings lay about them."""

    number: int
    """Which window it is on the watch time."""
    count: int
    potential_mv: float
    temperature_c: float
    noise_mv: float
    """Standard deviation of the potential from reading to reading, robust."""
    outliers: int
    """Readings further from the median than any vat makes them."""


class Level(Struct, frozen=True, kw_only=True):
    """Where a vat was, and how it went on."""

    elapsed_us: int
    """Watch time of it."""
    potential_mv: float
    temperature_c: float
    slope_ph_per_h: float
    former_ph: float | None = None
    """Its pH by the calibration before, where one came into force since; None: none did."""


class Doubt(Struct, frozen=True, kw_only=True):
    """Why a probe is doubted, since when, and what it was like before."""

    cause: TrustCause
    since_us: int
    since_at_us: int
    before_c: float
    now_c: float
    before_mv: float
    """Noise of the potential before."""


class Loss(Struct, frozen=True, kw_only=True):
    """Why trust was lost, since when, and the level before it."""

    cause: TrustCause
    since_us: int
    """Watch time at which it began, as far as the windows tell."""
    since_at_us: int
    before: Level | None
    """None: nothing was learnt yet."""
    now: Level | None = None
    """What it reads, by its newest windows; None: too few closed since."""
    jump_ph: float = 0.0
    """How far the level left its course, with its sign; 0: it did not."""
    has_stepped_back: bool = False
    quiet_mv: float | None = None
    """Noise of the potential before; None: it is no sign of this."""
    windows_back: int = 0
    """Windows in a row that lie in the course before again."""
    windows_agreeing: int = 0
    """Windows in a row in which a second probe read the same."""


class Variety(Struct, frozen=True, kw_only=True):
    """How many different values a signal usually shows; a figure for each past period, the newest last."""

    usual: tuple[int, ...] = ()
    """Different values of each period, net of the course, as far as they are learnt."""
    newest: tuple[int, ...] = ()
    """Different values of the newest periods, as they were."""


class TrustState(Struct, frozen=True, kw_only=True):
    """The trust in a probe, and the summaries of closed windows that it rests on."""

    fresh_us: int = 0
    """`WindowState.fresh_us` when the windows began."""
    windows: tuple[TrustWindow, ...] = ()
    """The newest, as many as the course is judged by."""
    anew_us: int | None = None
    """Watch time at which the course began; None: no window closed yet."""
    still: int = 0
    """For how many windows the temperature has not moved at all."""
    swings_c: tuple[float, ...] = ()
    """The largest change of temperature over half an hour in each of the last hours."""
    hour: int = 0
    """Which hour on the watch time is being learnt."""
    swing_c: float = 0.0
    """The largest such change in it so far."""
    digit_mv: float = 0.0
    """The least difference between two potentials seen; 0: none was."""
    is_coarse: bool = False
    """The display's steps are so large that a still vat shows one value for hours."""
    digit_c: float = 0.0
    """The least difference between two temperatures seen; 0: none was."""
    potential: Variety = field(default_factory=Variety)
    temperature: Variety = field(default_factory=Variety)
    odd: int = 0
    """How many of the newest windows in a row lie off the course."""
    scattered: bool = False
    """The newest window's readings lie so far apart that their median says little."""
    expected: Level | None = None
    """What the reading must bear out: somebody said that the probe is back in the vat; None: nothing is open."""
    doubt: Doubt | None = None
    loss: Loss | None = None
    losses_us: tuple[int, ...] = ()
    """Watch times of the losses of the last day."""
    unbroken_us: int = 0
    """Watch time since when trust was not lost."""
    unbroken_at_us: int = 0
    """UTC of it; 0: it never was."""
    earned_by: EarnedBy | None = None
    """None: not yet, or not since somebody said that the probe is back in the vat."""

    @property
    def is_sound(self) -> bool:
        """Tell whether nothing is open: neither lost nor doubted, and no word that the reading must still bear out."""
        return self.loss is None and self.doubt is None and self.expected is None

    @property
    def level(self) -> TrustLevel:
        """Return how far the probe is trusted."""
        if self.loss is not None:
            return TrustLevel.LOST
        return TrustLevel.EARNED if self.doubt is None else TrustLevel.DOUBTED
