"""Encode and decode the parts of `model.Carry` as JSON text, each with a version of its own.

Law: a part is read only if its version is known and its fields, at every depth, are exactly those of that version;
otherwise StoreError: a field that is not known here may not be lost, one that is missing may not be made up. A part
that is missing is refused too, but for those that may begin anew. To change
the fields of a part: raise its version here, and add to `STEPS` how a part of the version before becomes one of it.

What changes with each record stands in a row of its own (`NEWEST`), so that the rest, which is much more, is not
written again each time: a memory card wears out by what is written.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from operator import attrgetter
from typing import Any, NamedTuple

import msgspec

from logger.errors import StoreError
from logger.model import (
    AlarmState,
    BatchState,
    CareState,
    Carry,
    ElectrodeState,
    ForecastState,
    ReportedState,
    SuppressionState,
    TrustState,
    WindowState,
)
from logger.structs import field_names

PARTS: Mapping[str, tuple[Any, int]] = {
    "alarms": (Mapping[str, AlarmState], 3),
    "batch": (BatchState, 4),
    "electrode": (ElectrodeState, 4),
    "suppression": (SuppressionState, 1),
    "reported": (ReportedState, 3),
    "windows": (WindowState, 2),
    "trust": (TrustState, 1),
    "forecast": (ForecastState, 1),
    "care": (CareState, 1),
}
"""By name (the field of `Carry`): what it holds, and the version in which it is written."""
BEGUN_ANEW = frozenset({"forecast", "care"})
"""Parts that a store of an earlier version has not: nothing recorded is in them, and they are soon as they were."""
NEWEST, NEWEST_VERSION = "newest", 1
"""The row of what changes with each record, by part: as in `_OF_EACH_RECORD`, of alarms for each of them."""
_OF_EACH_RECORD: Mapping[str, Sequence[str]] = {
    "alarms": ("seen_us", "newest", "newest_u"),
    "electrode": ("thermometer",),
    "reported": ("record_at_us", "record_us", "believed_at_us", "believed_us", "believed_ph", "believed_u"),
}

Part = dict[str, Any]
Step = Callable[[Part], Part]


def _alarms_1(alarms: Part) -> Part:
    """Value judged last: not known."""
    return {name: {**state, "newest": None, "newest_u": None} for name, state in alarms.items()}


def _batch_1(batch: Part) -> Part:
    """Watch times of checks and of what was known of the drift: not known."""
    progress = batch["progress"]
    checks = {name: progress[name] and {**progress[name], **_UNKNOWN} for name in ("check", "spot")}
    claim, before = progress["claim"], progress["withdrawn"]
    claims = {
        "claim": claim and _with_drift(claim),
        "withdrawn": before and {**before, "claim": _with_drift(before["claim"])},
    }
    return {**batch, "progress": {**progress, **checks, **claims}}


def _batch_2(batch: Part) -> Part:
    """Withdraw what was claimed by rules that are no more; windows and spot measurements begin anew."""
    progress = batch["progress"]
    kept = {name: progress[name] for name in ("started_us", "fresh_us", "reading_at_us")}
    claim, before = progress["claim"], progress["withdrawn"]
    withdrawn = before and {**before, "claim": None}
    if claim:
        words = (
            f"pH {claim['ph']:.2f} was claimed to be at or below {claim['limit_ph']:.2f} by an earlier vatvigil, by"
            " rules that could claim too early: measure with another instrument, and it is judged anew"
        )
        times = {"at_us": claim["at_us"], "elapsed_us": 0}
        withdrawn = {"claim": None, **times, "ph": claim["ph"], "u": claim["u"], "text": words}
    begun = {"reads": 0, "shows": 0, "newest": None, "is_asked": False, "claim": None, "spot": None}
    return {**batch, "progress": {**kept, **begun, "withdrawn": withdrawn}}


def _batch_3(batch: Part) -> Part:
    """Identity of its record: not known here; that of the newest start in the store is meant."""
    return {**batch, "id": "", "ended_at_us": None}


def _electrode_2(electrode: Part) -> Part:
    """Leave out the drift: the estimate is begun anew from the checks (`measure/estimate.py`)."""
    return {**{name: value for name, value in electrode.items() if name != "drift"}, "estimate": None}


def _electrode_1(electrode: Part) -> Part:
    """Watch times of the calibration and its checks: not known; the thermometer was not judged yet."""
    made = dict.fromkeys(("calibrated_us", "checked_us", "spotted_us"))
    thermometer = {"good_c": None, "good_us": 0, "odd_c": None, "is_step": False, "same": 0, "score": 0}
    return {
        **_with_drift(electrode),
        **made,
        "thermometer": {**thermometer, "is_faulty": False},
        "unwatched_at_us": None,
    }


def _reported_1(reported: Part) -> Part:
    return {**reported, "record_at_us": None, "record_us": None}


def _reported_2(reported: Part) -> Part:
    """Remember no gap of unknown length."""
    return {**reported, "guessed_us": None}


def _with_drift(part: Part) -> Part:
    """Return what holds a drift with its watch time, not known."""
    return {**part, "drift": part["drift"] and {**part["drift"], **_UNKNOWN}}


def _windows_1(windows: Part) -> Part:
    """Leave out what was thought of the probe in the liquid: trust takes its place."""
    return {name: value for name, value in windows.items() if name != "immersion"}


def _as_it_was(part: Part) -> Part:
    """Return what only lost fields to the row of the newest: a part of before still holds them."""
    return part


_UNKNOWN = {"elapsed_us": None}
STEPS: Mapping[str, Mapping[int, Step]] = {
    "alarms": {1: _alarms_1, 2: _as_it_was},
    "batch": {1: _batch_1, 2: _batch_2, 3: _batch_3},
    "electrode": {1: _electrode_1, 2: _electrode_2, 3: _as_it_was},
    "reported": {1: _reported_1, 2: _reported_2},
    "windows": {1: _windows_1},
}
"""By part and version: what makes the content of that version one of the next; plain dicts, nothing of the model."""


class PartRow(NamedTuple):
    """A row of `watch_part`, but for its vat."""

    part: str
    probe: str
    version: int
    content: str


def encode(carry: Carry, before: Carry | None = None) -> list[PartRow]:
    """Return a row for each part that is not as before, and one of what changes with each record."""
    known = before if before is not None and before.probe == carry.probe else None
    rows = [
        _row(carry.probe, name, version, _whole(name, getattr(carry, name)))
        for name, (_, version) in PARTS.items()
        if known is None or not _is_same(name, getattr(carry, name), getattr(known, name))
    ]
    newest = {name: _of_record(name, getattr(carry, name)) for name in _OF_EACH_RECORD}
    return [*rows, _row(carry.probe, NEWEST, NEWEST_VERSION, newest)]


def _is_same(name: str, one: Any, other: Any) -> bool:  # noqa: ANN401 - any part
    """Tell whether a part is as before, but for what changes with each record.

    A look takes a tenth of what it takes to encode the part, and nearly always finds it so.
    """
    if one is other or name not in _REST:
        return bool(one == other)
    rest = _REST[name]
    if name == "alarms":
        pairs = ((state, other.get(alarm)) for alarm, state in one.items())
        return len(one) == len(other) and all(a is b or (b and rest(a) == rest(b)) for a, b in pairs)
    return bool(rest(one) == rest(other))


def _rest_of(kind: type, of_each_record: Sequence[str]) -> Callable[[Any], tuple[Any, ...]]:
    return attrgetter(*(name for name in field_names(kind) if name not in of_each_record))


_REST = {
    "alarms": _rest_of(AlarmState, _OF_EACH_RECORD["alarms"]),
    "electrode": _rest_of(ElectrodeState, _OF_EACH_RECORD["electrode"]),
    "reported": _rest_of(ReportedState, _OF_EACH_RECORD["reported"]),
}
"""By part (of alarms each): what of it does not change with each record."""


def _row(probe: str, name: str, version: int, content: object) -> PartRow:
    return PartRow(name, probe, version, msgspec.json.encode(content).decode())


def _whole(name: str, part: Any) -> Any:  # noqa: ANN401 - any part
    """Return a part without what changes with each record."""
    if name not in _OF_EACH_RECORD:
        return part
    content = msgspec.to_builtins(part)
    for one in content.values() if name == "alarms" else [content]:
        for key in _OF_EACH_RECORD[name]:
            del one[key]
    return content


def _of_record(name: str, part: Any) -> Part:  # noqa: ANN401 - any part
    """Return what of a part changes with each record."""
    if name == "alarms":
        return {alarm: {key: getattr(state, key) for key in _OF_EACH_RECORD[name]} for alarm, state in part.items()}
    return {key: getattr(part, key) for key in _OF_EACH_RECORD[name]}


def _put_back(name: str, content: Part, newest: Part) -> Part:
    """Return a part with what was taken out of it. Raises TypeError for what is none."""
    if name == "alarms":
        return {alarm: {**state, **newest.get(alarm, {})} for alarm, state in content.items()}
    return {**content, **newest}


def decode(rows: Iterable[PartRow], *, vat: str, where: str) -> Carry:
    """Return what the rows of a vat carry. Raises StoreError for a part that is not one of this version of vatvigil."""
    by_name = {row.part: row for row in rows}
    probes = {row.probe for row in by_name.values()}
    newest = _newest(by_name.pop(NEWEST, None), vat=vat, where=where)
    if strange := sorted((by_name.keys() ^ PARTS.keys()) - (BEGUN_ANEW - by_name.keys())):
        raise _refusal(where, vat, strange[0], "is unknown here" if strange[0] in by_name else "is missing")
    if len(probes) > 1:
        raise _refusal(where, vat, "alarms", "is of another probe than the others")
    parts = {name: _decode(row, newest.get(name, {}), vat=vat, where=where) for name, row in by_name.items()}
    return Carry(probe=by_name["alarms"].probe, **parts)


def _newest(row: PartRow | None, *, vat: str, where: str) -> Mapping[str, Part]:
    """Return what changes with each record, by part; nothing: a version of before kept it in the parts."""
    if row is None:
        return {}
    try:
        content = msgspec.json.decode(row.content, type=dict[str, Part])
    except msgspec.MsgspecError as error:
        raise _refusal(where, vat, NEWEST, f"(version {row.version}) cannot be read: {error}") from error
    if row.version != NEWEST_VERSION or content.keys() != _OF_EACH_RECORD.keys():
        raise _refusal(where, vat, NEWEST, f"(version {row.version}) cannot be read: this one reads {NEWEST_VERSION}")
    return content


def _decode(row: PartRow, newest: Part, *, vat: str, where: str) -> Any:  # noqa: ANN401 - any part
    kind, version = PARTS[row.part]
    try:
        content = _put_back(row.part, _stepped(row, version), newest)
        part = msgspec.convert(content, kind)
        differences = [*_differences(content, msgspec.json.decode(msgspec.json.encode(part)))]
    except (msgspec.MsgspecError, LookupError, TypeError, ValueError) as error:
        raise _refusal(where, vat, row.part, f"(version {row.version}) cannot be read: {error}") from error
    if differences:
        raise _refusal(where, vat, row.part, f"(version {row.version}) cannot be read: {', '.join(differences)}")
    return part


def _stepped(row: PartRow, version: int) -> Part:
    """Return the content of a row as one of `version`. Raises LookupError if no steps lead there."""
    content: dict[str, Any] = msgspec.json.decode(row.content, type=dict)
    at = row.version
    while at != version:
        if at not in STEPS.get(row.part, {}):
            raise LookupError(f"this vatvigil reads version {version}")
        content, at = STEPS[row.part][at](content), at + 1
    return content


def _differences(stored: object, read: object, path: str = "") -> Iterator[str]:
    """Yield what stands in one of two JSON values and not in the other."""
    if isinstance(stored, dict) and isinstance(read, dict):
        yield from (f"field {path}{name} is not known" for name in stored.keys() - read.keys())
        yield from (f"field {path}{name} is missing" for name in read.keys() - stored.keys())
        for name in stored.keys() & read.keys():
            yield from _differences(stored[name], read[name], f"{path}{name}.")
    elif isinstance(stored, list) and isinstance(read, list) and len(stored) == len(read):
        for place, (old, new) in enumerate(zip(stored, read, strict=True)):
            yield from _differences(old, new, f"{path}{place}.")
    elif stored != read:
        yield f"{path.rstrip('.')} would change"


def _refusal(where: str, vat: str, part: str, why: str) -> StoreError:
    return StoreError(
        f"The store {where} cannot be used: the part `{part}` of what the watch over `{vat}` remembers {why}. It was "
        "written by a newer vatvigil or changed by hand: install that one, or put a backup in the store's place"
    )
