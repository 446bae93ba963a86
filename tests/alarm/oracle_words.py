"""What the oracle speaks of: samples, alarms, and how it tells a journal entry."""

from dataclasses import dataclass

from logger.config import AlarmConfig
from logger.model import Cause, Entry, State

Told = tuple[object, ...]
SAY_NOTHING, BACK, BETWEEN, ABNORMAL = "says nothing", "back", "between", "abnormal"


class Refused(Exception):  # noqa: N818 - it is no error here, but an outcome
    """A command is refused."""


@dataclass(kw_only=True)
class Sample:
    """One record."""

    seq: int
    t: int
    """Watch time, microseconds."""
    mv: float | None
    c: float | None


@dataclass(kw_only=True)
class Alarm:
    """One alarm and all that is remembered of it."""

    config: AlarmConfig
    base: State = State.NORMAL
    abnormal: bool = False
    since: int | None = None
    heard: int | None = None
    occurrence: int = 0
    reminders: int = 0
    timer: int | None = None
    shelf_ends: int | None = None
    suppression_ends: int | None = None
    out: bool = False
    value: float | None = None
    newest: float | None = None

    @property
    def shown(self) -> State:
        if self.out:
            return State.OUT_OF_SERVICE
        if self.suppression_ends is not None:
            return State.SUPPRESSED
        if self.shelf_ends is not None:
            return State.SHELVED
        return self.base

    @property
    def covered(self) -> bool:
        return self.out or self.suppression_ends is not None or self.shelf_ends is not None


LATER = (
    Cause.REMINDER,
    Cause.RAISED,
    Cause.REALARM,
    Cause.RELEASED,
    Cause.SHELF_EXPIRED,
    Cause.UNSHELVED,
    Cause.RETURNED_TO_SERVICE,
)
"""What is told later names the value that was judged last."""


def retell(entry: Entry) -> Told:
    """Say an entry of the pipeline in the oracle's words."""
    if entry.cause in (Cause.REFUSED, Cause.NOTED, Cause.MARKED, Cause.LEFT, Cause.CALIBRATED):
        return (entry.seq, entry.cause, entry.alarm, entry.by)
    rounded = None if entry.value is None else round(entry.value, 6)
    return (
        entry.seq,
        entry.cause,
        entry.alarm,
        entry.occurrence,
        entry.before,
        entry.after,
        entry.annunciates,
        rounded,
        entry.reminder,
        entry.by,
    )
