"""Lists of the fields of every MQTT message, from the JSON Schemas."""

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from logger.mqtt.schemas import schema
from logger.mqtt.schemas.generate import KINDS
from logger.report.reference.markdown import WIDTH, items

ENDLESS = 2**53 - 1
"""An end that JSON numbers have anyway (RFC 8259, 6) is not told."""


def payloads() -> str:
    """Return the fields of every message, by the name of its schema."""
    return "\n\n".join(_payload(kind.name) for kind in KINDS)


def _payload(name: str) -> str:
    whole = schema(name)
    root = _resolved(whole, whole)
    title = f"**{name}**: {root.get('description', '')}".rstrip(": ") + "."
    entries = dict.fromkeys(entry for node in _objects(root, whole) for entry in _fields(node, whole))
    return f"{textwrap.fill(title, WIDTH)}\n\n{items(entries)}"


def _objects(root: Mapping[str, Any], whole: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """Yield the objects that a message can be: the root, or its choices that are objects."""
    yield root
    for choice in (*root.get("anyOf", ()), *root.get("oneOf", ())):
        yield _resolved(choice, whole)


def _fields(node: Mapping[str, Any], whole: Mapping[str, Any], above: str = "") -> Iterator[str]:
    required = set(node.get("required", ()))
    for key, raw in node.get("properties", {}).items():
        found = _resolved(raw, whole)
        told = raw.get("description", found.get("description", ""))
        optional = "" if key in required else ", may be absent"
        yield f"`{above}{key}` ({_type_words(raw, whole)}{optional}){f': {told}' if told else ''}"
        yield from _fields(found, whole, f"{above}{key}.")


def _resolved(node: Mapping[str, Any], whole: Mapping[str, Any]) -> Mapping[str, Any]:
    """Follow a reference, and the choice beside null, to the object that is meant."""
    if "$ref" in node:
        name = str(node["$ref"]).rpartition("/")[2]
        return _resolved(whole["$defs"][name], whole)
    choices = [one for one in node.get("anyOf", node.get("oneOf", ())) if one.get("type") != "null"]
    return _resolved(choices[0], whole) if len(choices) == 1 else node


def _type_words(node: Mapping[str, Any], whole: Mapping[str, Any]) -> str:
    if "$ref" in node:
        return _type_words(_resolved(node, whole), whole)
    if "anyOf" in node or "oneOf" in node:
        return " or ".join(_type_words(one, whole) for one in node.get("anyOf", node.get("oneOf", ())))
    if "enum" in node:
        return " | ".join("null" if one is None else str(one) for one in node["enum"])
    if "const" in node:
        return str(node["const"])
    kinds = node.get("type", "any")
    words = kinds if isinstance(kinds, str) else " or ".join(kinds)
    ends = [f"{node[end]:.10g}" for end in ("minimum", "maximum") if end in node and node[end] < ENDLESS]
    both = len(ends) == 2  # noqa: PLR2004 - both ends
    return f"{words} {' to '.join(ends)}" if both else words
