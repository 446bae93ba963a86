"""What a watch carries is stored in parts, each with a version: one of another version is never taken for this one."""

import json
from collections.abc import Mapping
from contextlib import suppress
from enum import Enum
from hashlib import sha256
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import pytest

from logger.errors import StoreError
from logger.model import Carry, ForecastState
from logger.store import Store, parts, queries
from logger.store.parts import NEWEST, PARTS, STEPS, PartRow
from logger.structs import Struct, replace
from tests.store.factories import carry

PINNED = {
    ("alarms", 1): "60596ced1bd093d4",
    ("batch", 1): "4f0b3e6bdacfdf86",
    ("electrode", 1): "7adb339e6e0fe811",
    ("suppression", 1): "c257f2b19c2ad37c",
    ("reported", 1): "79ae78e5128308fb",
    ("windows", 1): "247f3097415b9ba5",
    ("alarms", 2): "b5927df043522aea",
    ("electrode", 2): "6393c7821c958554",
    ("batch", 2): "5c56e4366cac74c7",
    ("reported", 2): "98c456cff6406f56",
    ("reported", 3): "b4542e3ca9558b5d",
    ("windows", 2): "e28f026ee1b0d9aa",
    ("trust", 1): "a87975ab11b62961",
    ("batch", 3): "f5f08b6d32b4d434",
    ("batch", 4): "08128613c9657eb3",
    ("care", 1): "d7fc25ba86026b9b",
    ("electrode", 3): "bdda4cded76a08d4",
    ("forecast", 1): "07043201fc44b0f2",
    ("alarms", 3): "b5927df043522aea",
    ("electrode", 4): "bdda4cded76a08d4",
}
"""By part and version: what its fields are, at every depth, as a digest. Lines are added here, never changed."""


def shape(kind: Any) -> object:  # noqa: ANN401 - any type
    """Return the names and types of the fields of a type, whatever its class is called."""
    if isinstance(kind, type) and issubclass(kind, Struct):
        hints = get_type_hints(kind)
        return {name: shape(hints[name]) for name in kind.__struct_fields__}
    if isinstance(kind, type) and issubclass(kind, Enum):
        return "enum"
    if get_origin(kind) is None:
        return getattr(kind, "__name__", str(kind))
    origin = get_origin(kind)
    name = "|" if origin in (Union, UnionType) else origin.__name__
    return [name, *map(shape, get_args(kind))]


def digest(kind: object) -> str:
    return sha256(json.dumps(shape(kind), sort_keys=True).encode()).hexdigest()[:16]


def decoded(rows: list[PartRow]) -> Carry:
    return parts.decode(rows, vat="marrow", where="it")


@pytest.mark.parametrize("name", PARTS)
def test_the_fields_of_a_part_are_those_of_its_version(name: str) -> None:
    kind, version = PARTS[name]
    assert digest(kind) == PINNED.get((name, version)), (
        f"the fields of the part `{name}` are not those of version {version}: raise its version in store/parts.py, add"
        f" to STEPS['{name}'][{version}] how stored content becomes that of the new version, and pin"
        f' ("{name}", {version + 1}): "{digest(kind)}" here'
    )


def test_every_older_version_has_a_step() -> None:
    older = {name: set(range(1, version)) for name, (_, version) in PARTS.items() if version > 1}
    assert {name: set(steps) for name, steps in STEPS.items()} == older


def test_a_carry_has_a_row_for_each_of_its_parts() -> None:
    assert {*Carry.__struct_fields__} == {"probe", *PARTS}
    assert decoded(parts.encode(carry())) == carry()


