"""Define a vat, its target, and the people who are notified. Law: as in `logger/config`."""

from dataclasses import dataclass, field
from typing import Annotated

from annotated_types import Ge, Le, Len, Predicate

from logger.config.alarms import AlarmConfig
from logger.config.bounds import Duration, is_one_line
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
    """How people are notified."""

    zone: str = "UTC"
    """Local time in what people read, a name of the IANA time zone database."""
    quiet: QuietConfig | None = None
    digest_min: int | None = None
    """Minute of the local day at which the morning summary is made; None: never."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetConfig:
    """What a vat is to reach, and what must hold before that is claimed; all but `ph` (regulation) without a source."""

    ph: Annotated[float, Ge(0), Le(14)] = 4.6
    probability: Annotated[float, Ge(0.5), Le(0.9999)] = 0.95
    """One-sided: at or below `ph` (JCGM 106:2012).

    At 0.5 the uncertainty does not count; beyond 0.9999 the normal distribution says more than any budget holds.
    """
    window_s: Annotated[float, Ge(1), Le(86400)] = 600.0
    """Length of the windows whose medians are judged."""
    windows: Annotated[int, Ge(1), Le(1000)] = 3
    """So many of them in a row, all believed: half an hour."""
    check_within_h: Annotated[float, Ge(1), Le(8784)] = 48.0
    """The newest calibration or check must be no older."""
    spot_check: bool = True
    """A passed check beside another instrument is needed: no buffer shows the junction's error in brine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VatConfig:
    """One vat: its probe and what is an alarm there."""

    id: str
    name: Annotated[str, Len(1, 100), Predicate(is_one_line)]
    probe: str
    reference: str = ""
    """Id of a second probe in the same vat, with which this one is compared; empty: none."""
    reference_of: str = ""
    """Id of the vat whose second probe this watches; empty: the probe is its vat's first."""
    alarms: tuple[AlarmConfig, ...] = ()
    target: TargetConfig | None = None
    """None: it has none (vinegar is titrated)."""
    max_shelve_s: Duration = 28800.0
    probe_out_s: Duration = 1200.0
    """How long a `probe-out` mark suspends process alarms unless it says otherwise."""
    people: PeopleConfig = field(default_factory=PeopleConfig)
    unsettled_s: Duration = 7200.0
    """How long a vat is unsettled by stirring or topping up, unless its mark says otherwise.

    Common practice, no source.
    """
