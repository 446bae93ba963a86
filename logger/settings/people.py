"""[people], [quiet] and [digest] -> `PeopleConfig`, and what is wrong with them.

Law: where there are quiet hours there is a morning summary, at their end unless [digest] says otherwise; high priority
is never held.
"""

import re
from typing import Any, Final
from zoneinfo import ZoneInfo

from logger.config import PeopleConfig, Priority, QuietConfig
from logger.settings.problems import Key, Problem, suggestion
from logger.settings.ranges import wrong
from logger.settings.reading import ParsedSources

_TIME: Final = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])", re.ASCII)


def people(reading: ParsedSources) -> PeopleConfig:
    """Return how people are told; adds to the reading's problems what is missing or wrong."""
    document = reading.document
    house: dict[str, Any] = {} if document.people is None else document.people.given()
    zone = zone_of(reading, ("people", "zone"), house.get("zone", PeopleConfig().zone))
    quiet = None if document.quiet is None else _quiet(reading, document.quiet.given())
    digest_min = quiet.end_min if quiet else None
    if document.digest is not None:
        digest_min = minute_of(reading, ("digest", "at"), document.digest.at, example="07:00")
    return PeopleConfig(zone=zone, quiet=quiet, digest_min=digest_min)


def _quiet(reading: ParsedSources, given: dict[str, Any]) -> QuietConfig:
    begin = minute_of(reading, ("quiet", "from"), given.get("begin"), example="22:00")
    end = minute_of(reading, ("quiet", "to"), given.get("to"), example="07:00")
    if begin == end and given.get("to"):
        remedy = "write the time of day at which they end"
        reading.add(wrong(("quiet", "to"), given["to"], "quiet hours of a whole day would never end", remedy))
    zone = given.get("zone", "")
    return QuietConfig(
        begin_min=begin,
        end_min=end,
        wakes=_wakes(reading, given.get("wakes")),
        zone=zone_of(reading, ("quiet", "zone"), zone) if zone or "zone" in given else "",
    )


def _wakes(reading: ParsedSources, names: list[str] | None) -> tuple[Priority, ...]:
    key, known = ("quiet", "wakes"), {priority.value: priority for priority in Priority}
    if names is None:
        return QuietConfig(begin_min=0, end_min=0).wakes
    for name in names:
        if name not in known:
            reading.add(wrong(key, name, "there is no such priority", suggestion(name, known)))
            return ()
    if Priority.HIGH not in names:
        remedy = 'write wakes = ["high"], and give what need not wake anybody a lower priority'
        reading.add(wrong(key, ", ".join(names), "high priority means that somebody is woken", remedy))
    return tuple(known[name] for name in names)


def minute_of(reading: ParsedSources, key: Key, text: str | None, *, example: str) -> int:
    """Return a time of day as a minute of the day."""
    remedy = f'write {key[-1]} = "{example}", local time'
    if text is None:
        reading.add(Problem(key=key, reason="it is missing", remedy=remedy))
        return 0
    found = _TIME.fullmatch(text)
    if found is None:
        reading.add(wrong(key, text, "this is no time of day", remedy))
        return 0
    return int(found[1]) * 60 + int(found[2])


def zone_of(reading: ParsedSources, key: Key, name: str) -> str:
    """Return the name of a time zone; one that is none is a problem."""
    try:
        ZoneInfo(name)
    except (OSError, ValueError, KeyError):
        remedy = 'write a name of the IANA time zone database, such as "Europe/Lisbon"'
        reading.add(wrong(key, name, "there is no such time zone", remedy))
        return "UTC"
    return name
