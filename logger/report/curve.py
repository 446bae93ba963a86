"""Declare what a picture of a span of a vat's log shows: terminal, page and print draw from this one series.

Law: frozen; nothing here depends on how it is drawn. `reduction.py` makes it of records, `night.py` of a store.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """A reading: UTC (microseconds), pH or Celsius, and twice its standard uncertainty (0: none is known here)."""

    at_us: int
    value: float
    expanded_u: float = 0.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """UTC (microseconds) from `since_us` to `until_us`, and what was the matter then."""

    since_us: int
    until_us: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class Setpoint:
    """A limit to be drawn across a picture."""

    name: str
    value: float


@dataclass(frozen=True, slots=True)
class AlarmMark:
    """A moment at which an alarm came, was held by quiet hours, or returned; `what` is the cause in the journal."""

    at_us: int
    alarm: str
    what: str


class MomentKind(StrEnum):
    """What happened at a moment that a picture numbers."""

    CLAIM = "claim"
    WITHDRAWN = "claim withdrawn"
    CALIBRATION = "calibration"
    CHECK = "check"
    MARK = "mark"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveMoment:
    """Something that people did or that was claimed, at a UTC time (microseconds)."""

    at_us: int
    kind: MomentKind
    what: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveForecast:
    """What was forecast at a moment: when pH comes to a limit, between which times; None: not known."""

    made_us: int
    ph: float
    low_us: int | None
    middle_us: int | None
    high_us: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveLine:
    """What is drawn of one quantity: points in pieces that belong together, and the limits on it."""

    pieces: tuple[tuple[CurvePoint, ...], ...] = ()
    setpoints: tuple[Setpoint, ...] = ()

    @property
    def points(self) -> Iterator[CurvePoint]:
        """Yield the points of all pieces."""
        return (point for piece in self.pieces for point in piece)


@dataclass(frozen=True, slots=True, kw_only=True)
class BeliefCounts:
    """How much of a span is known, in records."""

    records: int = 0
    believed: int = 0
    against: tuple[tuple[str, int], ...] = ()
    """What spoke against the others, most often first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFrame:
    """What a curve is of, and what is drawn in it beside readings."""

    vat: str
    name: str
    probe: str
    simulated: bool
    since_us: int
    until_us: int
    max_gap_s: float
    ph_setpoints: tuple[Setpoint, ...] = ()
    temperature_setpoints: tuple[Setpoint, ...] = ()
    alarms: tuple[AlarmMark, ...] = ()
    moments: tuple[CurveMoment, ...] = ()
    """Oldest first; pictures number them in this order."""
    checks: tuple[CurvePoint, ...] = ()
    """What other instruments read in the vat."""
    forecasts: tuple[CurveForecast, ...] = ()
    deadline_us: int | None = None
    elsewhere: tuple[str, ...] = ()
    """Where that is which was stored of this span and is not in the store that was read."""

    @property
    def letters(self) -> Mapping[str, str]:
        """Return the letter of each alarm, in the order in which they came first."""
        return dict(zip(dict.fromkeys(mark.alarm for mark in self.alarms), _LETTERS, strict=False))


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A span of the log of one probe at a vat."""

    frame: CurveFrame
    ph: CurveLine = field(default_factory=CurveLine)
    temperature: CurveLine = field(default_factory=CurveLine)
    counts: BeliefCounts = field(default_factory=BeliefCounts)
    newest: CurvePoint | None = None
    """The newest believed reading."""
    lowest: CurvePoint | None = None
    """Of the believed ten-minute medians, at the record that closed it."""
    highest: CurvePoint | None = None
    not_believed: tuple[Stretch, ...] = ()
    gaps: tuple[Stretch, ...] = ()
    """Times without a reading longer than the probe's `max_gap_s`, at the ends of the span too."""
