"""The state of a watch, in parts, and the outcome of one step."""

from collections.abc import Mapping
from typing import Self

from logger.model.alarms import AlarmState, Entry
from logger.model.belief import BeliefSince
from logger.model.care import CareState
from logger.model.claims import TargetProgress
from logger.model.estimate import Estimate
from logger.model.forecast import ForecastState
from logger.model.notification import DayCounters
from logger.model.recent_rows import RecentRows
from logger.model.records import Measurements
from logger.model.requests import Answer, Calibration, Check
from logger.model.thermometer import ThermometerState
from logger.model.trust import TrustState
from logger.structs import Struct, field


class Trend(Struct, frozen=True, kw_only=True):
    """What an alarm on several windows looks back on, or on a limit from above; see `measure/trend.py`."""

    medians: tuple[tuple[int, float], ...] = ()
    """The newest believed ones: when the window began (watch time) and its pH."""
    lowest: float | None = None
    """The lowest level since the calibration or the start of the batch."""
    armed: bool = False
    """pH has been down to where a rise, or a limit from above (`measure/arming.py`), counts."""
    before: float | None = None
    """The level before the vat was topped up, until the step is known that this made."""
    top: float | None = None
    """The level that a fall is counted from; see `measure/batch.py`."""
    hours: float = 0.0
    """Biological hours since the start of the batch."""
    counted_us: int | None = None
    """Watch time up to which they are counted."""
    temperature_c: float | None = None
    """The newest median temperature that was believed."""


class Rehearsal(Struct, frozen=True, kw_only=True):
    """What is known of the newest good-night test."""

    until_us: int | None = None
    """Watch time until which it must be acknowledged; None: none runs."""
    began_us: int = 0
    """Watch time of its begin."""
    accepted: bool = False
    """The broker has its event."""
    failed: str = ""
    """Why the last one was in vain; empty: it was not."""


class BatchState(Struct, frozen=True, kw_only=True):
    """The batch in the vat: its start, and how far its target has been shown."""

    started_us: int | None = None
    """Watch time at which the batch was started; None: nobody said."""
    started_at_us: int | None = None
    """UTC of it."""
    id: str = ""
    """Identity of its record (`model/batch.py`); empty: none is under way, or it began before records were kept."""
    ended_at_us: int | None = None
    """UTC at which the batch before ended; None: one is under way, or nobody said."""
    progress: TargetProgress = field(default_factory=TargetProgress)


class ElectrodeState(Struct, frozen=True, kw_only=True):
    """The probe's calibration, its checks, and the belief in the newest record."""

    calibration: Calibration | None = None
    estimate: Estimate | None = None
    """What calibration and checks tell of the probe's error; None: no calibration, or not estimated yet."""
    check: Check | None = None
    """The newest in a buffer since the calibration."""
    spot: Check | None = None
    """The newest spot measurement since the calibration."""
    calibrated_us: int | None = None
    """Watch time at which the calibration was made; None: not known. See `measure/age.py`."""
    checked_us: int | None = None
    """The same of `check`."""
    spotted_us: int | None = None
    """The same of `spot`."""
    thermometer: ThermometerState = field(default_factory=ThermometerState)
    unwatched_at_us: tuple[int, int] | None = None
    """From when to when (UTC) nobody watched, until somebody has looked at the probe; see `watch/unwatched.py`."""
    found_ph: float | None = None
    """How far off the calibration before was found, when it was replaced right before the next record."""
    belief: BeliefSince | None = None
    """Belief in the newest record; None: there was none."""


class SuppressionState(Struct, frozen=True, kw_only=True):
    """What was said of work on the probe and on the vat, as far as it still holds."""

    attended_until_us: int | None = None
    """Watch time until which somebody works on the probe; None: nobody does."""
    out_until_us: int | None = None
    """Watch time until which the probe was said to be out of the vat; None: it was not."""
    not_back_us: int | None = None
    """Watch time since when nobody has said that the probe is back, though the work on it is over; None: it is back."""
    unsettled_us: tuple[int, int] | None = None
    """From when to when (watch time) the vat was last unsettled by stirring or topping up."""

    @property
    def is_away(self) -> bool:
        """Tell whether the probe may be elsewhere than in its vat: in somebody's hands, out, or not said to be back."""
        return any(us is not None for us in (self.attended_until_us, self.out_until_us, self.not_back_us))


class ReportedState(Struct, frozen=True, kw_only=True):
    """What people are told outside of alarms: the newest believed reading, the morning summary, the good-night test."""

    record_at_us: int | None = None
    """UTC of the newest record."""
    record_us: int | None = None
    """Watch time of it."""
    guessed_us: int | None = None
    """Watch time at which the newest gap of unknown length ended, until the clock is set (`watch/unknown_gap.py`)."""
    believed_at_us: int | None = None
    """UTC of the newest believed reading."""
    believed_us: int | None = None
    """Watch time of it: its age is counted by the steady clock."""
    believed_ph: float | None = None
    believed_u: float | None = None
    day: DayCounters | None = None
    """What the next morning summary will tell; None: none is wanted."""
    digest_at_us: int | None = None
    """UTC at which the last summary was due."""
    rehearsal: Rehearsal = field(default_factory=Rehearsal)
    """Of the system only."""


class WindowState(Struct, frozen=True, kw_only=True):
    """What the windows of the signals look back on."""

    course: tuple[tuple[int, float], ...] = ()
    """The newest believed medians, as `measure/course.py` looks back on them."""
    fresh_us: int = 0
    """Records before this watch time stay out of the windows (a mark or a calibration came between)."""
    trends: Mapping[str, Trend] = field(default_factory=dict)
    """By alarm."""
    recent: int = 0
    """How many of the newest records the windows need."""


class Carry(Struct, frozen=True, kw_only=True):
    """What a watch must remember beside its log to go on as if never stopped; stored in each cycle's transaction.

    Each part is a row of the store with a version of its own: who changes the fields of a part, or of what it holds,
    raises its version in `store/parts.py` and says there how an older row becomes a newer one.
    """

    probe: str
    alarms: Mapping[str, AlarmState] = field(default_factory=dict)
    batch: BatchState = field(default_factory=BatchState)
    electrode: ElectrodeState = field(default_factory=ElectrodeState)
    suppression: SuppressionState = field(default_factory=SuppressionState)
    reported: ReportedState = field(default_factory=ReportedState)
    windows: WindowState = field(default_factory=WindowState)
    trust: TrustState = field(default_factory=TrustState)
    forecast: ForecastState = field(default_factory=ForecastState)
    care: CareState = field(default_factory=CareState)


class WatchState(Struct, frozen=True, kw_only=True, eq=False):
    """Carry, and the newest records of the probe (as many as the longest window needs), which the log holds."""

    carry: Carry
    rows: RecentRows

    @classmethod
    def of(cls, carry: Carry, recent: Measurements) -> Self:
        """Return a state with these newest records."""
        return cls(carry=carry, rows=RecentRows.of(recent))

    @property
    def recent(self) -> Measurements:
        """Return the newest records, all their columns."""
        return self.rows.since(0)


class Outcome(Struct, frozen=True, kw_only=True):
    """What one step made of a block: everything here is committed in one transaction."""

    vat: str
    probe: str
    measurements: Measurements
    entries: tuple[Entry, ...]
    answers: tuple[Answer, ...]
    carry: Carry
