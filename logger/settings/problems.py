"""Word what is wrong with a configuration, and make the small checks that the others use.

Law: a problem names where it is, the key, the value, the reason and what to do. A value that may be a secret is never
part of a sentence: not of a secret's key, not of an unknown key (it may be a mistyped secret's), not of a whole table.
"""

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import date, time
from typing import Any, Final

from logger.structs import Struct

Key = tuple[str, ...]

SECRETS: Final = frozenset({("mqtt", "password"), ("store", "url"), ("dead_man", "url")})
_HIDDEN: Final = SECRETS | {("hook", "command"), ("push", "urls")}
"""Keys whose value is never shown: an argument of the command or a part of an address may be a secret."""
_UNITS: Final = {  # by the longest ending first
    "_mv_per_s": "millivolts per second",
    "_ph_per_day": "pH per day",
    "_ph_per_sqrt_day": "pH per square root of days",
    "_s": "seconds",
    "_mv": "millivolts",
    "_c": "degrees Celsius",
    "_ph": "pH units",
    "_d": "days",
    "_h": "hours",
    "_percent": "per cent",
}
_TIME_SUFFIX: Final = re.compile(r"_(ms|us|s|sec|secs|seconds|min|mins|minutes|m|h|hr|hours|d|days)$")
_DURATION: Final = re.compile(
    r"\s*([0-9]+(?:\.[0-9]+)?)\s*(ms|s|sec|seconds?|min|minutes?|h|hours?|d|days?)\s*", re.ASCII
)
_SECONDS: Final = {"ms": 0.001, "s": 1, "m": 60, "h": 3600, "d": 86400}
_SHOWN: Final = 60
_ID: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,39}", re.ASCII)


class Problem(Struct, frozen=True, kw_only=True):
    """One thing to repair. `value` is shown as it would be written; None: not shown."""

    key: Key
    reason: str
    remedy: str
    value: str | None = None

    def line(self, origin: str) -> str:
        """Return the sentence, with the file or environment name that it comes from in front."""
        where = ".".join(map(written_key, self.key))
        what = where if self.value is None else f"{where} = {self.value}"
        return ": ".join(part for part in (origin, what, f"{self.reason}; {self.remedy}") if part)


def written_key(part: str) -> str:
    """Return one part of a dotted key as TOML writes it."""
    return part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else json.dumps(part, ensure_ascii=True)


def written(key: Key, value: object) -> str | None:
    """Return a scalar value as TOML writes it, cut short; None for what must not or cannot be shown."""
    if key in _HIDDEN or isinstance(value, dict | list) or value is None:
        return None
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=True)
    elif isinstance(value, date | time):
        text = value.isoformat()
    else:
        text = digits(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def digits(value: object) -> str:
    """Return a number's digits; Python refuses to print whole numbers of thousands of digits in decimal."""
    try:
        return str(value)
    except ValueError:
        return hex(value) if isinstance(value, int) else "?"


def unknown_key(key: Key, valid: Iterable[str]) -> Problem:
    """Return the problem of a key that is not one of `valid`, with the nearest that is."""
    names = sorted(map(str, valid))
    unit = _right_unit(key[-1], names)
    if unit is not None:
        reason = f"there is no such key; the unit is part of the name and {unit!r} wants seconds"
        return Problem(key=key, reason=reason, remedy=f"write {unit} = (seconds as a number)")
    return Problem(key=key, reason="there is no such key", remedy=suggestion(key[-1], names))


def suggestion(word: str, valid: Iterable[str]) -> str:
    """Return advice: the nearest valid word, else all of them."""
    names = sorted(map(str, valid))
    near = nearest(word, names)
    if near:
        return f"did you mean {near!r}?"
    return f"valid here: {', '.join(names)}" if names else "nothing can stand here"


def nearest(word: str, valid: Iterable[str]) -> str | None:
    """Return the valid word that looks most like `word`; None: none looks like it."""
    from difflib import get_close_matches  # noqa: PLC0415 - 1 ms and 0.15 MB of a start, for a word that is not known

    near = get_close_matches(word.lower()[:_SHOWN], list(valid), n=1, cutoff=0.6)
    return near[0] if near else None


def _right_unit(word: str, valid: list[str]) -> str | None:
    stem = _TIME_SUFFIX.sub("", word.lower())
    wanted = f"{stem}_s"
    return wanted if wanted in valid else None


def wanted_number(key: Key, value: object) -> Problem:
    """Return the problem of a value that is no number, worded for the unit that the key's name ends in."""
    name = key[-1]
    unit = next((words for ending, words in _UNITS.items() if name.endswith(ending)), None)
    reason = f"{unit} as a number are wanted" if unit else "a number is wanted"
    example = _as_seconds(value) if unit == "seconds" else None
    remedy = f"write {name} = {example}" if example else "write a number without quotes"
    return Problem(key=key, value=written(key, value), reason=reason, remedy=remedy)


def _as_seconds(value: object) -> str | None:
    match = _DURATION.fullmatch(value) if isinstance(value, str) and len(value) <= _SHOWN else None
    if match is None:
        return None
    unit = match[2] if match[2] == "ms" else match[2][0]
    return f"{float(match[1]) * _SECONDS[unit]:g}"


def wrong(key: Key, value: object, reason: str, remedy: str) -> Problem:
    """Return the problem of one value."""
    return Problem(key=key, value=written(key, value), reason=reason, remedy=remedy)


def name_problems(key: Key) -> Iterator[Problem]:
    """Check a name that the user chose, the last part of the key."""
    if not _ID.fullmatch(key[-1]):
        remedy = "use a-z, 0-9 and -, beginning with a letter or a digit, at most 40 characters"
        yield Problem(key=key, reason="this name cannot be used", remedy=remedy)


def between(key: Key, value: float, *, low: float, high: float) -> Iterator[Problem]:
    """Check a range that only the meaning of other keys gives, ends included."""
    if not low <= value <= high:
        yield out_of_bounds(key, value, {"ge": low, "le": high})


def out_of_bounds(key: Key, value: object, bounds: Mapping[str, Any]) -> Problem:
    """Return the problem of a value outside the bounds of its field, given as `annotated_types` names them."""
    low, high = bounds.get("ge", bounds.get("gt")), bounds.get("le")
    longest, shortest = bounds.get("max_length"), bounds.get("min_length")
    if longest:
        reason = f"this must be {f'{shortest} to' if shortest else 'at most'} {longest} printable characters"
        return wrong(key, value, reason, "write another text")
    if low is not None and high is not None:
        return wrong(key, value, f"this must lie between {low:.10g} and {high:.10g}", "write a number in that range")
    reason = f"this must be above {low:.10g}" if "gt" in bounds else f"this must be {low:.10g} or above"
    return wrong(key, value, reason, "write a larger number")
