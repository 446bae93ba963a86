"""List the fields that an entry of a batch's record may have."""

from dataclasses import Field
from typing import Any

from logger.model.batch import CONTENT_TYPES, labels
from logger.report.reference.markdown import items


def batch_fields() -> str:
    """Return the fields of each kind of entry, with their units."""
    kinds = {kind: labels(content) for kind, content in CONTENT_TYPES.items()}
    return items(f"`{kind}`: {', '.join(map(_words, fields.values()))}" for kind, fields in kinds.items())


def _words(field: Field[Any]) -> str:
    unit = field.metadata["unit"]
    return f"`{field.name}` ({field.metadata['words']}{f', {unit}' if unit not in ('', 'us', 'pH') else ''})"
