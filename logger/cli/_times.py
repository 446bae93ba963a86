"""Parse times of the command line: `22:00`, `yesterday`, `2026-11-24 18:00`, `2026-11-24T18:00:00Z`.

Law: a time without its offset from UTC is on the clock of [people].zone, as all that the screen shows; a time of day
alone is the newest one, so that `--from 22:00` in the morning means last night. Of a local time that a night of
daylight saving has twice the first is meant; one with its offset says which.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final, TypeVar

import click

from logger.config import Config
from logger.report.local_time import LocalTime

Command = TypeVar("Command", bound=Callable[..., Any])

EXAMPLES = "such as 22:00, yesterday, 2026-11-24 18:00 or 2026-11-24T18:00:00Z"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EARLIEST, _LATEST = 1971, 9000
_DAY = timedelta(days=1)
_CLOCK: Final = re.compile(r"(?:(today|yesterday)(?: +|T|$))?(?:(\d{1,2}):(\d\d)(?::(\d\d))?)?", re.ASCII)

utc_option = click.option("--utc", is_flag=True, help="Times in UTC, not in the zone of [people].")


@dataclass(frozen=True, slots=True)
class TimeOfDay:
    """A time of day; of which day, is known once somebody says what time it is now."""

    days_ago: int | None
    """None: the newest such time."""
    clock: time


Given = datetime | TimeOfDay
"""A time as somebody wrote it: with its offset, local, or on the clock of a day near now."""


@dataclass(frozen=True, slots=True)
class HouseTime:
    """What makes a written time a moment: the zone it is meant in, and what time it is (UTC, microseconds)."""

    clock: LocalTime
    at_us: int

    @classmethod
    def of(cls, config: Config, *, utc: bool = False) -> "HouseTime":
        """Return the time of this configuration."""
        from logger.cli._requests import now_us

        return cls(LocalTime.of(config.people, utc=utc), now_us(config))


def microseconds(moment: datetime) -> int:
    """Return an aware moment as UTC microseconds since 1970."""
    return (moment - _EPOCH) // timedelta(microseconds=1)


def moment_option(*names: str, **settings: Any) -> Callable[[Command], Command]:  # noqa: ANN401 - click's own
    """Return an option that takes a time; `at` and `between` make UTC microseconds of what was given."""
    return click.option(*names, callback=_given, metavar="TIME", **settings)


def _given(_ctx: click.Context, _param: click.Parameter, value: str | None) -> Given | None:
    return None if value is None else given(value)


def given(text: str) -> Given:
    """Return a time as it was written. Raises click.BadParameter."""
    match = _CLOCK.fullmatch(text.strip()) if text.strip() else None
    if match is not None:
        return _time_of_day(match, text)
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise click.BadParameter(f"{text!r} is no time {EXAMPLES}.") from None
    if not _EARLIEST <= moment.year <= _LATEST:
        raise click.BadParameter(f"{text!r}: choose a year from {_EARLIEST} to {_LATEST}.")
    return moment


def _time_of_day(match: re.Match[str], text: str) -> TimeOfDay:
    try:
        hour, minute, second = (int(part or 0) for part in match.group(2, 3, 4))
        clock = time(hour, minute, second)
    except ValueError:
        raise click.BadParameter(f"{text!r} is no time of day {EXAMPLES}.") from None
    return TimeOfDay({None: None, "today": 0, "yesterday": 1}[match[1]], clock)


def at(written: Given, now: HouseTime) -> int:
    """Return a written time as UTC microseconds."""
    if isinstance(written, datetime):
        return _instant(written, now)
    today = now.clock.moment(now.at_us).date()
    if written.days_ago is not None:
        return _on(today - written.days_ago * _DAY, written.clock, now)
    newest_us = _on(today, written.clock, now)
    return newest_us if newest_us <= now.at_us else _on(today - _DAY, written.clock, now)


def between(since: Given | None, until: Given | None, now: HouseTime) -> tuple[int | None, int | None]:
    """Return the ends of a period as UTC microseconds; None: not given.

    A time of day that ends it is the newest one, or the first after its beginning: `--from 22:00 --to 06:00`, also when
    it is 23:00.
    """
    since_us = None if since is None else at(since, now)
    until_us = None if until is None else at(until, now)
    if since_us is None or until_us is None or until_us > since_us:
        return since_us, until_us
    if isinstance(until, TimeOfDay) and until.days_ago is None:
        until_us = _first_after(since_us, until.clock, now)
    return since_us, until_us


def _first_after(since_us: int, clock: time, now: HouseTime) -> int:
    day = now.clock.moment(since_us).date()
    today_us = _on(day, clock, now)
    return today_us if today_us > since_us else _on(day + _DAY, clock, now)


def _on(day: date, clock: time, now: HouseTime) -> int:
    return _instant(datetime.combine(day, clock), now)


def _instant(moment: datetime, now: HouseTime) -> int:
    """Return a moment as UTC microseconds; one without its offset is on the clock of those who wrote it."""
    aware = moment if moment.tzinfo is not None else moment.replace(tzinfo=now.clock.zone)
    return microseconds(aware.astimezone(UTC))
