"""The words that the rooms share: indications, columns, calibrations, commands, alarms.

Law: frozen data. Times are integers: `at_us` is UTC in microseconds since 1970, `elapsed_us` is the watch time, a
steady clock that never runs back; over a restart it goes on by the wall clock's difference. A value that is not known
is NaN in a column, None in a scalar; never a number that looks like one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from enum import IntEnum, IntFlag, StrEnum
from typing import Self

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Reason(IntEnum):
    """Why a tick brought no indication."""

    NONE = 0
    PORT_ABSENT = 1
    TIMEOUT = 2
    GARBLED = 3
    INSTRUMENT_ERROR = 4
    OVERRANGE = 5
    NOT_A_NUMBER = 6
    WRONG_INSTRUMENT = 7

    @property
    def words(self) -> str:
        """Say it for a person."""
        return _REASON_WORDS[self]


_REASON_WORDS = {
    Reason.NONE: "reading present",
    Reason.PORT_ABSENT: "the port is absent or cannot be opened",
    Reason.TIMEOUT: "no reply in time",
    Reason.GARBLED: "the reply could not be read",
    Reason.INSTRUMENT_ERROR: "the instrument reports an error",
    Reason.OVERRANGE: "the instrument reports overrange",
    Reason.NOT_A_NUMBER: "the instrument has no value",
    Reason.WRONG_INSTRUMENT: "another instrument answers than the one configured",
}


class Quality(IntEnum):
    """Quality of a record (IOOS QARTOD primary flags)."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


class Tests(IntFlag):
    """Which tests spoke against a record (GAP alone does not lower its quality)."""

    NONE = 0
    GROSS_RANGE = 1
    JUMP = 2
    RATE_OF_CHANGE = 4
    FLAT_LINE = 8
    GAP = 16
    TEMPERATURE = 32
    UNCALIBRATED = 64
    """No calibration in force: millivolts are kept, no pH is claimed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Indication:
    """What one tick brought from one probe: potential (mV) and temperature (C), or the reason why not."""

    probe: str
    at_us: int
    elapsed_us: int
    potential_mv: float | None = None
    temperature_c: float | None = None
    reason: Reason = Reason.NONE


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Base of the column blocks: arrays of one length."""

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(getattr(self, fields(self)[0].name))

    def __getitem__(self, rows: slice) -> Self:
        """Return some of the rows, without copying."""
        return type(self)(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    def then(self, other: Self) -> Self:
        """Return the rows of self followed by those of other."""
        return self.concatenate([self, other])

    @classmethod
    def concatenate(cls, parts: Sequence[Self]) -> Self:
        """Return the rows of all parts, one part after another."""
        return cls(**{f.name: np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(cls)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Block(Columns):
    """Indications of one probe as columns, in record order. `seq` rises by one; `elapsed_us` never falls."""

    seq: Ints
    at_us: Ints
    elapsed_us: Ints
    potential_mv: Floats
    temperature_c: Floats
    reason: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurements(Columns):
    """Records of one probe: the indication as it came, and beside it what was made of it."""

    seq: Ints
    at_us: Ints
    elapsed_us: Ints
    potential_mv: Floats
    temperature_c: Floats
    reason: Ints
    ph: Floats
    """pH, NaN where none is claimed."""
    u: Floats
    """Standard uncertainty of `ph` (k = 1)."""
    quality: Ints
    """`Quality`, judged at once; the spike test speaks one record later."""
    tests: Ints
    """`Tests` that spoke."""
    previous_spike: Ints
    """`Quality` that the spike test gives the record before this one (it needs a neighbour on both sides)."""
    calibration: Ints
    """Id of the calibration applied; 0: none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPoint:
    """A buffer's pH at its temperature (C), and the potential (mV) read in it."""

    buffer_ph: float
    potential_mv: float
    temperature_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """An electrode's line E = offset + slope * k(T) * (7 - pH), k the Nernst slope, and its covariance."""

    id: int
    probe: str
    at_us: int
    offset_mv: float
    """Potential at the isopotential pH 7."""
    slope: float
    """Fraction of the Nernst slope (1.0 is 100 %)."""
    var_offset: float
    var_slope: float
    cov: float
    low_ph: float
    """Lowest buffer: below it the line is extrapolated."""
    high_ph: float
    points: tuple[CalibrationPoint, ...]
    by: str = ""
    residual_mv: float = 0.0
    """Largest distance of a point from the line."""


class CommandKind(StrEnum):
    """What may be asked of the watch through the inbox."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    RESET = "reset"
    OUT_OF_SERVICE = "out-of-service"
    RETURN_TO_SERVICE = "return-to-service"
    MARK = "mark"
    """`note` names the mark: probe-out or probe-in."""
    CALIBRATE = "calibrate"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One row of the inbox. Applied before record `seq` of its vat's probe (0: not consumed yet)."""

    id: int
    at_us: int
    kind: CommandKind
    vat: str
    """Empty for a command that concerns a probe (calibrate)."""
    probe: str = ""
    alarm: str = ""
    occurrence: int | None = None
    duration_s: float | None = None
    calibration: Calibration | None = None
    by: str = ""
    note: str = ""
    seq: int = 0


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
    NOTED = "noted"
    RUN_STARTED = "run-started"
    CLOCK_STEPPED = "clock-stepped"
    STORE_UNWRITABLE = "store-unwritable"
    STORE_RECOVERED = "store-recovered"
    DISK_LOW = "disk-low"
    BACKUP_FAILED = "backup-failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmState:
    """Carried state of one alarm. Times are watch time (`elapsed_us`) except `since_at_us`."""

    abnormal: bool = False
    """The condition's own judgement, delays included; goes on under shelving."""
    pending_us: int | None = None
    """Since when the running on-delay (or off-delay) has seen nothing but its condition."""
    seen_us: int | None = None
    """The last time that data spoke for or against the condition."""
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

    @property
    def shown(self) -> State:
        """Return the state a person sees: out of service > suppressed > shelved > base."""
        if self.out_of_service:
            return State.OUT_OF_SERVICE
        if self.suppressed_until_us is not None:
            return State.SUPPRESSED
        return State.SHELVED if self.shelved_until_us is not None else self.base


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
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
    """A new occurrence: a person must be told."""
    priority: str = ""
    value: float | None = None
    u: float | None = None
    setpoint: float | None = None
    reminder: int = 0
    by: str = ""
    text: str = ""
    """One sentence for a person."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of a command: the record it was applied before, and the words for who asked."""

    command: int
    seq: int
    applied: bool
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Carry:
    """What a watch must remember beside its log to go on as if never stopped; stored in each cycle's transaction."""

    probe: str
    alarms: Mapping[str, AlarmState] = field(default_factory=dict)
    calibration: Calibration | None = None
    believed_at_us: int | None = None
    """UTC of the newest believed reading."""
    fresh_us: int = 0
    """Records before this watch time stay out of the windows (a mark or a calibration came between)."""
    recent: int = 0
    """How many of the newest records the windows need."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchState:
    """Carry, and the newest records of the probe (as many as the longest window needs), which the log holds."""

    carry: Carry
    recent: Measurements


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one step made of a block: everything here is committed in one transaction."""

    vat: str
    probe: str
    measurements: Measurements
    entries: tuple[Entry, ...]
    answers: tuple[Answer, ...]
    carry: Carry


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One row of the outbox: a message that must reach the broker, in order, at least once."""

    id: str
    """Stable over restarts and replays; receivers drop repeats by it."""
    at_us: int
    vat: str
    payload: str
    """JSON text."""
