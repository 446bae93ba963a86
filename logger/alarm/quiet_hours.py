"""Compute quiet hours and the time of the morning summary in UTC.

Law: pure, a function of UTC and of the rules of the time zone alone, so a replay has the same nights. A local time that
a night of daylight saving has twice is its first, one that it has not is read with the offset before the gap (RFC 5545,
3.3.5, which is `fold=0` of PEP 495). So quiet hours begin and end once a night, whatever the clock on the wall does.

The pipeline cuts blocks where quiet hours begin and end (by the UTC of the records), so they are constant in a stretch.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from logger.config import PeopleConfig, Priority
from logger.structs import Struct
from logger.units import SECOND_US

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_DAY = timedelta(days=1)
_FAR_US = 2**62


class QuietSpan(Struct, frozen=True):
    """UTC (microseconds) from `begin_us` up to but without `end_us`, in which the same priorities annunciate."""

    begin_us: int
    end_us: int
    audible: frozenset[Priority] | None
    """None: every one, no quiet hours are on."""


ALWAYS = QuietSpan(-_FAR_US, _FAR_US, None)


def quiet_span(people: PeopleConfig, at_us: int) -> QuietSpan:
    """Return the quiet hours that are on at a moment, or the time between two of them."""
    quiet = people.quiet
    if quiet is None:
        return ALWAYS
    zone = ZoneInfo(quiet.zone or people.zone)
    today = local(at_us, zone).date()
    over = _DAY if quiet.end_min <= quiet.begin_min else 0 * _DAY
    free_us = -_FAR_US
    for day in (today - 2 * _DAY, today - _DAY, today, today + _DAY):
        end_us = instant(day + over, quiet.end_min, zone)
        if at_us >= end_us:
            free_us = end_us
            continue
        begin_us = instant(day, quiet.begin_min, zone)
        if at_us < begin_us:
            return QuietSpan(free_us, begin_us, None)
        return QuietSpan(begin_us, end_us, frozenset(quiet.wakes))
    raise AssertionError("the quiet hours of tomorrow have not begun today")


def digest_due(people: PeopleConfig, at_us: int) -> tuple[int, int]:
    """Return the times (UTC, microseconds) of the last summary due at a moment and of the next. Raises ValueError."""
    if people.digest_min is None:
        raise ValueError("there is no time of the morning summary")
    zone = ZoneInfo(people.zone)
    today = local(at_us, zone).date()
    due_us = instant(today, people.digest_min, zone)
    if due_us <= at_us:
        return due_us, instant(today + _DAY, people.digest_min, zone)
    return instant(today - _DAY, people.digest_min, zone), due_us


def instant(day: date, minute: int, zone: ZoneInfo) -> int:
    """Return a local minute of a day as UTC microseconds."""
    moment = datetime.combine(day, time(minute // 60, minute % 60), tzinfo=zone)
    return (moment.astimezone(UTC) - _EPOCH) // _MICROSECOND


def local(at_us: int, zone: ZoneInfo) -> datetime:
    """Return UTC microseconds as local time."""
    return datetime.fromtimestamp(at_us // SECOND_US, zone)


def clock_time(at_us: int, people: PeopleConfig, *, now_us: int | None = None) -> str:
    """Say a moment as local time with its zone, `03:05 CET`; with the day if that is long before `now_us`."""
    moment = local(at_us, ZoneInfo(people.zone))
    text = f"{moment:%H:%M} {moment.tzname()}"
    is_old = now_us is not None and now_us - at_us >= _LONG_AGO_H * 3600 * SECOND_US
    return f"{moment.day} {_MONTHS[moment.month - 1]} {text}" if is_old else text


_LONG_AGO_H = 20
_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
