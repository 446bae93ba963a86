"""Choose what the axes of a picture show: the same for a terminal, a page and print.

Law: pure. Times on the axis are whole hours (or minutes, or days) by the clock of the people.
"""

from collections.abc import Iterator
from datetime import timedelta

from logger.report.curve import CurveFrame, CurveLine
from logger.report.local_time import LocalTime
from logger.units import SECOND_US

LEAST_PH, LEAST_C = 0.2, 1.0
"""No axis shows less than this: else noise fills the picture. Common practice, no source."""
_STEPS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440, 2880, 7200, 14400, 43200, 86400)
_DAY_MIN = 1440
_TENS = (1.0, 2.0, 5.0, 10.0)


def ends(line: CurveLine, least: float) -> tuple[float, float]:
    """Return what an axis shows: all points with their band, and limits that do not make them small."""
    found = [point.value + sign * point.expanded_u for point in line.points for sign in (-1, 1)]
    limits = [one.value for one in line.setpoints]
    low, high = (min(found), max(found)) if found else (min(limits, default=0.0), max(limits, default=0.0))
    room = max(high - low, least)
    near = [value for value in limits if low - room / 2 <= value <= high + room / 2]
    low, high = min([low, *near]), max([high, *near])
    lack = max(0.0, least - (high - low)) / 2
    return low - lack, high + lack


def times(frame: CurveFrame, clock: LocalTime, *, most: int) -> Iterator[tuple[int, str]]:
    """Yield moments (UTC, microseconds) to be named on the axis, each with its name; at most some `most`."""
    span_min = (frame.until_us - frame.since_us) / (60 * SECOND_US)
    step = next((step for step in _STEPS_MIN if span_min / step <= max(1, most)), _STEPS_MIN[-1])
    at = clock.moment(frame.since_us).replace(hour=0, minute=0, second=0)
    is_long = span_min > _DAY_MIN
    while (at_us := round(at.timestamp()) * SECOND_US) < frame.until_us:
        if at_us >= frame.since_us:
            is_day = step >= _DAY_MIN or (is_long and not at.hour and not at.minute)
            yield at_us, f"{at:{'%d %b' if is_day else '%H:%M'}}"
        at = at + timedelta(minutes=step)


def values(low: float, high: float, *, most: int) -> list[float]:
    """Return round values within an axis, at most `most`."""
    power = 10.0**-3
    while True:
        for part in _TENS:
            step = power * part
            if (high - low) / step <= most:
                first, last = -int(-low // step), int(high // step)
                return [round(step * place, 6) for place in range(first, last + 1)]
        power *= 10.0
