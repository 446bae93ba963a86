"""Parse times of the command line.

Law: a time without its offset from UTC is refused: nobody can know which one was meant.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EARLIEST, _LATEST = 1971, 9000


def microseconds(moment: datetime) -> int:
    """Return an aware moment as UTC microseconds since 1970."""
    return (moment - _EPOCH) // timedelta(microseconds=1)


def moment_option(*names: str, **settings: Any) -> Callable[[Command], Command]:  # noqa: ANN401 - click's own
    """Return an option that takes an RFC 3339 time and becomes UTC microseconds."""
    return click.option(*names, callback=_moment, metavar="RFC3339", **settings)


def _moment(_ctx: click.Context, _param: click.Parameter, value: str | None) -> int | None:
    return None if value is None else moment_of(value)


def moment_of(value: str) -> int:
    """Return an RFC 3339 time as UTC microseconds. Raises click.BadParameter."""
    try:
        moment = datetime.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is not a date and time such as 2026-11-24T18:00:00Z.") from None
    if moment.tzinfo is None:
        raise click.BadParameter(f"{value!r} does not say its offset from UTC: add Z or, say, +01:00.")
    if not _EARLIEST <= moment.year <= _LATEST:
        raise click.BadParameter(f"{value!r}: choose a year from {_EARLIEST} to {_LATEST}.")
    return microseconds(moment)
