"""What is said of a batch that has not begun, or stands still. Law: as in `words.py`; its values are hours, or pH/h."""

from logger.config import STALL_WINDOWS, AlarmConfig, AlarmKind
from logger.model import Cause

_LEAST = 0.0005
"""pH/h that are shown as 0.001."""
FIRST = "measure with another instrument, look at salt and temperature, and hold the batch"


def sentence(alarm: AlarmConfig, cause: Cause, *, value: float | None) -> str:
    """Say what an alarm of kind `no-start` or `stall` found."""
    if cause is Cause.RETURNED:
        return over(alarm, value)
    until = f"Until pH has fallen by {alarm.drop_ph:.2f}" if alarm.kind is AlarmKind.NO_START else "Until it is acid"
    return f"{what(alarm, value)}. {until}, treat this as a low-acid food: {FIRST}"


def what(alarm: AlarmConfig, value: float | None) -> str:
    """Say it in one clause."""
    if alarm.kind is AlarmKind.NO_START:
        hours = alarm.setpoint if value is None else value
        return f"the ferment has not started after {hours:.0f} h (counted as at 20 C)"
    hours = STALL_WINDOWS * alarm.window_s / 3600
    falls = value is not None and value >= _LEAST
    fall = f"fell by only {value:.3f} an hour over {hours:g} h" if falls else f"has not fallen for {hours:g} h"
    return f"the ferment stalls: pH, still above {alarm.above_ph:.2f}, {fall}"


def over(alarm: AlarmConfig, value: float | None) -> str:
    """Say that it is over."""
    if alarm.kind is AlarmKind.NO_START:
        return f"the ferment has started: pH has fallen by {alarm.drop_ph:.2f} since the start"
    if value is None:
        return f"pH is down to {alarm.above_ph:.2f}: no stall any more"
    return f"pH falls again, by {value:.3f} an hour"
