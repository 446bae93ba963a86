"""Define a vat, its target, and the people who are notified. Law: as in `logger/config`."""

from typing import Annotated

from annotated_types import Ge, Le, Len, Predicate

from logger.config.alarms import AlarmConfig
from logger.config.bounds import Duration, is_one_line
from logger.config.kind_row import Priority
from logger.structs import Struct, field


class QuietConfig(Struct, frozen=True, kw_only=True):
    """Hours in which only some priorities reach people; minutes of the local day, the end may lie on the next day."""

    begin_min: int
    """Local time at which the quiet hours begin, such as "22:00"."""
    end_min: int
    """Local time at which they end, such as "07:00"; it may lie on the next day."""
    wakes: tuple[Priority, ...] = (Priority.HIGH,)
    """Priorities that annunciate in the quiet hours too; high is always among them."""
    zone: str = ""
    """Time zone of `from` and `to`, a name of the IANA time zone database: where people sleep."""


class PeopleConfig(Struct, frozen=True, kw_only=True):
    """How people are notified."""

    zone: str = "UTC"
    """Time zone of the local time in what people read, a name of the IANA time zone database."""
    quiet: QuietConfig | None = None
    digest_min: int | None = None
    """Local time at which the morning summary is made, such as "07:00"."""


class TargetConfig(Struct, frozen=True, kw_only=True):
    """What a vat is to reach, and what must hold before that is claimed; all but `ph` (regulation) without a source."""

    ph: Annotated[float, Ge(0), Le(14)] = 4.6
    """The vat is to come down to this pH."""
    probability: Annotated[float, Ge(0.5), Le(0.9999)] = 0.95
    """A claim says with at least this probability that the pH is at or below `ph`, one-sided (JCGM 106:2012). Beyond
    0.9999 the normal distribution says more than is known of the uncertainty.
    """
    window_s: Annotated[float, Ge(1), Le(86400)] = 600.0
    """Length of the windows whose medians are judged."""
    windows: Annotated[int, Ge(1), Le(1000)] = 3
    """So many windows in a row must lie 0.05 below `ph`, all of them believed; 3 windows of 600 s are half an hour."""


class VatConfig(Struct, frozen=True, kw_only=True):
    """One vat: its probe and what is an alarm there."""

    id: str
    name: Annotated[str, Len(1, 100), Predicate(is_one_line)]
    """What people call the vat: in alarms, in reports and at the hub."""
    probe: str
    """Id of the vat's probe."""
    reference: str = ""
    """Id of a second probe in the same vat, with which the first is compared; not written: there is none."""
    reference_of: str = ""
    """Id of the vat whose second probe this watches; empty: the probe is its vat's first."""
    alarms: tuple[AlarmConfig, ...] = ()
    target: TargetConfig | None = None
    """None: it has none (vinegar is titrated)."""
    max_shelve_s: Duration = 28800.0
    """The longest time for which an alarm of this vat may be shelved, and for how long when no time is given."""
    probe_out_s: Duration = 1200.0
    """How long a `probe-out` mark suspends process alarms unless it says otherwise."""
    people: PeopleConfig = field(default_factory=PeopleConfig)
    unsettled_s: Duration = 7200.0
    """For how long `rate-of-change` is suspended and `rise` and `early-rise` are paused after the vat was stirred or
    topped up, unless the mark says otherwise. Common practice, no source.
    """
