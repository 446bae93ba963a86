"""List the fields that an entry of a batch's record may have."""

from itertools import starmap

from logger.model.batch import CONTENT_TYPES, Said, labels
from logger.report.reference.markdown import items


def batch_fields() -> str:
    """Return the fields of each kind of entry, with their units."""
    kinds = {kind: labels(content) for kind, content in CONTENT_TYPES.items()}
    return items(f"`{kind}`: {', '.join(starmap(_words, fields.items()))}" for kind, fields in kinds.items())


def _words(name: str, field: Said) -> str:
    unit = f", {field.unit}" if field.unit not in ("", "us", "pH") else ""
    return f"`{name}` ({field.words}{unit})"
