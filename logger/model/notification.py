"""Notification of an alarm, and the facts that were known when it was sent."""

from collections.abc import Mapping

from logger.structs import Struct, field


class VatFacts(Struct, frozen=True, kw_only=True):
    """What was known of a vat at a record: on these it depends whether an alarm can wait until morning."""

    believed: bool
    """The newest reading is believed."""
    belief: str
    """Why, or why not."""
    suspect: bool = False
    """Not believed, and not disbelieved either: it may raise an alarm."""
    ph: float | None = None
    """The newest believed reading, with its standard uncertainty and its UTC (microseconds)."""
    u: float | None = None
    ph_at_us: int | None = None
    deadline_at_us: int | None = None
    """UTC by which the target of the batch is due, while that is still to come."""
    temperature_c: float | None = None
    """The newest temperature; None: it cannot be used."""
    rate_ph_per_h: float | None = None
    """How fast the pH changes, negative while it falls; None: it cannot be told."""
    u_rate_ph_per_h: float | None = None
    """Standard uncertainty of that."""
    rate_over_h: float | None = None
    """The time that it was seen over."""


class DayCounters(Struct, frozen=True, kw_only=True):
    """What has happened at a vat since its last summary, as it is carried."""

    since_at_us: int
    records: int = 0
    believed: int = 0
    lowest: tuple[float, int] | None = None
    """Lowest believed ten-minute median, and the UTC of the record that closed it."""
    highest: tuple[float, int] | None = None
    annunciated: Mapping[str, int] = field(default_factory=dict)
    """By alarm, how often."""
    held: Mapping[str, int] = field(default_factory=dict)
    returned: Mapping[str, int] = field(default_factory=dict)
    arrived_us: int | None = None
    """Watch time of the newest record with a reading."""
    gaps: int = 0
    """Times longer than the probe's `max_gap_s` without a reading that are over."""
    gap_us: int = 0
    marks: Mapping[str, int] = field(default_factory=dict)
    """By what a person said that was done, how often."""


class Digest(Struct, frozen=True, kw_only=True):
    """The summary of a day, as in `DayCounters`, with what stands and what needs doing."""

    since_at_us: int
    ph: float | None
    u: float | None
    ph_at_us: int | None
    lowest: tuple[float, int] | None
    highest: tuple[float, int] | None
    annunciated: Mapping[str, int]
    held: Mapping[str, int]
    returned: Mapping[str, int]
    standing: tuple[str, ...]
    records: int
    believed: int
    gaps: int
    gap_s: float
    marks: Mapping[str, int]
    todo: tuple[str, ...]


class Notification(Struct, frozen=True, kw_only=True):
    """The words for a telephone, three lines at most, and the facts behind them."""

    lines: tuple[str, ...]
    facts: VatFacts | None = None
    digest: Digest | None = None
    """What a morning summary tells."""
