"""Make `PeopleConfig` from [people], [quiet] and [digest], and report what is wrong with them.

Law: where there are quiet hours there is a morning summary, at their end unless [digest] says otherwise; high priority
is never held.
"""

import re
from typing import Final
from zoneinfo import ZoneInfo

from logger.config import PeopleConfig, Priority, QuietConfig
from logger.settings.document import Table
from logger.settings.parsing import ParsedSources
from logger.settings.problems import Key, Problem, wrong

_TIME: Final = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])", re.ASCII)


def people(reading: ParsedSources) -> PeopleConfig:
    """Return how people are notified; adds to the reading's problems what is missing or wrong."""
    document = reading.document
    zone = zone_of(reading, ("people", "zone"), document.get("people", {}).get("zone", PeopleConfig().zone))
    quiet = _quiet(reading, document["quiet"]) if "quiet" in document else None
    digest_min = quiet.end_min if quiet else None
    if "digest" in document:
        digest_min = minute_of(reading, ("digest", "at"), document["digest"].get("at"), example="07:00")
    return PeopleConfig(zone=zone, quiet=quiet, digest_min=digest_min)


def _quiet(reading: ParsedSources, table: Table) -> QuietConfig:
    begin = minute_of(reading, ("quiet", "from"), table.get("from"), example="22:00")
    end = minute_of(reading, ("quiet", "to"), table.get("to"), example="07:00")
    if begin == end and "to" in table:
        remedy = "write the time of day at which they end"
        reading.add(wrong(("quiet", "to"), table["to"], "quiet hours of a whole day would never end", remedy))
    if "wakes" in table and Priority.HIGH not in table["wakes"]:
        remedy = 'write wakes = ["high"], and give what need not wake anybody a lower priority'
        reason = "high priority means that somebody is woken"
        reading.add(wrong(("quiet", "wakes"), ", ".join(table["wakes"]), reason, remedy))
    values = {name: value for name, value in table.items() if name not in ("from", "to")}
    if "zone" in values:
        values["zone"] = zone_of(reading, ("quiet", "zone"), values["zone"])
    return QuietConfig(begin_min=begin, end_min=end, **values)


def minute_of(reading: ParsedSources, key: Key, text: str | None, *, example: str) -> int:
    """Return a time of day as a minute of the day."""
    remedy = f'write {key[-1]} = "{example}", local time'
    if text is None:
        reading.add(Problem(key=key, reason="it is missing", remedy=remedy))
        return 0
    match = _TIME.fullmatch(text)
    if match is None:
        reading.add(wrong(key, text, "this is no time of day", remedy))
        return 0
    return int(match[1]) * 60 + int(match[2])


def zone_of(reading: ParsedSources, key: Key, name: str) -> str:
    """Return the name of a time zone; one that is none is a problem."""
    try:
        ZoneInfo(name)
    except (OSError, ValueError, KeyError):
        remedy = 'write a name of the IANA time zone database, such as "Europe/Lisbon"'
        reading.add(wrong(key, name, "there is no such time zone", remedy))
        return "UTC"
    return name
