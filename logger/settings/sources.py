"""Read the values: the environment stands over the secrets directory, that over the file.

Law: every name with our prefix is used or reported; none is ignored. Names of the user's own (vats, probes, alarms) may
be spelt in the environment with `_` for `-`, because a shell allows no `-` in names.
"""

import tomllib
from collections.abc import Iterable, Mapping
from datetime import date, time
from pathlib import Path
from typing import Any, Final

from pydantic.fields import FieldInfo
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, TomlConfigSettingsSource

from logger.config import RETIRED, AlarmKind
from logger.errors import ConfigurationError
from logger.settings import retired
from logger.settings.document import ANY_ID, innermost, is_list, layout
from logger.settings.problems import SECRETS, Key, Problem, nearest, suggestion
from logger.structs import Struct, field

PREFIX: Final = "VATVIGIL_"
SECRETS_DIR: Final = "VATVIGIL_SECRETS_DIR"
NOT_OURS: Final = frozenset({SECRETS_DIR, "VATVIGIL_CONFIG"})
"""Names with our prefix that are no keys of the file: where it is, and where the secrets are."""


class Overlay(Struct):
    """Values that stand over those of the file, and the name that each came by."""

    values: dict[str, Any] = field(default_factory=dict)
    origins: dict[Key, str] = field(default_factory=dict)
    problems: list[tuple[str, Problem]] = field(default_factory=list)

    def put(self, key: Key, value: object, *, origin: str) -> None:
        """Set one value."""
        table = self.values
        for part in key[:-1]:
            table = table.setdefault(part, {})
        table[key[-1]] = value
        self.origins[key] = origin


class OverlaySource(PydanticBaseSettingsSource):
    """Hands an overlay to pydantic-settings, which merges the sources."""

    def __init__(self, settings_cls: type[BaseSettings], overlay: Overlay) -> None:
        """Keep the overlay."""
        super().__init__(settings_cls)
        self._overlay = overlay

    def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:
        """Return one top-level table."""
        del field
        return self._overlay.values.get(field_name), field_name, True

    def __call__(self) -> dict[str, Any]:
        """Return all values."""
        return self._overlay.values


def toml_source(path: Path) -> TomlConfigSettingsSource:
    """Read the file. Raises ConfigurationError when it is missing, unreadable or not TOML."""
    try:
        if not path.is_file():  # pydantic-settings takes a missing file for an empty one
            what = "is not a file" if path.exists() else "there is no such file"
            raise ConfigurationError(f"{path}: {what}; name one with --config, or write one with `vatvigil init`")
        return TomlConfigSettingsSource(BaseSettings, toml_file=path)
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"{path}: this is not TOML: {error}; repair that line") from None
    except UnicodeDecodeError as error:
        raise ConfigurationError(f"{path}: byte {error.start} is not UTF-8; save the file as UTF-8") from None
    except (RecursionError, ValueError):
        raise ConfigurationError(f"{path}: it is nested too deeply or holds an endless number; simplify it") from None
    except OSError as error:
        raise ConfigurationError(f"{path}: cannot be read ({error.strerror}); check its owner and mode") from None


def overlay(environ: Mapping[str, str], document: Mapping[str, Any], *, base: Path) -> Overlay:
    """Return what the secrets directory and then the environment put over the file's values."""
    overlaid = Overlay()
    directory = environ.get(SECRETS_DIR)
    if directory is not None:
        _add_secrets(overlaid, base / directory, document)
    for name in sorted(environ):
        if name.startswith(PREFIX) and name not in NOT_OURS:
            _add_name(overlaid, f"environment {name}", name.removeprefix(PREFIX), environ[name], document)
    return overlaid


def _add_secrets(overlaid: Overlay, directory: Path, document: Mapping[str, Any]) -> None:
    """Add every file of a secrets directory, each named as in the environment but without the prefix."""
    try:
        files = sorted(entry for entry in directory.iterdir() if entry.is_file() and not entry.name.startswith("."))
        texts = {entry: entry.read_text(encoding="utf-8").rstrip("\r\n") for entry in files}
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "not UTF-8"
        remedy = f"check the directory's owner and mode or unset {SECRETS_DIR}"
        reason = f"the secrets directory {directory} cannot be read ({why})"
        overlaid.problems.append((f"environment {SECRETS_DIR}", Problem(key=(), reason=reason, remedy=remedy)))
        return
    for entry, text in texts.items():
        _add_name(overlaid, str(entry), entry.name, text, document)


def _add_name(overlaid: Overlay, origin: str, name: str, text: str, document: Mapping[str, Any]) -> None:
    """Add one value by its name, parts of a key joined by `__`; or the problem that there is no such key."""
    key: list[str] = []
    shape: Any = layout()
    for part in name.lower().split("__"):
        if not isinstance(shape, dict):
            shape = None
            break
        written = _written(part, shape, _table(document, key))
        if written is None and retired.is_retired((*key, part)):
            overlaid.put((*key, part), text, origin=origin)
            return
        if written is None:
            overlaid.problems.append((origin, _no_such(origin, part, [_spelt(choice) for choice in shape])))
            return
        key.append(written)
        shape = shape.get(written, shape.get(ANY_ID))
    if shape is None or isinstance(shape, dict):
        reason = "this names a table, not a value" if isinstance(shape, dict) else "a value has no parts"
        overlaid.problems.append((origin, Problem(key=(), reason=reason, remedy="name one key, parts joined by __")))
        return
    overlaid.put(
        tuple(key),
        text if tuple(key) in SECRETS else _value(text, list if is_list(shape) else innermost(shape)),
        origin=origin,
    )


def _no_such(origin: str, part: str, valid: list[str]) -> Problem:
    near = nearest(part, valid)
    name = origin.rsplit("/", 1)[-1].removeprefix("environment ")
    at = name.lower().rfind(part)
    meant = near.upper() if near and name.isupper() else near
    remedy = f"did you mean {name[:at]}{meant}{name[at + len(part) :]}?" if meant else suggestion(part, valid)
    return Problem(key=(), reason=f"there is no such setting ({part!r} is no key here)", remedy=remedy)


def _written(part: str, shape: dict[str, Any], there: Iterable[str]) -> str | None:
    """Return the key that an environment's part means; None: none."""
    if ANY_ID not in shape:
        return part if part in shape else None
    candidates = [*there, *AlarmKind, *RETIRED]
    return next((str(name) for name in candidates if _spelt(name) == part), part)


def _spelt(name: str) -> str:
    return name.replace("-", "_").lower()


def _table(document: Mapping[str, Any], key: Iterable[str]) -> Mapping[str, Any]:
    table: Any = document
    for part in key:
        table = table.get(part, {}) if isinstance(table, Mapping) else {}
    return table if isinstance(table, Mapping) else {}


def _value(text: str, kind: type) -> object:
    """Return an environment's text as the file would hold it: numbers, truth, times and lists by TOML's rules."""
    if issubclass(kind, str | Path):
        return text
    try:
        value = tomllib.loads(f"value = {text}")["value"] if "\n" not in text else text
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        return text
    return value if isinstance(value, bool | int | float | date | time | kind) else text
