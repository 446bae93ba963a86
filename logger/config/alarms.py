"""Define one alarm of a vat: its kind, limits and delays. Law: as in `logger/config`."""

from typing import Annotated, Any

from annotated_types import Ge, Le

from logger.config.alarm_kinds import AlarmKind
from logger.config.bounds import PH, Delay, Duration, NotNegative
from logger.config.kind_row import Priority
from logger.structs import Struct

STALL_WINDOWS = 12
"""Windows that a stall looks back over: 12 h by default. From a trial on simulated vats."""


class AlarmConfig(Struct, frozen=True, kw_only=True):
    """One alarm of a vat. Setpoint and deadband in the unit of its kind; no setpoint for instrument alarms."""

    id: str
    kind: AlarmKind
    """What the alarm watches; `vatvigil help alarms` explains each kind."""
    setpoint: float | None = None
    """Where the alarm comes, in the unit of its kind; alarms of the instrument have none."""
    deadband: NotNegative = 0.0
    """How far from the setpoint the value must come back before the alarm returns; same unit."""
    on_delay_s: Delay = 600.0
    """How long the condition must last before the alarm comes; 0: at once."""
    off_delay_s: Delay = 0.0
    """How long the condition must be over before the alarm returns; 0: at once."""
    window_s: Annotated[float, Ge(0), Le(86400)] = 600.0
    """Length of the windows whose median is judged; 0: every record by itself."""
    armed_ph: PH | None = None
    """`rise` and `ph-high` count only after the pH came down to this in the batch; not written: `ph-high` counts from
    the start. Common practice, no source.
    """
    drop_ph: Annotated[float, Ge(0.01), Le(10)] = 0.3
    """By so much the pH must have fallen: before that `no-start` can come, after it `stall`. Common practice, no
    source.
    """
    above_ph: PH = 4.6
    """`stall` counts only above this pH: that of the target. From a trial on simulated vats."""
    priority: Priority = Priority.MEDIUM
    """How urgent it is: it decides who is woken in quiet hours."""
    latching: bool = False
    """If true, the alarm stays when the condition is over, until somebody resets it."""
    realarm_s: Duration | None = None
    """Acknowledged, but the condition lasts: the alarm comes anew after this time; not written: never."""
    reminder_s: Duration | None = None
    """Not acknowledged: the same occurrence is told again after this time; not written: never."""
    raise_after_reminders: Annotated[int, Ge(1), Le(1000)] | None = None
    """After so many reminders the occurrence gets the next higher priority; not written: never."""


def default_alarm(kind: AlarmKind, **given: Any) -> AlarmConfig:  # noqa: ANN401 - any field of AlarmConfig
    """Return an alarm of a kind by its defaults, but for what is given; it is named after its kind."""
    return AlarmConfig(**{"id": str(kind), **kind.row.defaults, **given, "kind": kind})
