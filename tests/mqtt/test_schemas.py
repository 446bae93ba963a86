"""The schema files: as generated from the payloads, valid by the jsonschema library, and closed."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from logger.mqtt.payloads import PayloadKind
from logger.mqtt.schemas import schema
from logger.mqtt.schemas.generate import FOLDER, KINDS, write

IDS = [kind.name for kind in KINDS]


def test_the_files_are_those_that_the_payloads_give(tmp_path: Path) -> None:
    write(tmp_path)
    generated = {path.name: path.read_text(encoding="utf-8") for path in tmp_path.iterdir()}
    committed = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.glob("*.json")}
    assert committed == generated, "run `python -m logger.mqtt.schemas` and commit what it writes"


def test_a_file_of_no_kind_is_removed(tmp_path: Path) -> None:
    (tmp_path / "gone.json").write_text("{}")
    write(tmp_path)
    assert sorted(path.stem for path in tmp_path.iterdir()) == sorted(IDS)


@pytest.mark.parametrize("kind", KINDS, ids=IDS)
def test_each_schema_is_a_schema_of_its_draft(kind: PayloadKind) -> None:
    jsonschema.Draft202012Validator.check_schema(schema(kind.name))
    assert schema(kind.name)["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def objects(part: object) -> Iterator[dict[str, Any]]:
    if isinstance(part, dict):
        yield from [part] if "properties" in part else []
        for inner in part.values():
            yield from objects(inner)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind.name != "discovery"], ids=lambda kind: kind.name)
def test_no_payload_takes_a_key_that_is_not_declared(kind: PayloadKind) -> None:
    # The hub's own documents say which keys an announcement may have: tests/mqtt/test_discovery.py.
    found = list(objects(schema(kind.name)))
    assert found
    assert [part for part in found if part.get("additionalProperties") is not False] == []


@pytest.mark.parametrize("kind", [kind for kind in KINDS if not kind.received], ids=lambda kind: kind.name)
def test_whoever_reads_a_schema_learns_the_topic(kind: PayloadKind) -> None:
    assert schema(kind.name)["description"].startswith("Retained on <" if kind.retained else "On <root>/")
