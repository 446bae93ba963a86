"""The forecast of a batch: when its pH comes to the target, and what past forecasts were worth."""

from enum import StrEnum

from logger.structs import Struct


class Foresight(StrEnum):
    """What can be said of when a batch comes to its target."""

    TOLD = "told"
    """An interval."""
    TOO_EARLY = "too-early"
    """Only that it is not before a time."""
    TOO_WIDE = "too-wide"
    """The same, though pH has fallen: the interval is longer than two days, or has no end."""
    SILENT = "silent"
    """Nothing: the newest windows are not believed, or pH rises."""


class BatchOutlook(Struct, frozen=True, kw_only=True):
    """What was forecast at the newest window. Times are UTC."""

    foresight: Foresight
    at_us: int
    """Of the record that closed the window."""
    low_us: int | None = None
    """Not before this: with 95 %."""
    middle_us: int | None = None
    """As likely before as after it."""
    high_us: int | None = None
    """Not after this: with 95 %."""
    missed: float | None = None
    """Probability that the deadline is missed; None: there is none, or nothing is known of it."""
    is_at_least: bool = False
    """`missed` is at least so much: pH has not begun to fall."""


class ForecastMade(Struct, frozen=True, kw_only=True):
    """A forecast kept until its batch has ended, to learn from: made when a part of the way was gone."""

    elapsed_us: int
    """Watch time."""
    hours: tuple[float, float, float]
    """From then to the low end, the middle and the high end."""


class BatchEnded(Struct, frozen=True, kw_only=True):
    """What the forecasts of one batch were worth."""

    ratios: tuple[float, ...]
    """How long it took over the middle of what was forecast."""
    held: int
    """So many of the intervals held."""


class ForecastState(Struct, frozen=True, kw_only=True):
    """What a forecast is made from; see `measure/forecast.py`. Hours are biological ones, as in `measure/batch.py`."""

    started_us: int | None = None
    """`BatchState.started_us` of the batch that this is of."""
    limit_ph: float | None = None
    """The target that this is of."""
    medians: tuple[tuple[int, float, float], ...] = ()
    """The newest believed windows: watch time of the begin, biological hours at the end, pH."""
    top: float | None = None
    """The highest level since the start, until pH has begun to fall."""
    has_begun: bool = False
    """It has: a fall that is lost again is no vat's before its start."""
    falls: tuple[tuple[int, float], ...] = ()
    """The steepest fall (pH an hour) of each hour of watch time."""
    hours: float = 0.0
    """Since the first window."""
    counted_us: int | None = None
    """Watch time up to which they are counted."""
    temperature_c: float | None = None
    """The newest median temperature that was believed."""
    paces: tuple[tuple[int, float], ...] = ()
    """How many biological hours an hour was worth, by the hour of watch time, over the last day."""
    has_reached: bool = False
    """The level has been down to the target in this batch."""
    made: tuple[ForecastMade | None, ...] = ()
    """By the parts of the way at which forecasts are kept."""
    ended: tuple[BatchEnded, ...] = ()
    """The newest batches that ended."""
    outlook: BatchOutlook | None = None
    """None: no batch with a target is under way."""
