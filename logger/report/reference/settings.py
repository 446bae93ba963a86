"""Lists of settings: every key of the configuration file with its default, bounds and meaning.

They come from the structs of `logger/config`: the default, the `annotated_types` beside the type, the string below
the field, word for word. Keys that have no field are described here.
"""

import ast
import inspect
from collections.abc import Iterator, Mapping, Sequence
from enum import Enum
from functools import cache
from itertools import pairwise
from typing import Annotated, Any, Final, get_args, get_origin, get_type_hints

from msgspec import NODEFAULT
from msgspec.structs import FieldInfo, fields

from logger.config import (
    AlarmConfig,
    AlarmKind,
    BufferConfig,
    CalibrationLimits,
    Config,
    DeadManConfig,
    ErrorModel,
    HookConfig,
    MqttConfig,
    PeopleConfig,
    ProbeConfig,
    PushConfig,
    QualityLimits,
    QuietConfig,
    ScpiConfig,
    Simulation,
    SystemConfig,
    TargetConfig,
    TextConfig,
    VatConfig,
)
from logger.config.modbus import ModbusConfig, RegisterConfig, StatusConfig
from logger.report.reference.markdown import items
from logger.structs import Struct

_SECTIONS: Final[Mapping[str, type[Struct] | None]] = {
    "[store]": Config,
    "[mqtt]": MqttConfig,
    "[hook]": HookConfig,
    "[push]": PushConfig,
    "[dead_man]": DeadManConfig,
    "[people]": PeopleConfig,
    "[quiet]": QuietConfig,
    "[digest]": PeopleConfig,
    "[rehearsal]": SystemConfig,
    "[system]": SystemConfig,
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
    "[buffer.<id>]": BufferConfig,
    "[vat.<id>]": VatConfig,
    "[vat.<id>.target]": TargetConfig,
    "[vat.<id>.alarm.<name>]": AlarmConfig,
    "[profile.<id>]": None,
    "[simulation]": Simulation,
}
"""The tables of the file, and the struct that has their keys as fields; None: `_BY_HAND` describes them all."""
_KEYS: Final[Mapping[str, Mapping[str, str]]] = {
    "[store]": {"backup_dir": "backup_dir", "commit_every_s": "commit_every_s"},
    "[people]": {"zone": "zone"},
    "[quiet]": {"begin_min": "from", "end_min": "to", "wakes": "wakes", "zone": "zone"},
    "[digest]": {"digest_min": "at"},
    "[rehearsal]": {"rehearse_at_min": "at", "rehearse_within_s": "within_s", "rehearse_zone": "zone"},
    "[system]": {"disk_reserve_mb": "disk_reserve_mb"},
    "[buffer.<id>]": {
        "values_ph": "values",
        "u_ph": "u_ph",
        "standard": "standard",
        "lot": "lot",
        "expires": "expires",
    },
    "[simulation]": {"speed": "speed", "epoch_us": "epoch", "epoch_monotonic_s": "epoch_monotonic_s"},
}
"""Tables that hold only some fields of their struct, or hold them under other names: the key of each field."""
_BY_HAND: Final[Mapping[str, Sequence[str]]] = {
    "[store]": (
        "`path`: File of the SQLite store; this, `url` or `url_file` must be written.",
        "`url`: Address of a PostgreSQL database, `postgresql://user@host/database`.",
        "`url_file`: A file that holds such an address, which may then have a password in it.",
    ),
    "[mqtt]": ("`password_file` (none): A file of its own with the password in it, mode 600.",),
    "[push]": ("`urls_file` (none): A file of its own with the addresses in it, one a line, mode 600.",),
    "[dead_man]": ("`url_file` (none): A file of its own with the address in it, mode 600.",),
    "[system.alarm.<kind>]": (
        "`on_delay_s`, `priority`, `realarm_s`, `reminder_s`: As of an alarm of a vat; see `vatvigil help alarms`.",
    ),
    "[vat.<id>]": ("`profile` (none): A kind of ferment that brings alarms and a target; see `vatvigil help alarms`.",),
    "[profile.<id>]": (
        "`base` (none): The built-in profile that this one begins from.",
        "`[profile.<id>.target]`, `[profile.<id>.alarm.<name>]`: As of a vat.",
    ),
}
"""Keys that are no field of the table's struct."""
_INSTEAD: Final[Mapping[str, Mapping[str, str]]] = {
    "[quiet]": {"zone": "that of [people]"},
    "[digest]": {"at": "the end of the quiet hours; without them, none"},
    "[rehearsal]": {"zone": "that of [people]"},
    "[probe.<id>.errors]": {
        "temperature_c": "1, with `assumed_temperature_c` 3",
        "own_ph": "0, of a probe that reports its own pH 0.03",
    },
    "[buffer.<id>]": {
        "values": "those of the built-in table of this id",
        "u_ph": "that of +/-0.02, rectangular",
    },
    "[vat.<id>.alarm.<name>]": {"kind": "the name of the table, where it is a kind"},
    "[vat.<id>]": {"name": "the id"},
    "[mqtt]": {"client_id": '"vatvigil", of a simulation "vatvigil-simulated"'},
    "[simulation]": {"epoch": "the time at start"},
}
"""Defaults that the file has and the struct has not, by table and key."""
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


def _keys(title: str, kind: type[Struct] | None) -> Iterator[str]:
    if kind is not None:
        hints, meanings = get_type_hints(kind, include_extras=True), _meanings(kind)
        for field, key in _fields(title, kind):
            default = _INSTEAD.get(title, {}).get(key) or default_of(field)
            range_ = "; ".join(part for part in (default, bounds_of(hints[field.name])) if part)
            yield f"`{key}` ({range_}): {meanings[field.name]}"
    yield from _BY_HAND.get(title, ())


def _fields(title: str, kind: type[Struct]) -> Iterator[tuple[FieldInfo, str]]:
    """Yield the fields of a struct that are keys of a table, each with its key, in the order of the struct."""
    left_out = _NOT_IN_FILE.get(title, ())
    keys = _KEYS.get(title) or {field.name: field.name for field in fields(kind) if field.name not in left_out}
    yield from ((field, keys[field.name]) for field in fields(kind) if field.name in keys)


def default_of(field: FieldInfo) -> str:
    """Say the default of a field as TOML would write it; `needed`: there is none."""
    if field.required:
        return "needed"
    return "none" if field.default is NODEFAULT else _written(field.default)


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
    """Return the string below each field of a struct."""
    (body,) = (node.body for node in ast.parse(inspect.getsource(kind)).body if isinstance(node, ast.ClassDef))
    found = {}
    for field, note in pairwise(body):
        is_note = isinstance(note, ast.Expr) and isinstance(note.value, ast.Constant)
        if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name) and is_note:
            found[field.target.id] = " ".join(str(note.value.value).split())  # type: ignore[attr-defined]
    return found
