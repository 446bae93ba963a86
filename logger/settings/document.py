"""Derive the layout of the TOML file from the structs of `logger/config`: tables, keys, types, bounds.

Law: a setting is declared there. `TABLES` adds only where the file differs from the objects: names that the user
chooses, a time of day, a secret's file. Nothing has a default here. Types are strict: TOML tells a number from a text.
"""

import types
from collections.abc import Callable, Collection, Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Final, Union, get_args, get_origin, get_type_hints

from pydantic import AwareDatetime, BaseModel, ConfigDict, Strict, create_model

from logger.config import (
    AlarmConfig,
    BufferConfig,
    Config,
    DeadManConfig,
    HookConfig,
    MqttConfig,
    PeopleConfig,
    ProbeConfig,
    PushConfig,
    QuietConfig,
    Simulation,
    SystemConfig,
    TargetConfig,
    VatConfig,
)
from logger.settings.profiles import Profile
from logger.structs import Struct

Table = Mapping[str, Any]
"""What is written in a table of the file, by key; no key that is not written."""
_STRICT: Final = (float, int, str, bool, date, datetime)
_CONTAINERS: Final = (tuple, list, dict)


class _TomlTable(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, frozen=True, hide_input_in_errors=True)


def in_file(hint: Any) -> Any:  # noqa: ANN401 - a type hint is of no common type
    """Return the type of a field as the file has it: strict, never None, a table for a struct."""
    origin, arguments = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return Annotated[(in_file(arguments[0]), *arguments[1:])]
    if origin in (Union, types.UnionType):
        return in_file(next(choice for choice in arguments if choice is not type(None)))
    if origin in _CONTAINERS:
        return origin[tuple(each if each is ... else in_file(each) for each in arguments)]
    if is_table(hint):
        return table(hint)
    return Annotated[hint, Strict()] if hint in _STRICT else hint


def is_table(hint: Any) -> bool:  # noqa: ANN401 - a type hint is of no common type
    """Tell whether a type is one of those of `logger/config`: a table of the file."""
    return isinstance(hint, type) and issubclass(hint, Struct)


def table(
    kind: Any,  # noqa: ANN401 - a type hint is of no common type
    more: Mapping[str, Any] | None = None,
    *,
    only: Collection[str] = (),
    without: Collection[str] = (),
) -> Any:  # noqa: ANN401
    """Return the model of a table: the fields of a struct (`only` these, or `without` those) and more keys."""
    hints = get_type_hints(kind, include_extras=True)
    names = getattr(kind, "__struct_fields__", ())  # `object` has none
    kept = {name: hints[name] for name in names if name not in without and (not only or name in only)}
    keys: dict[str, Any] = {name: (in_file(hint), None) for name, hint in {**kept, **(more or {})}.items()}
    return create_model("Table", __base__=_TomlTable, **keys)


def _hint(kind: type, name: str) -> Any:  # noqa: ANN401 - a type hint is of no common type
    return get_type_hints(kind, include_extras=True)[name]


def named_tables(
    kind: Any,  # noqa: ANN401 - a type hint is of no common type
    more: Mapping[str, Any] | None = None,
    *,
    only: Collection[str] = (),
    without: Collection[str] = ("id",),
) -> Any:  # noqa: ANN401
    """Return the type of tables whose names the user chooses."""
    return dict[str, table(kind, more, only=only, without=without)]  # type: ignore[misc] # made here, unknown to mypy


