"""Lists of settings: every key of the configuration file with its default, bounds and meaning.

They come from the dataclasses of `logger/config`: the default, the `annotated_types` beside the type, the string below
the field. Keys that have no field of their name are told here.
"""

import ast
import inspect
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import MISSING, Field, fields
from enum import Enum
from functools import cache
from itertools import pairwise
from typing import Annotated, Any, Final, get_args, get_origin, get_type_hints

from logger.config import (
    AlarmConfig,
    AlarmKind,
    CalibrationLimits,
    ErrorModel,
    HookConfig,
    MqttConfig,
    ProbeConfig,
    QualityLimits,
    ScpiConfig,
    TargetConfig,
    TextConfig,
    VatConfig,
)
from logger.config.modbus import ModbusConfig, RegisterConfig, StatusConfig
from logger.report.reference.markdown import items

_MARKS: Final = re.compile(r" \[(CP|T)\]")
_SECTIONS: Final[Mapping[str, type | None]] = {
    "[store]": None,
    "[mqtt]": MqttConfig,
    "[hook]": HookConfig,
    "[people]": None,
    "[quiet]": None,
    "[digest]": None,
    "[rehearsal]": None,
    "[system]": None,
    "[system.alarm.<kind>]": None,
    "[probe.<id>]": ProbeConfig,
    "[probe.<id>.scpi]": ScpiConfig,
    "[probe.<id>.modbus]": ModbusConfig,
    "[probe.<id>.modbus.potential], ph, temperature": RegisterConfig,
    "[probe.<id>.modbus.status]": StatusConfig,
    "[probe.<id>.text]": TextConfig,
    "[probe.<id>.limits]": QualityLimits,
    "[probe.<id>.errors]": ErrorModel,
    "[probe.<id>.calibration]": CalibrationLimits,
    "[buffer.<id>]": None,
    "[vat.<id>]": VatConfig,
    "[vat.<id>.target]": TargetConfig,
    "[vat.<id>.alarm.<name>]": AlarmConfig,
    "[profile.<id>]": None,
    "[simulation]": None,
}
"""The tables of the file, and the dataclass that each becomes field by field; None: `_BY_HAND` tells its keys."""
_BY_HAND: Final[Mapping[str, Sequence[str]]] = {
    "[store]": (
        "`path`: file of the SQLite store; this, `url` or `url_file` must be written.",
        "`url`: address of a PostgreSQL database, `postgresql://user@host/database`.",
        "`url_file`: a file that holds such an address, which may then have a password in it.",
        "`backup_dir` (none): a copy of an SQLite store is put here every day; the newest seven are kept.",
    ),
    "[mqtt]": ("`password_file` (none): a file of its own with the password in it, mode 600.",),
    "[people]": ('`zone` ("UTC"): local time in what people read, a name of the IANA time zone database.',),
    "[quiet]": (
        '`from`, `to`: when the quiet hours begin and end, such as "22:00" and "07:00".',
        '`wakes` (["high"]): priorities that annunciate in them too; high always does.',
        "`zone` (that of [people]): where people sleep.",
    ),
    "[digest]": ("`at` (the end of the quiet hours; without them, none): when the morning summary is made.",),
    "[rehearsal]": (
        "`at` (none): when the good-night test begins by itself every evening.",
        "`within_s` (600; 1 to 86400): how long it waits for its acknowledgement.",
        "`zone` (that of [people]): in which local time `at` is told.",
    ),
    "[system]": ("`disk_reserve_mb` (500; 1 to 1e+09): must stay free where the log is.",),
    "[system.alarm.<kind>]": (
        "`on_delay_s`, `priority`, `realarm_s`, `reminder_s`: as of an alarm of a vat; see `vatvigil help alarms`.",
    ),
    "[buffer.<id>]": (
        "`values` (those of the built-in table of this id): pH by temperature in C, such as { 20 = 9.22, 25 = 9.18 }.",
        "`u_ph` (that of +/-0.02, rectangular): standard uncertainty of its pH.",
        "`standard`, `lot`, `expires` (none): whose table it is, the bottle, its last day of use.",
    ),
    "[vat.<id>]": ("`profile` (none): a kind of ferment that brings alarms and a target; see `vatvigil help alarms`.",),
    "[profile.<id>]": (
        "`base` (none): the built-in profile that this one begins from.",
        "`[profile.<id>.target]`, `[profile.<id>.alarm.<name>]`: as of a vat.",
    ),
    "[simulation]": (
        "`speed` (1; 0.001 to 1e+06): how much faster than real time everything goes.",
        "`epoch` (the time at start): the time that was shown when the monotonic clock read `epoch_monotonic_s`.",
        "`epoch_monotonic_s` (none): see `epoch`.",
    ),
}
"""Keys that are no field of the section's dataclass under the same name."""
_INSTEAD: Final = {
    "[vat.<id>.alarm.<name>]": {"kind": "the name of the table, where it is a kind"},
    "[vat.<id>]": {"name": "the id"},
    "[mqtt]": {"client_id": '"vatvigil", of a simulation "vatvigil-simulated"'},
}
"""Defaults that the file has and the dataclass has not."""
_ENDS: Final = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
_NOT_IN_FILE: Final = {
    "[probe.<id>]": {"id", "text", "scpi", "modbus", "limits", "errors", "calibration"},
    "[probe.<id>.modbus]": {"potential", "ph", "temperature", "status"},
    "[vat.<id>]": {"id", "reference_of", "alarms", "target", "people"},
    "[vat.<id>.alarm.<name>]": {"id"},
}


