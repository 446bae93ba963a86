"""Define one alarm of a vat: its kind, limits and delays. Law: as in `logger/config`."""

from dataclasses import dataclass
from typing import Any

from logger.config.alarm_kinds import AlarmKind
from logger.config.kind_row import Priority

STALL_WINDOWS = 12
"""Windows that a stall looks back over: 12 h by default. [T]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmConfig:
    """One alarm of a vat. Setpoint and deadband in the unit of its kind; no setpoint for instrument alarms."""

    id: str
    kind: AlarmKind
    setpoint: float | None = None
    deadband: float = 0.0
    on_delay_s: float = 600.0
    off_delay_s: float = 0.0
    window_s: float = 600.0
    """Length of the windows whose median is judged; 0: every record by itself."""
    armed_ph: float = 4.4
    """A rise counts only after the pH came down to this. [CP]"""
    drop_ph: float = 0.3
    """So much the pH must have fallen: without it a batch has not begun, with it a stall can be one. [CP]"""
    above_ph: float = 4.75
    """A stall counts only above this: by default 0.15 above a target of 4.6. [T]"""
    priority: Priority = Priority.MEDIUM
    latching: bool = False
    realarm_s: float | None = None
    """Acknowledged but still standing: annunciate anew after this time; None: never."""
    reminder_s: float | None = None
    """Not acknowledged: remind of the same occurrence after this time; None: never."""
    raise_after_reminders: int | None = None
    """With so many reminders the occurrence gets the next priority above; None: never."""


def default_alarm(kind: AlarmKind, **given: Any) -> AlarmConfig:  # noqa: ANN401 - any field of AlarmConfig
    """Return an alarm of a kind by its defaults, but for what is given; it is named after its kind."""
    return AlarmConfig(**{"id": str(kind), **kind.row.defaults, **given, "kind": kind})
