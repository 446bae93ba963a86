"""Build the tables of alarms from their rows: kinds with their defaults, system alarms, profiles."""

from collections.abc import Iterable, Mapping

from logger.config import AlarmKind
from logger.config.alarms import default_alarm
from logger.config.kind_row import Group, Presence
from logger.report.reference.markdown import table
from logger.settings.profiles import PROFILES, TARGETS, Profile
from logger.watch import system

GROUPS: Mapping[Group, str] = {
    Group.PROCESS: "The vat (process alarms)",
    Group.TARGET: "The target",
    Group.INSTRUMENT: "The instrument",
    Group.MAINTENANCE: "What the instrument needs",
}


def alarms() -> str:
    """Return the kinds of alarms of a vat by group, with their defaults."""
    kinds = AlarmKind.of_vats()
    return "\n\n".join(
        f"{title}:\n\n{_kinds([kind for kind in kinds if kind.row.group is group])}" for group, title in GROUPS.items()
    )


def _kinds(kinds: Iterable[AlarmKind]) -> str:
    header = ("kind", "says", "setpoint", "deadband", "window", "on-delay", "priority", "always there")
    return table(header, [_kind_row(kind) for kind in kinds])


def _kind_row(kind: AlarmKind) -> list[str]:
    default, unit = default_alarm(kind), kind.row.unit
    written = "yours" if default.setpoint is None else f"{default.setpoint:g}{unit}"
    return [
        f"`{kind}`",
        kind.row.title,
        "-" if unit is None else written,
        f"{default.deadband:g}" if default.deadband else "-",
        _seconds(default.window_s) or "-",
        _seconds(default.on_delay_s) or "at once",
        default.priority,
        {
            Presence.ALWAYS: "yes",
            Presence.WITH_TARGET: "with a target",
            Presence.WITH_SECOND_PROBE: "with a second probe",
        }.get(kind.row.presence, ""),
    ]


def _seconds(seconds: float) -> str:
    return f"{seconds:g} s" if seconds else ""


def system_alarms() -> str:
    """Return the system alarms with their defaults."""
    header = ("alarm", "says", "on-delay", "priority", "reminder")
    return table(header, [_system_row(kind) for kind in system.KINDS if kind is not AlarmKind.REHEARSAL])


def _system_row(kind: AlarmKind) -> list[str]:
    default = default_alarm(kind)
    delay, reminder = _seconds(default.on_delay_s) or "at once", _seconds(default.reminder_s or 0) or "-"
    return [f"`{kind}`", kind.row.title, delay, default.priority, reminder]


def profiles() -> str:
    """Return what each built-in profile brings: setpoints of its alarms and its target."""
    names = list(dict.fromkeys(alarm for alarms in PROFILES.values() for alarm in alarms))
    target = ["target", "pH", "", *(f"{TARGETS[one]['ph']:g}" if one in TARGETS else "-" for one in Profile)]
    rows = [[f"`{name}`", *_profile_row(name)] for name in names]
    return table(("alarm", "kind", "priority", *Profile), [*rows, target])


def _profile_row(name: str) -> list[str]:
    keys = [PROFILES[one].get(name) for one in Profile]
    first = next(one for one in keys if one)
    kind: AlarmKind = first["kind"]
    default = default_alarm(kind)
    cells = ["-" if one is None else f"{one.get('setpoint', default.setpoint):g}" for one in keys]
    return [f"`{kind}`", str(first.get("priority", default.priority)), *cells]
