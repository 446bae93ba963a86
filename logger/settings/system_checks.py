"""[system] -> what the watch says of itself, and what that must mean to be used. Pure."""

from collections.abc import Iterator
from typing import Any, Final

from logger.config import AlarmKind, PeopleConfig, SystemConfig, default_alarm
from logger.settings import ranges
from logger.settings.document import RehearsalTable, SystemTable
from logger.settings.people import minute_of, zone_of
from logger.settings.problems import Problem, unknown
from logger.settings.ranges import LONGEST_S, wrong
from logger.settings.reading import ParsedSources
from logger.watch import system

_KEY: Final = ("system", "alarm")


def system_of(reading: ParsedSources, table: SystemTable) -> SystemConfig:
    """Return what a table says; an alarm that the system does not have is a problem."""
    alarms = []
    for name, given in table.alarm.items():
        if name in system.KINDS:
            alarms.append(default_alarm(AlarmKind(name), **given.given()))
        else:
            reading.add(unknown((*_KEY, name), system.KINDS))
    return SystemConfig(alarms=tuple(alarms), **table.given("alarm"), **_rehearsal(reading))


def _rehearsal(reading: ParsedSources) -> dict[str, Any]:
    """Return when the good-night test begins by itself, and how long it may wait."""
    table, people = reading.document.rehearsal or RehearsalTable(), reading.document.people
    home = people.zone if people and people.zone is not None else PeopleConfig().zone
    zone = home if table.zone is None else zone_of(reading, ("rehearsal", "zone"), table.zone)
    told: dict[str, Any] = {"rehearse_zone": zone}
    if table.at is not None:
        told["rehearse_at_min"] = minute_of(reading, ("rehearsal", "at"), table.at, example="21:30")
    return told if table.within_s is None else {**told, "rehearse_within_s": table.within_s}


def system_problems(config: SystemConfig) -> Iterator[Problem]:
    """Yield what is wrong with the system's alarms."""
    yield from ranges.between(("system", "disk_reserve_mb"), config.disk_reserve_mb, low=1, high=1e9)
    yield from ranges.between(("rehearsal", "within_s"), config.rehearse_within_s, low=1, high=86400)
    for alarm in config.alarms:
        key = (*_KEY, alarm.id)
        yield from ranges.between((*key, "on_delay_s"), alarm.on_delay_s, low=0, high=LONGEST_S)
        yield from ranges.between((*key, "realarm_s"), alarm.realarm_s, low=1, high=LONGEST_S)
        yield from ranges.between((*key, "reminder_s"), alarm.reminder_s, low=1, high=LONGEST_S)
        if not alarm.kind.row.has_delay and alarm.on_delay_s:
            reason = "this alarm has no delay"
            yield wrong((*key, "on_delay_s"), alarm.on_delay_s, reason, "remove this key")
