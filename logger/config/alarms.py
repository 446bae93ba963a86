"""Define alarms: kinds, priorities, delays. Law: as in `logger/config`."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated

from annotated_types import Ge, Le

from logger.config.bounds import PH, Delay, Duration, NotNegative


class AlarmKind(StrEnum):
    """What an alarm watches: the vat (process alarms), the instrument, or the watch itself (the system's alarms)."""

    BROKER_AWAY = "broker-away"
    BROKER_SHARED = "broker-shared"
    OUTBOX_AGE = "outbox-age"
    """The broker is there, and events wait all the same."""
    DISK_LOW = "disk-low"
    CLOCK_STEPPED = "clock-stepped"
    STORE_UNWRITABLE = "store-unwritable"
    REHEARSAL = "rehearsal"
    """The good-night test itself: no real alarm."""
    REHEARSAL_FAILED = "rehearsal-failed"
    """Nobody acknowledged the last good-night test in time."""
    PH_HIGH = "ph-high"
    PH_LOW = "ph-low"
    TEMPERATURE_HIGH = "temperature-high"
    TEMPERATURE_LOW = "temperature-low"
    RATE_OF_CHANGE = "rate-of-change"
    """pH changes faster than a ferment does, up or down."""
    RISE = "rise"
    """pH rises again after its lowest: the signature of spoilage."""
    NO_START = "no-start"
    """pH has not begun to fall so many biological hours after the batch was started."""
    STALL = "stall"
    """pH has stopped falling before it was low enough."""
    NO_DATA = "no-data"
    """Nothing arrives: records without an indication."""
    BLIND = "blind"
    """Something arrives, but nothing that can be believed, for no cause that has an alarm of its own."""
    OUT_OF_LIQUID = "out-of-liquid"
    """The probe hangs in air."""
    ERRATIC = "erratic"
    """The potential has no one value: a broken bulb, a knocked probe, a bad cable."""
    DISAGREEMENT = "disagreement"
    """The vat's two probes differ by more than both their doubts."""
    NO_CALIBRATION = "no-calibration"
    """No calibration is in force, so no pH is claimed."""
    CALIBRATION_OVERDUE = "calibration-overdue"
    """The calibration is older than `calibrate_every_d`."""
    CHECK_OVERDUE = "check-overdue"
    """Neither calibrated nor checked for `check_every_d`."""
    DRIFTED = "drifted"
    """The last check, or what was found at a calibration, was off by more than `judge_tolerance_ph`."""
    DEADLINE = "deadline"
    """The target was not shown by so many hours after the batch was started."""
    CLAIM_WITHDRAWN = "claim-withdrawn"
    """A later check contradicts that the target was shown."""

    @property
    def is_of_target(self) -> bool:
        """Tell whether it speaks of the vat's target: no data, bad data and no mark holds it."""
        return self in (AlarmKind.DEADLINE, AlarmKind.CLAIM_WITHDRAWN)

    @property
    def is_process(self) -> bool:
        """Tell whether it judges the vat: bad data freezes it."""
        return self not in _INSTRUMENT | UPKEEP | _SYSTEM

    @property
    def is_suspended(self) -> bool:
        """Tell whether a mark (probe out) or work on the probe suspends this alarm."""
        is_probe = self in (AlarmKind.OUT_OF_LIQUID, AlarmKind.ERRATIC, AlarmKind.DISAGREEMENT)
        return is_probe or (self.is_process and not self.is_of_target)

    @property
    def is_against_claim(self) -> bool:
        """Tell whether no target is claimed while its condition is abnormal, whatever was acknowledged or shelved."""
        return self in _AGAINST_CLAIM

    @property
    def is_restless(self) -> bool:
        """Tell whether stirring or topping up suspends this alarm."""
        return self is AlarmKind.RATE_OF_CHANGE

    @classmethod
    def of_vats(cls) -> tuple["AlarmKind", ...]:
        """Return the kinds that an alarm of a vat can have."""
        return tuple(kind for kind in cls if not kind.is_system)

    @property
    def is_system(self) -> bool:
        """Tell whether it judges the watch itself."""
        return self in _SYSTEM

    @property
    def is_high(self) -> bool:
        """Tell whether the alarm is abnormal at or above its setpoint (else at or below it)."""
        return self not in (AlarmKind.PH_LOW, AlarmKind.TEMPERATURE_LOW, AlarmKind.STALL)

    @property
    def is_ph(self) -> bool:
        """Tell whether the alarm judges pH, or what becomes of it."""
        return self in (AlarmKind.PH_HIGH, AlarmKind.PH_LOW) or self.is_trend

    @property
    def is_glass(self) -> bool:
        """Tell whether the bulb may be broken and glass in the food: no quiet hours hold such an alarm."""
        return self is AlarmKind.ERRATIC

    @property
    def is_trend(self) -> bool:
        """Tell whether the alarm looks back over several windows."""
        return self in (AlarmKind.RATE_OF_CHANGE, AlarmKind.RISE) or self.is_of_batch

    @property
    def is_of_batch(self) -> bool:
        """Tell whether the alarm watches how a batch begins or goes on: it looks at the temperature too."""
        return self in (AlarmKind.NO_START, AlarmKind.STALL)

    @property
    def unit(self) -> str:
        """Return the unit of its value and setpoint, with a space before it; empty for pH."""
        others = {
            AlarmKind.RATE_OF_CHANGE: " pH/h",
            AlarmKind.STALL: " pH/h",
            AlarmKind.NO_START: " h",
            AlarmKind.DEADLINE: " h",
        }
        return others.get(self, "" if self.is_ph else " C")


_INSTRUMENT = frozenset(
    {
        AlarmKind.NO_DATA,
        AlarmKind.BLIND,
        AlarmKind.OUT_OF_LIQUID,
        AlarmKind.ERRATIC,
        AlarmKind.DISAGREEMENT,
        AlarmKind.CLAIM_WITHDRAWN,
    }
)
"""No setpoint, no value: something is wrong, or it is not."""


_AGAINST_CLAIM = frozenset(
    {
        AlarmKind.NO_DATA,
        AlarmKind.BLIND,
        AlarmKind.OUT_OF_LIQUID,
        AlarmKind.ERRATIC,
        AlarmKind.DISAGREEMENT,
        AlarmKind.NO_CALIBRATION,
        AlarmKind.DRIFTED,
        AlarmKind.RATE_OF_CHANGE,
        AlarmKind.RISE,
    }
)


UPKEEP = frozenset(
    {AlarmKind.NO_CALIBRATION, AlarmKind.CALIBRATION_OVERDUE, AlarmKind.CHECK_OVERDUE, AlarmKind.DRIFTED}
)
"""What the instrument is owed; see `measure/maintenance.py`."""


_SYSTEM = frozenset(
    {
        AlarmKind.BROKER_AWAY,
        AlarmKind.BROKER_SHARED,
        AlarmKind.OUTBOX_AGE,
        AlarmKind.DISK_LOW,
        AlarmKind.CLOCK_STEPPED,
        AlarmKind.STORE_UNWRITABLE,
        AlarmKind.REHEARSAL,
        AlarmKind.REHEARSAL_FAILED,
    }
)


class Priority(StrEnum):
    """How an alarm reaches a person: high wakes, medium waits for day, low is for the record."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"

    @property
    def raised(self) -> "Priority":
        """Return the next one above; high is the highest."""
        return Priority.MEDIUM if self is Priority.LOW else Priority.HIGH


STALL_WINDOWS = 12
"""Windows that a stall looks back over: 12 h by default. From a trial on simulated vats."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmConfig:
    """One alarm of a vat. Setpoint and deadband in the unit of its kind; no setpoint for instrument alarms."""

    id: str
    kind: AlarmKind
    setpoint: float | None = None
    deadband: NotNegative = 0.0
    on_delay_s: Delay = 600.0
    off_delay_s: Delay = 0.0
    window_s: Annotated[float, Ge(0), Le(86400)] = 600.0
    """Length of the windows whose median is judged; 0: every record by itself."""
    armed_ph: PH = 4.4
    """A rise counts only after the pH came down to this. Common practice, no source."""
    drop_ph: Annotated[float, Ge(0.01), Le(10)] = 0.3
    """So much the pH must have fallen: without it a batch has not begun, with it a stall can be one.

    Common practice, no source.
    """
    above_ph: PH = 4.75
    """A stall counts only above this: by default 0.15 above a target of 4.6. From a trial on simulated vats."""
    priority: Priority = Priority.MEDIUM
    latching: bool = False
    realarm_s: Duration | None = None
    """Acknowledged but still standing: annunciate anew after this time; None: never."""
    reminder_s: Duration | None = None
    """Not acknowledged: remind of the same occurrence after this time; None: never."""
    raise_after_reminders: Annotated[int, Ge(1), Le(1000)] | None = None
    """With so many reminders the occurrence gets the next priority above; None: never."""
