"""The sources -> one `Document`, and every problem of form on the way.

Law: one bad value hides no other. What cannot be read is reported and left out, and the rest is read again, so that the
checks of meaning see all that is left. Whatever TOML can say ends here in a document or in problems.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import ErrorDetails
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, TomlConfigSettingsSource

from logger.config import AlarmKind
from logger.settings.document import Document, keys_at
from logger.settings.problems import Key, Problem, suggestion, unknown, wanted_number, written
from logger.settings.sources import Overlay, OverlaySource, overlay, toml_source

_WANTED: Final = {
    "int_type": ("a whole number is wanted", "write it without quotes and without a decimal point"),
    "int_from_float": ("a whole number is wanted", "write it without a decimal point"),
    "int_parsing_size": ("the number is too large", "write a smaller one"),
    "bool_type": ("true or false is wanted", "write one of them without quotes"),
    "string_type": ("a text is wanted", "put it in quotes"),
    "string_unicode": ("the text is not valid Unicode", "write it anew"),
    "list_type": ("a list of texts is wanted", 'write it as ["one", "two"]'),
    "path_type": ("a path is wanted", "write it as a text in quotes"),
    "finite_number": ("a finite number is wanted", "write a number that is not nan or inf"),
    "datetime_type": ("a time is wanted", "write it without quotes, such as 2030-05-01T18:00:00Z"),
    "date_type": ("a day is wanted", "write it without quotes, such as 2030-05-01"),
    "timezone_aware": ("the time lacks its offset from UTC", "end it with Z or with an offset such as +02:00"),
}
_NUMBERS: Final = frozenset({"float_type", "float_parsing"})
_TABLES: Final = frozenset({"model_type", "dict_type", "model_attributes_type"})
_UNKNOWN: Final = frozenset({"extra_forbidden"})


@dataclass(slots=True, kw_only=True)
class ParsedSources:
    """What was read, where it came from and what was wrong with it."""

    path: Path
    document: Document
    overlay: Overlay
    problems: list[tuple[str, Problem]] = field(default_factory=list)
    left_out: set[Key] = field(default_factory=set)

    def add(self, problem: Problem) -> None:
        """Add a problem, unless its key has one already or stands in what was left out."""
        key = problem.key
        told = {other.key for _, other in self.problems if other.key}
        if key not in told and not any(key[: len(out)] == out for out in self.left_out):
            self.problems.append((self.overlay.origins.get(key, str(self.path)), problem))


def read(path: Path, *, environ: Mapping[str, str]) -> ParsedSources:
    """Read all sources. Raises ConfigurationError when there is no file to start from."""
    source = toml_source(path)
    over = overlay(environ, source.toml_data, base=path.parent)
    reading = ParsedSources(path=path, document=Document.model_construct(), overlay=over, problems=list(over.problems))
    tables = [over.values, source.init_kwargs]
    while True:
        try:
            reading.document = _bound(over, source)()
        except ValidationError as error:
            for detail in error.errors(include_url=False, include_context=False):
                _leave_out(reading, tables, detail)
        else:
            return reading


def _bound(over: Overlay, source: TomlConfigSettingsSource) -> type[Document]:
    """Return `Document` reading from these sources and from nothing else."""

    class Bound(Document):
        @classmethod
        def settings_customise_sources(
            cls, settings_cls: type[BaseSettings], *_: object, **__: object
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            return OverlaySource(settings_cls, over), source

    return Bound


def _leave_out(reading: ParsedSources, tables: list[dict[str, Any]], detail: ErrorDetails) -> None:
    """Report one value that cannot be read, and take it out of the source that it came from."""
    key = _key(detail)
    if key in reading.left_out:  # another part of a list that is out already
        return
    found = [table for table in _holders(tables, key) if key[-1] in table]
    if not found:
        raise AssertionError(f"{detail['type']} at {key}: nothing to leave out")
    reading.add(_problem(detail, key))
    reading.left_out.add(key)
    for table in found:
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
    kind, value = detail["type"], detail["input"]
    if kind in _UNKNOWN:
        return unknown(key, keys_at(key[:-1]))
    if kind in _TABLES:
        return Problem(key=key, reason="a table is wanted", remedy=f"write [{'.'.join(key)}] and its keys below")
    if kind in _NUMBERS:
        return wanted_number(key, value)
    if kind == "enum":
        shape = keys_at(key[:-1])[key[-1]]
        return Problem(
            key=key,
            value=written(key, value),
            reason="there is no such choice",
            remedy=suggestion(str(value)[:60] if isinstance(value, str) else "", _choices(shape)),
        )
    reason, remedy = _WANTED.get(kind, (detail["msg"].lower(), "write another value"))
    return Problem(key=key, value=written(key, value), reason=reason, remedy=remedy)