def test_an_older_part_is_stepped_to_this_version(monkeypatch: pytest.MonkeyPatch) -> None:
    def renamed(content: dict[str, Any]) -> dict[str, Any]:
        return {"recent" if name == "newest" else name: value for name, value in content.items()}

    def halved(content: dict[str, Any]) -> dict[str, Any]:
        return {**content, "newest": content["newest"] // 2}

    kind, version = PARTS["windows"]
    monkeypatch.setattr(parts, "PARTS", {**PARTS, "windows": (kind, version + 2)})
    monkeypatch.setattr(parts, "STEPS", {"windows": {version: halved, version + 1: renamed}})
    kept = carry()
    rows = parts.encode(replace(kept, windows=replace(kept.windows, recent=7)))
    others = [row for row in rows if row.part != "windows"]
    (windows,) = (row for row in rows if row.part == "windows")
    old = windows._replace(version=version, content=windows.content.replace('"recent":7', '"newest":14'))
    assert decoded([*others, old]).windows.recent == 7


def test_a_part_that_is_missing_is_refused() -> None:
    with pytest.raises(StoreError, match="the part `batch` of what the watch over `marrow` remembers is missing"):
        decoded([row for row in parts.encode(carry()) if row.part != "batch"])


def test_what_changes_with_each_record_is_in_no_other_row() -> None:
    kept = carry()
    later = {name: replace(state, seen_us=9, newest=4.0, newest_u=0.1) for name, state in kept.alarms.items()}
    reported = replace(kept.reported, record_at_us=9, record_us=9, believed_ph=4.0)
    thermometer = replace(kept.electrode.thermometer, good_us=9)
    after = replace(kept, alarms=later, reported=reported, electrode=replace(kept.electrode, thermometer=thermometer))
    changed = set(parts.encode(after)) - set(parts.encode(kept))
    assert kept.alarms
    assert [row.part for row in changed] == [NEWEST]
    assert decoded(parts.encode(after)) == after
    assert [row.part for row in parts.encode(after, kept)] == [NEWEST]


@pytest.mark.parametrize("content", ["[]", "{}", '{"alarms": {}, "electrode": {}}', "no JSON"])
def test_a_row_of_the_newest_that_cannot_be_read_is_refused(content: str) -> None:
    rows = [row._replace(content=content) if row.part == NEWEST else row for row in parts.encode(carry())]
    with pytest.raises(StoreError, match=r"the part `newest` .* cannot be read"):
        decoded(rows)


def test_a_row_of_the_newest_that_is_missing_is_missed() -> None:
    with pytest.raises(StoreError, match=r"field .* is missing"):
        decoded([row for row in parts.encode(carry()) if row.part != NEWEST])


def test_a_forecast_that_is_missing_begins_anew() -> None:
    rows = [row for row in parts.encode(carry()) if row.part != "forecast"]
    assert decoded(rows) == replace(carry(), forecast=ForecastState())


def remember(store: Store, kept: Carry) -> None:
    with store.begin() as work:
        work.remember("marrow", kept)
        work.commit()


def writes(store: Store) -> Mapping[str, int]:
    """Return by part how often it was written, as the triggers of this test count it."""
    with store.reading() as connection:
        rows = connection.exec_driver_sql("SELECT part, count(*) FROM written GROUP BY part").all()
    return {str(row[0]): int(row[1]) for row in rows}


@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)  # the statement is the same on PostgreSQL
def test_only_parts_that_changed_are_written_and_all_of_them_after_a_failure(store: Store) -> None:
    first, second = carry(), replace(carry(), batch=replace(carry().batch, started_us=5))
    with store.begin() as work:
        work._connection.exec_driver_sql("CREATE TABLE written (part TEXT)")  # noqa: SLF001 - to see what is written
        for event in ("INSERT", "UPDATE"):
            action = "BEGIN INSERT INTO written VALUES (NEW.part); END"
            trigger = f"CREATE TRIGGER seen_{event} AFTER {event} ON watch_part {action}"
            work._connection.exec_driver_sql(trigger)  # noqa: SLF001 - as above
        work.commit()
    once = dict.fromkeys([*PARTS, NEWEST], 1)
    remember(store, first)
    remember(store, first)
    assert writes(store) == once
    remember(store, second)
    assert writes(store) == {**once, "batch": 2}
    with suppress(ZeroDivisionError), store.begin() as work:
        work.remember("marrow", first)
        raise ZeroDivisionError
    remember(store, second)
    assert writes(store) == {**dict.fromkeys([*PARTS, NEWEST], 2), "batch": 3}
    assert queries.watches(store) == {"marrow": second}
