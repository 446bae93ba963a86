"""Format times, ages and names for a person.

Law: pure. Times are RFC 3339 in UTC, to the second; an age names its two largest units and is never rounded up.
"""

from datetime import UTC, datetime

from logger.model import QualityTests
from logger.units import SECOND_US

_MINUTE, _HOUR, _DAY = 60, 3600, 86_400


def moment(at_us: int) -> str:
    """Return UTC microseconds as RFC 3339, without what is below a second."""
    return f"{datetime.fromtimestamp(at_us // SECOND_US, UTC):%Y-%m-%dT%H:%M:%SZ}"


def age(seconds: float) -> str:
    """Return a length of time: `8 s`, `12 min`, `3 h 20 min`, `5 d 4 h`."""
    whole = int(max(seconds, 0.0))
    if whole < _MINUTE:
        return f"{whole} s"
    if whole < _HOUR:
        return f"{whole // _MINUTE} min"
    if whole < _DAY:
        return f"{whole // _HOUR} h {whole % _HOUR // _MINUTE} min"
    return f"{whole // _DAY} d {whole % _DAY // _HOUR} h"


def counted(number: int, what: str) -> str:
    """Say a number of things: `1 command`, `3 commands`."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def first_sentence(text: str) -> str:
    """Return the first sentence of a text, without its full stop, on one line."""
    return " ".join(text.split()).partition(". ")[0].rstrip(".")


def names_of_tests(code: int) -> list[str]:
    """Return the names of the quality tests that spoke, as outputs spell them."""
    return [str(test.name).lower().replace("_", "-") for test in QualityTests(code)]
