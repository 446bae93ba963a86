"""Leave out what an earlier version of the configuration knew, and say what became of it.

Law: a configuration that was good enough to watch by goes on being so after an upgrade: what is retired is no problem,
only a sentence. It is taken out of every source before anything is checked.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from logger.config import RETIRED
from logger.settings.problems import Key, written_key

LIMITS: Final = frozenset(
    {"witness_window_s", "witness_rate_c_per_h", "witness_spread_c", "witness_noise_mv", "erratic_spread_mv"}
)
"""Keys below `[probe.<id>.limits]` that are no more."""
CLAIMS: Final[Mapping[str, str]] = {
    "check_within_h": "how long a check counts follows from what an electrode may do since then",
    "spot_check": "a claim is always confirmed by another instrument",
}
"""Keys below `[vat.<id>.target]` that are no more, and what holds in their place."""


def leave_out(sources: Sequence[dict[str, Any]]) -> Mapping[Key, str]:
    """Take what is retired out of the sources, the one that stands over the others first; return what to say of it."""
    whole: dict[str, Any] = {}
    for source in reversed(sources):
        whole = _over(whole, source)
    said = {key: _of_limit(key) for key in _limits(whole)} | {key: _of_alarm(key, kind) for key, kind in _alarms(whole)}
    said |= {key: _of_claim(key) for key in _claims(whole)}
    for key in said:
        for source in sources:
            _table(source, *key[:-1]).pop(key[-1], None)
    return said


def is_retired(key: Key) -> bool:
    """Tell whether a key is one of the limits, or of what a claim asked for, that are no more."""
    if len(key) != 4:  # noqa: PLR2004 - its parts
        return False
    table, name = (key[0], key[2]), key[3]
    return (table == ("probe", "limits") and name in LIMITS) or (
        table[0] in ("profile", "vat") and table[1] == "target" and name in CLAIMS
    )


def _over(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Return two documents as one, table by table."""
    both = {
        name: _over(under[name], value)
        for name, value in over.items()
        if isinstance(value, dict) and isinstance(under.get(name), dict)
    }
    return {**under, **over, **both}


def _table(document: dict[str, Any], *key: str) -> dict[str, Any]:
    """Return a table; an empty one where none is, for anything can be written anywhere."""
    table: Any = document
    for part in key:
        table = table.get(part) if isinstance(table, dict) else None
    return table if isinstance(table, dict) else {}


def _limits(whole: dict[str, Any]) -> Iterator[Key]:
    for probe in _table(whole, "probe"):
        yield from (
            ("probe", probe, "limits", name) for name in _table(whole, "probe", probe, "limits").keys() & LIMITS
        )


def _claims(whole: dict[str, Any]) -> Iterator[Key]:
    for group in ("profile", "vat"):
        for owner in _table(whole, group):
            names = _table(whole, group, owner, "target").keys() & CLAIMS.keys()
            yield from ((group, owner, "target", name) for name in names)


def _alarms(whole: dict[str, Any]) -> Iterator[tuple[Key, str]]:
    """Yield each alarm of a retired kind, and that kind; a vat's has the kind of its profile's where it names none."""
    for group in ("profile", "vat"):
        for owner in _table(whole, group):
            profile = _table(whole, group, owner).get("profile")
            of_profile = _table(whole, "profile", profile, "alarm") if isinstance(profile, str) else {}
            for name in _table(whole, group, owner, "alarm"):
                inherited = _table(of_profile, name).get("kind", name)
                kind = _table(whole, group, owner, "alarm", name).get("kind", inherited)
                if isinstance(kind, str) and kind in RETIRED:
                    yield (group, owner, "alarm", name), kind


def _of_alarm(key: Key, kind: str) -> str:
    instead = _shown((*key[:-1], "trust-lost"))
    return (
        f"{_shown(key)} is no longer an alarm of its own: {RETIRED[kind]}; remove the table, and write {instead} to"
        " tune that"
    )


def _of_limit(key: Key) -> str:
    return (
        f"{key[-1]} below {_shown(key[:-1])} is no longer a limit: trust in a probe is judged by what its own vat"
        " usually does; remove the line"
    )


def _of_claim(key: Key) -> str:
    return f"{key[-1]} below {_shown(key[:-1])} is no longer a setting: {CLAIMS[key[-1]]}; remove the line"


def _shown(key: Key) -> str:
    return f"[{'.'.join(map(written_key, key))}]"
