"""A vat, its target, and the people who are told. Law: as in `logger/config`."""

from dataclasses import dataclass, field

from logger.config.alarms import AlarmConfig
from logger.config.kind_row import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class QuietConfig:
    """Hours in which only some priorities reach people; minutes of the local day, the end may lie on the next day."""

    begin_min: int
    end_min: int
    wakes: tuple[Priority, ...] = (Priority.HIGH,)
    """Priorities that annunciate in them too; high is always among them."""
    zone: str = ""
    """Where people sleep, as in `PeopleConfig.zone`; empty: there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PeopleConfig:
    """How people are told."""

    zone: str = "UTC"
    """Local time in what people read, a name of the IANA time zone database."""
    quiet: QuietConfig | None = None
    digest_min: int | None = None
    """Minute of the local day at which the morning summary is made; None: never."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetConfig:
    """What a vat is to reach, and what must be so before that is claimed; each [CP] but `ph` (regulation)."""

    ph: float = 4.6
    probability: float = 0.95
    """One-sided: at or below `ph` (JCGM 106:2012)."""
    window_s: float = 600.0
    """Length of the windows whose medians are judged."""
    windows: int = 3
    """So many of them in a row, all believed: half an hour."""
    check_within_h: float = 48.0
    """The newest calibration or check must be no older."""
    spot_check: bool = True
    """A passed check beside another instrument is needed: no buffer shows the junction's error in brine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VatConfig:
    """One vat: its probe and what is an alarm there."""

    id: str
    name: str
    probe: str
    reference: str = ""
    """Id of a second probe in the same vat, with which this one is compared; empty: none."""
    reference_of: str = ""
    """Id of the vat whose second probe this watches; empty: the probe is its vat's first."""
    alarms: tuple[AlarmConfig, ...] = ()
    target: TargetConfig | None = None
    """None: it has none (vinegar is titrated)."""
    max_shelve_s: float = 28800.0
    probe_out_s: float = 1200.0
    """How long a `probe-out` mark suspends process alarms unless it says otherwise."""
    people: PeopleConfig = field(default_factory=PeopleConfig)
    unsettled_s: float = 7200.0
    """How long a vat is unsettled by stirring or topping up unless the mark says otherwise. [CP]"""