ALARM: Final = table(AlarmConfig)
TABLES: Final[Mapping[str, Callable[[], Any]]] = {
    "store": lambda: table(Config, {"path": Path, "url": str, "url_file": Path}, only=["backup_dir", "commit_every_s"]),
    "mqtt": lambda: table(MqttConfig, {"password_file": Path}),
    "hook": lambda: table(HookConfig),
    "push": lambda: table(PushConfig, {"urls_file": Path}),
    "dead_man": lambda: table(DeadManConfig, {"url_file": Path}),
    "people": lambda: table(PeopleConfig, only=["zone"]),
    "quiet": lambda: table(QuietConfig, {"from": str, "to": str}, without=["begin_min", "end_min"]),
    "digest": lambda: table(object, {"at": str}),
    "system": lambda: table(
        SystemConfig,
        {"alarm": named_tables(AlarmConfig, only=["on_delay_s", "priority", "realarm_s", "reminder_s"])},
        only=["disk_reserve_mb"],
    ),
    "rehearsal": lambda: table(object, {"at": str, "within_s": _hint(SystemConfig, "rehearse_within_s"), "zone": str}),
    "probe": lambda: named_tables(ProbeConfig),
    "buffer": lambda: named_tables(BufferConfig, {"values": dict[str, float]}, without=["id", "values_ph"]),
    "profile": lambda: named_tables(
        object, {"base": Profile, "target": TargetConfig, "alarm": named_tables(AlarmConfig)}
    ),
    "vat": lambda: named_tables(
        VatConfig,
        {"profile": str, "alarm": named_tables(AlarmConfig)},
        without=["id", "reference_of", "people", "alarms"],
    ),
    "simulation": lambda: table(Simulation, {"epoch": Annotated[AwareDatetime, Strict()]}, without=["epoch_us"]),
}
"""The whole file: what makes the type of each table. Only what is written is made: 2 to 20 ms of the start for each."""


def as_dict(value: Any) -> Any:  # noqa: ANN401 - tables hold whatever TOML can hold
    """Return a table as nested dictionaries that hold what was written and nothing else."""
    if isinstance(value, BaseModel):
        return {name: as_dict(each) for name, each in value if name in value.model_fields_set}
    return {name: as_dict(each) for name, each in value.items()} if isinstance(value, dict) else value


ANY_ID: Final = "<id>"


@cache
def layout() -> dict[str, Any]:
    """Return the keys as nested dictionaries whose leaves are types; `ANY_ID` stands for a name the user chose."""
    return {name: _shape(made()) for name, made in TABLES.items()}


def _shape(hint: Any) -> Any:  # noqa: ANN401 - a type hint is of no common type
    """Return the keys under one hint, or the hint of a leaf."""
    if get_origin(hint) is dict:
        return {ANY_ID: _shape(get_args(hint)[1])}
    if isinstance(hint, type) and not get_args(hint) and issubclass(hint, BaseModel):
        return {name: _shape(each) for name, each in get_type_hints(hint, include_extras=True).items()}
    return hint


def keys_at(path: tuple[str, ...]) -> dict[str, Any]:
    """Return what may stand under a table of the file; empty where no table can be."""
    shape: Any = layout()
    for part in path:
        shape = shape.get(part, shape.get(ANY_ID)) if isinstance(shape, dict) else None
    return shape if isinstance(shape, dict) else {}


def innermost(leaf: Any) -> Any:  # noqa: ANN401 - a type hint is of no common type
    """Return the class of a leaf's values, of a tuple that of its items."""
    return innermost(get_args(leaf)[0]) if get_args(leaf) else leaf


def is_list(leaf: Any) -> bool:  # noqa: ANN401 - a type hint is of no common type
    """Tell whether a leaf's values are written as a list."""
    return get_origin(leaf) is tuple or (get_origin(leaf) is Annotated and is_list(get_args(leaf)[0]))


def bounds(leaf: Any) -> dict[str, Any]:  # noqa: ANN401 - a type hint is of no common type
    """Return the bounds of a leaf, of a tuple those of its items, by the names of `annotated_types`: ge, le, ..."""
    inner, *notes = get_args(leaf) or (leaf,)
    if inner is leaf:
        return {}
    own = {field.name: getattr(note, field.name) for note in notes if is_dataclass(note) for field in fields(note)}
    return bounds(inner) | own
