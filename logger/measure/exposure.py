"""Count how long a quantity was above, below and within its limits, and by how much: degree-hours, hours in a band.

Law: pure. Between two believed readings that are no further apart than the longest gap, in watch time, the course is a
straight line; every figure is exact for that course. All other time is unknown, and is counted as such: it is neither
within nor without. Known and unknown time together are the watch time from the first to the last record, so a step of
the wall clock changes nothing. A value at a limit is within. Sums are integers, so they are the same however the
records come in pieces.

Degree-hours are the area of the course above a limit, as the trade counts them for the time until a pH is reached:
hours times degrees above 15.6 C (60 F).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from logger.model import Floats, Ints
from logger.structs import Struct, replace
from logger.units import HOUR_US

Bools = NDArray[np.bool_]

_THOUSANDTHS = 1000


class Band(Struct, frozen=True):
    """Between which limits a quantity should be; None: there is none."""

    low: float | None = None
    high: float | None = None


class Exposure(Struct, frozen=True, kw_only=True):
    """What was counted of one quantity and band up to a record. Microseconds of watch time."""

    known_us: int = 0
    unknown_us: int = 0
    above_us: int = 0
    below_us: int = 0
    above_area: int = 0
    """Area above the upper limit: thousandths of the unit times microseconds."""
    below_area: int = 0
    newest_us: int | None = None
    """Watch time of the newest record."""
    reading: tuple[int, float] | None = None
    """Watch time and value of the newest believed reading."""

    @property
    def within_us(self) -> int:
        """Return the known time within the band."""
        return self.known_us - self.above_us - self.below_us

    @property
    def above_unit_hours(self) -> float:
        """Return the area above the upper limit in the unit times hours: degree-hours for a temperature."""
        return self.above_area / _THOUSANDTHS / HOUR_US

    @property
    def below_unit_hours(self) -> float:
        """Return the area below the lower limit in the unit times hours."""
        return self.below_area / _THOUSANDTHS / HOUR_US


def count(
    before: Exposure, band: Band, elapsed_us: Ints, value: Floats, believed: Bools, *, max_gap_us: int
) -> Exposure:
    """Return what was counted up to the last of some records, which follow those counted before."""
    if not len(elapsed_us):
        return before
    good = believed & ~np.isnan(value)
    ends, values = elapsed_us[good], value[good]
    if before.reading is not None:
        ends, values = np.insert(ends, 0, before.reading[0]), np.insert(values, 0, before.reading[1])
    length = np.diff(ends)
    is_known = (length > 0) & (length <= max_gap_us)
    first, last, length = values[:-1][is_known], values[1:][is_known], length[is_known]
    known = before.known_us + int(length.sum())
    above, above_area = _beyond(first, last, length, band.high)
    below, below_area = _beyond(-first, -last, length, None if band.low is None else -band.low)
    begin_us = before.known_us + before.unknown_us
    watched_us = begin_us + _watched(before.newest_us, elapsed_us)
    return replace(
        before,
        known_us=known,
        unknown_us=watched_us - known,
        above_us=before.above_us + above,
        below_us=before.below_us + below,
        above_area=before.above_area + above_area,
        below_area=before.below_area + below_area,
        newest_us=int(elapsed_us[-1]),
        reading=(int(ends[-1]), float(values[-1])) if len(ends) else None,
    )


def _watched(newest_us: int | None, elapsed_us: Ints) -> int:
    """Return the watch time that these records add."""
    return int(elapsed_us[-1]) - (int(elapsed_us[0]) if newest_us is None else newest_us)


def _beyond(first: Floats, last: Floats, length: Ints, limit: float | None) -> tuple[int, int]:
    """Return how long straight lines are above a limit, and their area above it."""
    if limit is None:
        return 0, 0
    low, high = np.minimum(first, last) - limit, np.maximum(first, last) - limit
    crosses = (low < 0) & (high > 0)
    part = np.where(crosses, high / np.where(crosses, high - low, 1.0), (high > 0).astype(np.float64))
    height = np.where(crosses, high, low + high) / 2
    time = np.rint(part * length).astype(np.int64)
    area = np.rint(part * length * height * _THOUSANDTHS).astype(np.int64)
    return int(time.sum()), int(area.sum())


def total(exposures: Sequence[Exposure]) -> Exposure:
    """Return the sums over parts of a batch that were counted apart, as from two stores."""
    names = ("known_us", "unknown_us", "above_us", "below_us", "above_area", "below_area")
    return Exposure(**{name: sum(getattr(one, name) for one in exposures) for name in names})
