"""States of alarms, entries of the journal, events of the outbox."""

from enum import StrEnum

from logger.model.notification import Notification
from logger.structs import Struct


class State(StrEnum):
    """State of an alarm (IEC 62682 / ISA-18.2; the latched ones are this project's own)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out-of-service"

    @property
    def is_standing(self) -> bool:
        """Tell whether a person must still see it: everything but normal and what was silenced on purpose."""
        return self not in (State.NORMAL, State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)


class Cause(StrEnum):
    """What a journal entry tells."""

    ANNUNCIATED = "annunciated"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    RESET = "reset"
    REMINDER = "reminder"
    REALARM = "re-alarm"
    RAISED = "raised"
    """A reminder that came with a higher priority: nobody had acknowledged the ones before."""
    RELEASED = "released"
    """Quiet hours held it, and it annunciates now."""
    DIGEST = "digest"
    """The morning summary."""
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SHELF_EXPIRED = "shelf-expired"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    OUT_OF_SERVICE = "out-of-service"
    RETURNED_TO_SERVICE = "returned-to-service"
    DELAY_RESTARTED = "on-delay-restarted"
    REFUSED = "refused"
    MARKED = "marked"
    CALIBRATED = "calibrated"
    CHECKED = "checked"
    ATTENDED = "attended"
    """Somebody begins to work on the probe, or goes on."""
    LEFT = "left"
    """The work on the probe is over, by word or by its time."""
    NOTED = "noted"
    READING_AT_TARGET = "reading-at-target"
    """The reading is at or below the target; that is no claim."""
    MEASURED_AT_TARGET = "measured-at-target"
    """Measured at or below the target with the probability asked for: a claim."""
    UNWATCHED = "unwatched"
    """It stood, and the configuration has no such alarm any more."""
    AFTER_GAP = "after-gap"
    """Nobody watched for hours: somebody should look at the probe."""
    RUN_STARTED = "run-started"
    TESTED = "tested"
    """A step of the good-night test."""
    RECORDS_LOST = "records-lost"
    """The store took nothing for so long that records were evaluated but not kept."""
    BACKUP_FAILED = "backup-failed"
    ARCHIVED = "archived"
    """Records and journal were moved out of the store into an archive."""
    HOOK_FAILED = "hook-failed"
    """The second way out could not be taken."""
    PUSH_FAILED = "push-failed"
    """A push service could not be reached."""


class AlarmState(Struct, frozen=True, kw_only=True):
    """Carried state of one alarm. Times are watch time (`elapsed_us`) except `since_at_us`."""

    kind: str = ""
    """`AlarmKind` by which it was judged last; empty: it was not yet."""
    abnormal: bool = False
    """The condition's own judgement, delays included; goes on under shelving."""
    pending_us: int | None = None
    """Since when the running on-delay (or off-delay) has seen nothing but its condition."""
    seen_us: int | None = None
    """The last time that the running delay saw its condition: after a gap it starts anew. None: no delay runs.

    Without a delay it would move with each record, and a new state for that took a fifth of a live step.
    """
    base: State = State.NORMAL
    """One of the first six states: what is (or was) under shelving, suppression, out of service."""
    occurrence: int = 0
    since_at_us: int = 0
    """UTC of the last change of the state shown."""
    reminders: int = 0
    timer_us: int | None = None
    """When the next reminder (unacknowledged) or re-alarm (acknowledged) is due."""
    shelved_until_us: int | None = None
    suppressed_until_us: int | None = None
    out_of_service: bool = False
    value: float | None = None
    """pH or C that last annunciated."""
    u: float | None = None
    newest: float | None = None
    """pH or C that was judged last, whatever was made of it; None: there was none."""
    newest_u: float | None = None
    abnormal_at_us: int = 0
    """UTC since when the condition has been what `abnormal` says, without the delay; 0: not known."""
    held: bool = False
    """Quiet hours hold this occurrence: nobody has been told of it."""
    told: Notification | None = None
    """What a person was told of it last."""
    raised: bool = False
    """This occurrence has the next priority above the configured one."""

    @property
    def speaks(self) -> bool:
        """Tell whether the condition is abnormal, or its newest value was and the on-delay runs."""
        return self.abnormal or self.pending_us is not None

    @property
    def shown(self) -> State:
        """Return the state a person sees: out of service > suppressed > shelved > base."""
        if self.out_of_service:
            return State.OUT_OF_SERVICE
        if self.suppressed_until_us is not None:
            return State.SUPPRESSED
        return State.SHELVED if self.shelved_until_us is not None else self.base


class Entry(Struct, frozen=True, kw_only=True):
    """One row of the append-only journal."""

    seq: int
    """Record number at which it happened (0: outside any record)."""
    at_us: int
    vat: str
    cause: Cause
    alarm: str = ""
    occurrence: int | None = None
    before: State | None = None
    after: State | None = None
    annunciates: bool = False
    """A person must be told now, and was not told of this occurrence before."""
    held: bool = False
    """A person would have to be told, but for the quiet hours."""
    priority: str = ""
    value: float | None = None
    u: float | None = None
    setpoint: float | None = None
    probability: float | None = None
    """Of a pH alarm: that pH is beyond the setpoint, by value and u; of a claim: that the limit is kept."""
    reminder: int = 0
    by: str = ""
    text: str = ""
    """One sentence for a person."""
    since_at_us: int | None = None
    """UTC since when the condition of the alarm is what it is, its delay included."""
    told: Notification | None = None
    """What a telephone shows of it, and what was known then; None: nothing."""


class Event(Struct, frozen=True, kw_only=True):
    """One row of the outbox: a message that must reach the broker, in order, at least once."""

    id: str
    """Stable over restarts and replays; receivers drop repeats by it."""
    at_us: int
    vat: str
    payload: str
    """JSON text."""
