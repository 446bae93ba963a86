"""Hold what `vatvigil status` shows, as data for a page and for scripts; `status.py` gathers it.

Law: frozen; the field names are those of `--json`. None: not known.
"""

from dataclasses import dataclass

from logger.report.counters import Counters
from logger.report.forecast import ForecastStatus
from logger.report.target import TargetStatus
from logger.units import SECOND_US


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusTime:
    """A moment (UTC, microseconds); `known` false: the simulation's clock lives in the daemon only."""

    at_us: int
    known: bool = True

    def age_s(self, at_us: int | None) -> float | None:
        """Return how long ago that was, seconds; None if it is not known."""
        return None if at_us is None else max(0.0, (self.at_us - at_us) / SECOND_US)


@dataclass(frozen=True, slots=True, kw_only=True)
class NewestReading:
    """The newest record of a probe."""

    record: int
    at: str
    age_s: float
    stale: bool
    ph: float | None
    expanded_uncertainty_ph: float | None
    coverage_factor: int
    temperature_c: float | None
    potential_mv: float | None
    quality: str
    tests: list[str]
    believed: bool
    belief: str
    """believed, suspect or not-believed."""
    verdict: str
    """Why, in a sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingAlarm:
    """One alarm as it stands."""

    vat: str
    alarm: str
    kind: str
    priority: str
    state: str
    standing: bool
    acknowledge: bool
    """It waits for a person's acknowledgement."""
    held: bool
    """Quiet hours hold it: nobody was told."""
    occurrence: int
    since: str | None
    age_s: float | None
    value: float | None
    u: float | None
    setpoint: float | None
    text: str
    lines: tuple[str, ...]
    """The newest notification of an alarm that stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """The calibration in force."""

    calibration: int
    made_at: str
    age_s: float
    slope: float
    offset_mv: float
    low_ph: float
    high_ph: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrustStatus:
    """How far a probe is trusted."""

    level: str
    """earned, doubted or lost."""
    since: str | None
    """None: it was never lost."""
    age_s: float | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VatStatus:
    """What is known of one vat."""

    vat: str
    name: str
    probe: str
    newest: NewestReading | None
    believed_at: str | None
    believed_age_s: float | None
    alarms: list[StandingAlarm]
    calibration: InForce | None
    trust: TrustStatus
    health: str
    findings: list[str]
    corrections: list[str]
    """Corrections in force for records of this probe, a sentence each."""
    started: str | None
    """When the batch was started, as far as somebody said so."""
    unwatched: str
    """Why a start cannot be watched; empty: it can, or need not."""
    target: TargetStatus | None
    """None: the vat has no target."""
    forecast: ForecastStatus | None
    """None: no batch with a target is under way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Began:
    """The newest start of the daemon."""

    run: int
    at: str
    age_s: float
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """Everything `vatvigil status` says."""

    at: str
    clock_known: bool
    simulated: bool
    store: str
    store_bytes: int
    run: Began | None
    broker: bool
    """A broker is configured."""
    outbox_waiting: int
    outbox_oldest_age_s: float | None
    commands_waiting: int
    vats: list[VatStatus]
    alarms: Counters
    system: list[StandingAlarm]
    """Alarms of the watch itself that are not normal."""
    attention: list[str]
