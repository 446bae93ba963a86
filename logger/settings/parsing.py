"""Read the sources into one document, and report every value of a wrong form or out of bounds.

Law: one bad value hides no other. What cannot be read is reported and left out, and the rest is read again, so that the
checks of meaning see all that is left. Whatever TOML can say ends here in a document or in problems.
"""

from collections.abc import Container, Iterable, Iterator, Mapping
from itertools import takewhile
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError, create_model
from pydantic_core import ErrorDetails
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, TomlConfigSettingsSource

from logger.config import AlarmConfig, AlarmKind
from logger.settings import retired
from logger.settings.document import ALARM, ANY_ID, TABLES, Table, as_dict, bounds, innermost, keys_at
from logger.settings.problems import Key, Problem, out_of_bounds, suggestion, unknown_key, wanted_number, wrong
from logger.settings.sources import Overlay, OverlaySource, overlay, toml_source
from logger.structs import Struct, field

_WANTED: Final = {
    "int_type": ("a whole number is wanted", "write it without quotes and without a decimal point"),
    "int_from_float": ("a whole number is wanted", "write it without a decimal point"),
    "int_parsing_size": ("the number is too large", "write a smaller one"),
    "bool_type": ("true or false is wanted", "write one of them without quotes"),
    "string_type": ("a text is wanted", "put it in quotes"),
    "string_unicode": ("the text is not valid Unicode", "write it anew"),
    "tuple_type": ("a list of texts is wanted", 'write it as ["one", "two"]'),
    "tuple_of_int_type": ("a list of whole numbers is wanted", "write it as [0, 3]"),
    "path_type": ("a path is wanted", "write it as a text in quotes"),
    "finite_number": ("a finite number is wanted", "write a number that is not nan or inf"),
    "datetime_type": ("a time is wanted", "write it without quotes, such as 2030-05-01T18:00:00Z"),
    "date_type": ("a day is wanted", "write it without quotes, such as 2030-05-01"),
    "timezone_aware": ("the time lacks its offset from UTC", "end it with Z or with an offset such as +02:00"),
}
_NUMBERS: Final = frozenset({"float_type", "float_parsing"})
_TABLES: Final = frozenset({"model_type", "dict_type", "model_attributes_type"})
_BOUNDS: Final = frozenset(
    {
        "greater_than",
        "greater_than_equal",
        "less_than_equal",
        "string_too_short",
        "string_too_long",
        "predicate_failed",
    }
)


class ParsedSources(Struct, kw_only=True):
    """What was read, where it came from and what was wrong with it."""

    path: Path
    document: Table
    overlay: Overlay
    problems: list[tuple[str, Problem]] = field(default_factory=list)
    left_out: set[Key] = field(default_factory=set)
    retired: tuple[str, ...] = ()
    """What became of what earlier versions knew, a sentence each."""

    def add(self, problem: Problem) -> None:
        """Add a problem, unless its key has one already or stands in what was left out."""
        key = problem.key
        reported = {other.key for _, other in self.problems if other.key}
        if key not in reported and not any(key[: len(out)] == out for out in self.left_out):
            self.problems.append((self.overlay.origins.get(key, str(self.path)), problem))


def read(path: Path, *, environ: Mapping[str, str]) -> ParsedSources:
    """Read all sources. Raises ConfigurationError when there is no file to start from."""
    source = toml_source(path)
    over = overlay(environ, source.toml_data, base=path.parent)
    reading = ParsedSources(path=path, document={}, overlay=over, problems=list(over.problems))
    tables = [over.values, source.init_kwargs]
    reading.retired = tuple(f"{_origin(over, key)}{said}" for key, said in retired.leave_out(tables).items())
    model = _model(over, source, written={*over.values, *source.init_kwargs})
    while True:
        try:
            reading.document = as_dict(model())
        except ValidationError as error:
            for detail in error.errors(include_url=False, include_context=False):
                _leave_out(reading, tables, detail)
        else:
            return reading


