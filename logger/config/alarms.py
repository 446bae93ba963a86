"""Define one alarm of a vat: its kind, limits and delays. Law: as in `logger/config`."""

from dataclasses import dataclass
from typing import Annotated, Any

from annotated_types import Ge, Le

from logger.config.alarm_kinds import AlarmKind
from logger.config.bounds import PH, Delay, Duration, NotNegative
from logger.config.kind_row import Priority

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


def default_alarm(kind: AlarmKind, **given: Any) -> AlarmConfig:  # noqa: ANN401 - any field of AlarmConfig
    """Return an alarm of a kind by its defaults, but for what is given; it is named after its kind."""
    return AlarmConfig(**{"id": str(kind), **kind.row.defaults, **given, "kind": kind})
