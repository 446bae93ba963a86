"""Small checks that the others are made of."""

import re
from collections.abc import Iterator
from typing import Final

from logger.settings.problems import Key, Problem, written

LONGEST_S: Final = 366 * 86400.0
"""Longest delay that makes sense, a year."""
_ID: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,39}", re.ASCII)


def wrong(key: Key, value: object, reason: str, remedy: str) -> Problem:
    """Return the problem of one value."""
    return Problem(key=key, value=written(key, value), reason=reason, remedy=remedy)


def name(key: Key) -> Iterator[Problem]:
    """Check a name that the user chose, the last part of the key."""
    if not _ID.fullmatch(key[-1]):
        remedy = "use a-z, 0-9 and -, beginning with a letter or a digit, at most 40 characters"
        yield Problem(key=key, reason="this name cannot be used", remedy=remedy)


def between(key: Key, value: float | None, *, low: float, high: float) -> Iterator[Problem]:
    """Check a range, ends included; None passes."""
    if value is not None and not low <= value <= high:
        yield wrong(key, value, f"this must lie between {low:.10g} and {high:.10g}", "write a number in that range")


def text(key: Key, value: str | None, *, longest: int) -> Iterator[Problem]:
    """Check that a text can be printed on one line; None passes."""
    if value is not None and not (value.strip() and len(value) <= longest and value.isprintable()):
        yield wrong(key, value, f"this must be 1 to {longest} printable characters", "write another text")