def _origin(over: Overlay, key: Key) -> str:
    """Return where a key or a key below it was written, if that is not in the file."""
    origins = (origin for written, origin in over.origins.items() if written[: len(key)] == key)
    return next((f"{origin}: " for origin in origins), "")


def _model(over: Overlay, source: TomlConfigSettingsSource, *, written: Container[str]) -> type[BaseSettings]:
    """Return a model of the file that reads from these sources and from nothing else.

    It knows only the tables that are written: pydantic takes 2 to 20 ms for each.
    """

    class Sources(BaseSettings):
        model_config = SettingsConfigDict(extra="forbid", validate_default=False, hide_input_in_errors=True)

        @classmethod
        def settings_customise_sources(
            cls, settings_cls: type[BaseSettings], *_: object, **__: object
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            return OverlaySource(settings_cls, over), source

    tables: dict[str, Any] = {name: (made(), None) for name, made in TABLES.items() if name in written}
    return create_model("Document", __base__=Sources, **tables)


def _leave_out(reading: ParsedSources, tables: list[dict[str, Any]], detail: ErrorDetails) -> None:
    """Report one value that cannot be read, and take it out of the source that it came from."""
    key = _key(detail)
    if key in reading.left_out:  # another part of a list that is out already
        return
    holders = [table for table in _holders(tables, key) if key[-1] in table]
    if not holders:
        raise AssertionError(f"{detail['type']} at {key}: nothing to leave out")
    reading.add(_problem(detail, key))
    reading.left_out.add(key)
    for table in holders:
        del table[key[-1]]


def _key(detail: ErrorDetails) -> Key:
    """Return the dotted key, of a list's part that of the list.

    Pydantic marks an error in a dictionary's key itself with a last part of its own.
    """
    parts = tuple(str(part) for part in takewhile(lambda part: isinstance(part, str), detail["loc"]))
    return parts[:-1] if parts[-1] == "[key]" else parts


def _choices(shape: Iterable[object]) -> list[str]:
    """Return what an enumeration lets a user write: its kinds of alarms are those of vats."""
    return [str(member) for member in (AlarmKind.of_vats() if shape is AlarmKind else shape)]


def _holders(tables: list[dict[str, Any]], key: Key) -> Iterator[dict[str, Any]]:
    for table in tables:
        holder: Any = table
        for part in key[:-1]:
            holder = holder.get(part) if isinstance(holder, dict) else None
        if isinstance(holder, dict):
            yield holder


def _problem(detail: ErrorDetails, key: Key) -> Problem:
    kind, value, valid = detail["type"], detail["input"], keys_at(key[:-1])
    if kind == "extra_forbidden":
        return unknown_key(key, valid)
    if kind in _TABLES:
        return Problem(key=key, reason="a table is wanted", remedy=f"write [{'.'.join(key)}] and its keys below")
    if kind in _NUMBERS:
        return wanted_number(key, value)
    if kind in _BOUNDS:
        return out_of_bounds(key, value, bounds(valid.get(key[-1], valid.get(ANY_ID))))
    if kind == "enum":
        near = suggestion(value[:60] if isinstance(value, str) else "", _choices(innermost(valid[key[-1]])))
        return wrong(key, value, "there is no such choice", near)
    if kind == "tuple_type" and innermost(valid[key[-1]]) is int:
        kind = "tuple_of_int_type"  # a name of our own
    reason, remedy = _WANTED.get(kind, (detail["msg"].lower(), "write another value"))
    return wrong(key, value, reason, remedy)


def bounds_problems(key: Key, alarm: AlarmConfig) -> Iterator[Problem]:
    """Yield what is out of bounds in an alarm that may not come from a file but from a trial or a default."""
    values = {name: getattr(alarm, name) for name in alarm.__struct_fields__}
    try:
        ALARM.model_validate({name: value for name, value in values.items() if value is not None})
    except ValidationError as error:
        for detail in error.errors(include_url=False, include_context=False):
            yield _problem(detail, (*key, *_key(detail)))