def settings() -> str:
    """Return every key of the configuration file with its default and bounds, table by table."""
    return "\n\n".join(f"`{title}`\n\n{items(_keys(title, kind))}" for title, kind in _SECTIONS.items())


def _keys(title: str, kind: type | None) -> Iterator[str]:
    if kind is not None:
        hints = get_type_hints(kind, include_extras=True)
        meanings = _meanings(kind)
        for field in fields(kind):
            if field.name not in _NOT_IN_FILE.get(title, ()):
                default = _INSTEAD.get(title, {}).get(field.name) or default_of(field)
                told = "; ".join(part for part in (default, bounds_of(hints[field.name])) if part)
                meaning = meanings.get(field.name, "")
                yield f"`{field.name}` ({told}){f': {meaning}' if meaning else ''}"
    yield from _BY_HAND.get(title, ())


def default_of(field: Field[Any]) -> str:
    """Say the default of a field as TOML would write it; `needed`: there is none."""
    value = field.default
    if value is MISSING:
        return "needed" if field.default_factory is MISSING else "none"
    return _written(value)


def _written(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str) and not isinstance(value, Enum) and not value:
        return "none"
    if isinstance(value, str):
        return '"' + str(value).replace("\r", r"\r").replace("\n", r"\n") + '"'
    if isinstance(value, tuple):
        return f"[{', '.join(_written(one) for one in value)}]" if value else "none"
    return f"{value:g}" if isinstance(value, int | float) else "none"


def bounds_of(hint: Any) -> str:  # noqa: ANN401 - a type hint is of no common type
    """Say between which ends a value must lie, by the `annotated_types` beside its type, or what it is chosen from."""
    parts = list(_parts(hint))
    for part in parts:
        if isinstance(part, type) and issubclass(part, Enum):
            choices = AlarmKind.of_vats() if part is AlarmKind else part
            return " | ".join(str(choice) for choice in choices)
    ends = {name: end for name in _ENDS for part in parts if (end := getattr(part, name, None)) is not None}
    low, high = ends.get("ge", ends.get("gt")), ends.get("le", ends.get("lt"))
    if low is not None and high is not None:
        return f"{low:.10g} to {high:.10g}"
    return "".join(f"{_ENDS[name]} {end:.10g}" for name, end in ends.items())


def _parts(hint: Any) -> Iterator[Any]:  # noqa: ANN401
    """Yield the types and notes that a hint is made of."""
    if get_origin(hint) is Annotated:
        inner, *notes = get_args(hint)
        yield from notes
        yield from _parts(inner)
    elif get_args(hint):
        for inner in get_args(hint):
            yield from _parts(inner)
    else:
        yield hint


@cache
def _meanings(kind: type) -> Mapping[str, str]:
    """Return what the strings below the fields of a dataclass say of them."""
    (body,) = (node.body for node in ast.parse(inspect.getsource(kind)).body if isinstance(node, ast.ClassDef))
    found = {}
    for field, note in pairwise(body):
        is_note = isinstance(note, ast.Expr) and isinstance(note.value, ast.Constant)
        if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name) and is_note:
            found[field.target.id] = _MARKS.sub("", " ".join(str(note.value.value).split()))  # type: ignore[attr-defined]
    return found
