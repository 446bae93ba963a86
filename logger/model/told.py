"""What a person is told of an alarm, and what was known when it was told."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What was known of a vat at a record: on these it depends whether an alarm can wait until morning."""

    believed: bool
    """The newest reading is believed."""
    belief: str
    """Why, or why not."""
    ph: float | None = None
    """The newest believed reading, with its standard uncertainty and its UTC (microseconds)."""
    u: float | None = None
    ph_at_us: int | None = None
    temperature_c: float | None = None
    """The newest temperature; None: it cannot be used."""
    rate_ph_per_h: float | None = None
    """How fast the pH changes, negative while it falls; None: it cannot be told."""
    u_rate_ph_per_h: float | None = None
    """Standard uncertainty of that."""
    rate_over_h: float | None = None
    """The time that it was seen over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """The words for a telephone, three lines at most, and the facts behind them."""

    lines: tuple[str, ...]
    facts: Facts | None = None
