"""Count how old a calibration or a check is: by the longer of the wall clock's difference and the watch time's.

Law: pure, elementwise. A wall clock that is set back makes nothing fresh, and one that is set forward makes nothing
fresher: what is too old is checked once more, what is too fresh would be believed. What was made after the moment in
question (another clock made it, or a record of the past is judged by it) is as doubtful as what was made long before.

The watch time of what was made is taken from the wall clock once, when it comes into force, for nothing else tells it;
from then on the watch time alone goes on. It is not known where an older vatvigil stored it or where no watch runs:
then the wall clock alone speaks. A restart over which the wall clock ran back is a gap of unknown length and no age
until the clock is set: `watch/unknown_gap.py` moves what is counted from. Replays and imports have the watch time of
their records and so find the same ages.
"""

from typing import TypeVar

import numpy as np

from logger.model import Carry, Check, Estimate, Ints, Value
from logger.structs import Struct
from logger.units import DAY_US

Times = TypeVar("Times", int, Ints)


class Moment(Struct, frozen=True, kw_only=True):
    """When something was made."""

    at_us: int
    """UTC, microseconds."""
    elapsed_us: int | None
    """Watch time; None: not known."""


def age_us(at_us: Times, elapsed_us: Times | None, since: Moment) -> Times:
    """Return how far a time (UTC and watch time, microseconds) is from a moment, by the longer of both."""
    by_wall = abs(at_us - since.at_us)
    if elapsed_us is None or since.elapsed_us is None:
        return by_wall
    by_watch = elapsed_us - since.elapsed_us
    return max(by_wall, by_watch) if isinstance(by_wall, int) else np.maximum(by_wall, by_watch)


def made_us(at_us: int, *, now_at_us: int, now_us: int) -> int:
    """Return the watch time at which something was made that comes into force now; never one to come."""
    return now_us - max(0, now_at_us - at_us)


def is_before(one: Moment, other: Moment) -> bool:
    """Tell whether one thing was made before the other."""
    if one.elapsed_us is None or other.elapsed_us is None:
        return one.at_us < other.at_us
    return one.elapsed_us < other.elapsed_us


def elapsed_at(carry: Carry, at_us: int) -> int | None:
    """Return the watch time at a time (UTC) after the newest record of a watch; None: it has no record."""
    newest = carry.reported
    if newest.record_at_us is None or newest.record_us is None:
        return None
    return newest.record_us + max(0, at_us - newest.record_at_us)


def calibrated(carry: Carry) -> Moment | None:
    """Return when the calibration in force was made."""
    line = carry.electrode.calibration
    return None if line is None else Moment(at_us=line.at_us, elapsed_us=carry.electrode.calibrated_us)


def newest_check(carry: Carry) -> tuple[Check, Moment] | None:
    """Return the newest check since the calibration, in a buffer or beside another instrument, and its moment."""
    made = carry.electrode
    both = ((made.check, made.checked_us), (made.spot, made.spotted_us))
    known = [(check, Moment(at_us=check.at_us, elapsed_us=us)) for check, us in both if check is not None]
    if len(known) > 1 and is_before(known[0][1], known[1][1]):
        return known[1]
    return known[0] if known else None


def drifting_since(carry: Carry) -> Moment | None:
    """Return since when the probe's error grows that is not known: the newest check that spoke of it."""
    return calibrated(carry) if carry.electrode.estimate is None else of_estimate(carry.electrode.estimate)


def of_estimate(known: Estimate) -> Moment:
    """Return the moment that an estimate speaks of."""
    return Moment(at_us=known.at_us, elapsed_us=known.elapsed_us)


def days_since(known: Estimate, at_us: Value, elapsed_us: Value) -> Value:
    """Return how many days after the newest check records were made, by the longer of both clocks."""
    return age_us(at_us, elapsed_us, of_estimate(known)) / DAY_US
