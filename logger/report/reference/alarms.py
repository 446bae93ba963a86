"""Tables of alarms: kinds with their defaults, system alarms, profiles."""

from collections.abc import Callable, Iterable, Mapping

from logger.config import AlarmConfig, AlarmKind
from logger.mqtt.payloads import kind_words
from logger.report.reference.markdown import table
from logger.settings.convert import _ALWAYS, DEFAULTS
from logger.settings.profiles import PROFILES, TARGETS, Profile
from logger.watch import system


def alarms() -> str:
    """Return the kinds of alarms of a vat by group, with their defaults."""
    groups: Mapping[str, Callable[[AlarmKind], bool]] = {
        "The vat (process alarms)": lambda kind: kind.is_process and not kind.is_of_target,
        "The target": lambda kind: kind.is_of_target,
        "The instrument": lambda kind: not kind.is_process and not kind.is_of_target,
    }
    return "\n\n".join(
        f"{title}:\n\n{_kinds([kind for kind in AlarmKind.of_vats() if is_in(kind)])}"
        for title, is_in in groups.items()
    )


def _kinds(kinds: Iterable[AlarmKind]) -> str:
    header = ("kind", "says", "setpoint", "deadband", "window", "on-delay", "priority", "always there")
    return table(header, [_kind_row(kind) for kind in kinds])


def _kind_row(kind: AlarmKind) -> list[str]:
    default = AlarmConfig(**{"id": kind, "kind": kind, **DEFAULTS[kind]})
    needs = kind.is_process and kind is not AlarmKind.CLAIM_WITHDRAWN
    setpoint = "yours" if needs else "-"
    if default.setpoint is not None:
        setpoint = f"{default.setpoint:g}{kind.unit}"
    return [
        f"`{kind}`",
        kind_words(kind),
        setpoint,
        f"{default.deadband:g}" if default.deadband else "-",
        _seconds(default.window_s) or "-",
        _seconds(default.on_delay_s) or "at once",
        default.priority,
        "yes" if kind in (*_ALWAYS, AlarmKind.CLAIM_WITHDRAWN) else "",
    ]


def _seconds(seconds: float) -> str:
    return f"{seconds:g} s" if seconds else ""


def system_alarms() -> str:
    """Return the system alarms with their defaults."""
    header = ("alarm", "says", "on-delay", "priority", "reminder")
    rows = (
        [
            f"`{kind}`",
            kind_words(kind),
            _seconds(default.on_delay_s) or "at once",
            default.priority,
            _seconds(default.reminder_s or 0) or "-",
        ]
        for kind, default in system.DEFAULTS.items()
        if kind is not AlarmKind.REHEARSAL
    )
    return table(header, rows)


def profiles() -> str:
    """Return what each built-in profile brings: setpoints of its alarms and its target."""
    names = list(dict.fromkeys(alarm for alarms in PROFILES.values() for alarm in alarms))
    target = ["target", "pH", "", *(f"{TARGETS[one]['ph']:g}" if one in TARGETS else "-" for one in Profile)]
    rows = [[f"`{name}`", *_profile_row(name)] for name in names]
    return table(("alarm", "kind", "priority", *Profile), [*rows, target])


def _profile_row(name: str) -> list[str]:
    keys = [PROFILES[one].get(name) for one in Profile]
    first = next(one for one in keys if one)
    default = DEFAULTS[first["kind"]]
    cells = ["-" if one is None else f"{one.get('setpoint', default.get('setpoint')):g}" for one in keys]
    return [f"`{first['kind']}`", str(first.get("priority", default.get("priority", "medium"))), *cells]
