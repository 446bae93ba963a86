"""Profiles that the user wrote: `[profile.<id>]`, alone or over a built-in one.

Law: what is written stands over the base, key by key, as in a vat; an alarm of another kind takes nothing from the
base's of its name. What is wrong is told once, at the profile, however many vats use it.
"""

from collections.abc import Mapping
from typing import Any

from logger.config import AlarmKind
from logger.settings.document import Table
from logger.settings.parsing import ParsedSources
from logger.settings.problems import Key, Problem
from logger.settings.profiles import PROFILES, TARGETS, Profile

Alarms = Mapping[str, Mapping[str, Any]]
"""Keys of alarms by their names; `kind` is always among them."""


def profiles(reading: ParsedSources) -> Mapping[str, Alarms]:
    """Return all profiles by their names, the built-in ones and the user's; adds what is wrong to the problems."""
    built_in: dict[str, Alarms] = {str(name): alarms for name, alarms in PROFILES.items()}
    return {
        **built_in,
        **{name: _own(reading, name, table) for name, table in reading.document.get("profile", {}).items()},
    }


def targets(reading: ParsedSources) -> Mapping[str, Mapping[str, Any]]:
    """Return the keys of the targets of all profiles that have one, by their names."""
    built_in: dict[str, Mapping[str, Any]] = {str(name): keys for name, keys in TARGETS.items()}
    own = {
        name: {**(TARGETS.get(table["base"], {}) if "base" in table else {}), **table.get("target", {})}
        for name, table in reading.document.get("profile", {}).items()
        if "target" in table or table.get("base") in TARGETS
    }
    return {**built_in, **own}


def _own(reading: ParsedSources, name: str, table: Table) -> Alarms:
    key = ("profile", name)
    if name in set(Profile):
        remedy = f'give it a name of its own and write base = "{name}"'
        reading.add(Problem(key=key, reason="this is the name of a built-in profile", remedy=remedy))
    base: Alarms = PROFILES[table["base"]] if "base" in table else {}
    own = {alarm: _over(base.get(alarm, {}), alarm, each) for alarm, each in table.get("alarm", {}).items()}
    for alarm in sorted(alarm for alarm, keys in own.items() if keys["kind"] is None):
        reading.add(kind_missing((*key, "alarm", alarm)))
    return {**base, **{alarm: keys for alarm, keys in own.items() if keys["kind"] is not None}}


def _over(base: Mapping[str, Any], alarm: str, table: Table) -> Mapping[str, Any]:
    """Return what is written over the keys of an alarm of the same kind."""
    named = AlarmKind(alarm) if alarm in AlarmKind.of_vats() else None
    kind = table.get("kind") or base.get("kind") or named
    inherited = base if base.get("kind") is kind else {}
    return {**inherited, **table, "kind": kind}


def kind_missing(key: Key) -> Problem:
    """Return the problem of an alarm of which nobody can tell what it watches."""
    remedy = f'write kind = "...", one of: {", ".join(AlarmKind.of_vats())}'
    return Problem(key=(*key, "kind"), reason="it is missing, and the alarm's own name is no kind", remedy=remedy)
