"""Define the columns of the table of alarm kinds (`logger/config/alarm_kinds.py`). Law: as in `logger/config`."""

from collections.abc import Mapping
from enum import Enum, StrEnum, auto
from typing import Any

from logger.structs import Struct, field


class Priority(StrEnum):
    """How an alarm reaches a person: high wakes, medium waits for day, low is for the record."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"

    @property
    def raised(self) -> "Priority":
        """Return the next one above; high is the highest."""
        return Priority.MEDIUM if self is Priority.LOW else Priority.HIGH


class Health(StrEnum):
    """Status signals of a probe (NAMUR NE 107), worst first."""

    FAILURE = "failure"
    FUNCTION_CHECK = "function-check"
    OUT_OF_SPECIFICATION = "out-of-specification"
    MAINTENANCE_REQUIRED = "maintenance-required"
    GOOD = "good"


class Group(Enum):
    """What an alarm is about."""

    PROCESS = auto()
    """The vat. Bad data freezes such an alarm, and so does work on the probe."""
    INSTRUMENT = auto()
    """The probe and its line."""
    MAINTENANCE = auto()
    """Calibrations and checks that are due; measured in `measure/maintenance.py`."""
    TARGET = auto()
    """The target of the batch, judged in `watch/target_alarms.py`: no data, bad data and no mark holds it."""
    SYSTEM = auto()
    """The watch itself, judged in `watch/system.py`."""


class Signal(Enum):
    """What an alarm looks at; measured in `watch/signals.py`."""

    PH = auto()
    PH_UPPER = auto()
    """The higher of the published pH and of what the checks correct it to."""
    TEMPERATURE = auto()
    ARRIVAL = auto()
    BELIEF = auto()
    TRUST = auto()
    TRUST_DOUBT = auto()
    SECOND_PROBE = auto()


class LookBack(Enum):
    """What is judged in place of each window's median: a value that looks back over several windows."""

    TREND = auto()
    """Measured in `measure/trend.py`."""
    BATCH = auto()
    """Measured in `measure/batch.py`; it looks at the temperature too."""


class Presence(Enum):
    """When there is such an alarm without being written in the configuration."""

    IF_WRITTEN = auto()
    ALWAYS = auto()
    WITH_TARGET = auto()
    WITH_SECOND_PROBE = auto()
    WITH_BROKER = auto()
    WITH_WAY_OUT = auto()
    WITH_STORE_FILE = auto()
    """A store that is no file here has its disk elsewhere."""


class KindRow(Struct, frozen=True, kw_only=True):
    """All that is declared of one kind of alarm. Sentences are templates, filled in by `alarm/words.py`.

    Names in templates: `alarm` (its `AlarmConfig`), `value`, `delay`, `why`, `tests`, `fall`, `what`, `first`.
    """

    group: Group
    title: str
    """In lists and at the hub."""
    signal: Signal | None = None
    """None: measured by the kind itself, where its group says."""
    look_back: LookBack | None = None
    is_low: bool = False
    """Abnormal at or below the setpoint, else at or above it."""
    unit: str | None = None
    """Of value and setpoint, with a space before it; empty for pH; None: there is neither."""
    setpoint_bounds: tuple[float, float] | None = None
    """None: as far as the probe's thermometer is believed."""
    setpoint_words: str = ""
    """Asks for a setpoint that is missing and has no default."""
    own_keys: tuple[str, ...] = ()
    """Keys that only some kinds look at."""
    defaults: Mapping[str, Any] = field(default_factory=dict)
    """What differs from the defaults of `AlarmConfig`."""
    presence: Presence = Presence.IF_WRITTEN
    has_delay: bool = True
    """An on-delay can be written."""

    is_suspended_by_work: bool = False
    """The mark probe-out, or work on the probe, suspends it."""
    is_suspended_by_mixing: bool = False
    """Stirring or topping up suspends it."""
    is_glass: bool = False
    """The bulb may be broken and glass in the food: quiet hours never hold it."""
    is_against_claim: bool = False
    """No target is claimed while its condition is abnormal, whatever was acknowledged or shelved."""

    what: str = ""
    """On a telephone, when it comes, one clause. Empty: the value and its limit."""
    over: str = ""
    """On a telephone, when it returns, one clause."""
    over_unknown: str = ""
    """The same where no value is known; empty: no other words."""
    comes: str = ""
    """In the journal, when it comes. Empty: the value, its limit and the delay."""
    returns: str = ""
    """In the journal, when it returns. Empty: as on a telephone."""
    quantity: str = ""
    """Its value in words; `spread` is twice the standard uncertainty."""
    first: str
    """On a telephone: what to do first."""
    health: Health = Health.FAILURE
    """The status that it puts the probe in while it stands."""
    finding: str = ""
    """What it says of the probe's health; empty: nothing."""
