"""Generates the JSON Schema (draft 2020-12) of each kind of payload from its type."""

from pathlib import Path
from typing import Any

import msgspec

from logger.mqtt import alarm_state, entity, event, health, measurement, said, status, target, vat_alarms
from logger.mqtt.command_forms import COMMANDS
from logger.mqtt.payloads import PayloadKind

FOLDER = Path(__file__).parent
KINDS: tuple[PayloadKind, ...] = (
    status.STATUS,
    status.HEARTBEAT,
    measurement.KIND,
    alarm_state.KIND,
    vat_alarms.KIND,
    said.KIND,
    event.KIND,
    health.KIND,
    target.KIND,
    entity.KIND,
    *(row.kind for row in COMMANDS),
)


def schema_text(kind: PayloadKind) -> str:
    """Return the text of the schema file of a kind of payload."""
    content = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": kind.name,
        "description": kind.description,
        **_null_last(_body(kind)),
        **kind.more,
    }
    return msgspec.json.format(msgspec.json.encode(content), indent=2).decode() + "\n"


def _body(kind: PayloadKind) -> dict[str, Any]:
    """Return what a payload may be; a form alone stands at the top, not among the definitions."""
    if kind.bare is not None:
        return msgspec.json.schema(kind.form | kind.bare)
    content = msgspec.json.schema(kind.form)
    definitions = content["$defs"]
    top = {
        key: value for key, value in definitions.pop(kind.form.__name__).items() if key not in ("title", "description")
    }
    return {**top, "$defs": definitions} if definitions else top


def _null_last(part: Any) -> Any:  # noqa: ANN401 - any JSON
    """Return a schema with `null` last of its alternatives: versions of msgspec differ in their order."""
    if isinstance(part, list):
        return sorted(map(_null_last, part), key=lambda each: each == {"type": "null"})
    return {key: _null_last(value) for key, value in part.items()} if isinstance(part, dict) else part


def write(folder: Path = FOLDER) -> None:
    """Write the schema file of each kind of payload, and remove those of no kind."""
    for old in folder.glob("*.json"):
        old.unlink()
    for kind in KINDS:
        (folder / f"{kind.name}.json").write_text(schema_text(kind), encoding="utf-8")
