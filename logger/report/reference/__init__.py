"""Fill the tables into the help topics, made from the declarations in the code, so that they cannot go stale."""

import re
from collections.abc import Callable, Mapping
from typing import Final

from logger import help as topics
from logger.config import Checksum
from logger.report.reference.alarms import alarms, profiles, system_alarms
from logger.report.reference.batches import batch_fields
from logger.report.reference.buffers import buffers
from logger.report.reference.entities import entities
from logger.report.reference.payloads import payloads
from logger.report.reference.settings import settings

_PLACE: Final = re.compile(r"\{\{([a-z_]+)\}\}")
_COMMENT: Final = re.compile(r"<!--.*?-->\n\n?", re.DOTALL)


def text(topic: str, more: Mapping[str, Callable[[], str]] | None = None) -> str:
    """Return a help topic with its tables and without comments; `more`: tables that only the caller can make."""
    made = {**TABLES, **(more or {})}
    return _PLACE.sub(lambda place: made[place[1]](), _COMMENT.sub("", topics.source(topic)))


def checksums() -> str:
    """Return the checksums that lines of text can have."""
    return ", ".join(f"`{one}`" for one in Checksum)


TABLES: Final[Mapping[str, Callable[[], str]]] = {
    "alarms": alarms,
    "system_alarms": system_alarms,
    "profiles": profiles,
    "settings": settings,
    "checksums": checksums,
    "buffers": buffers,
    "batch_fields": batch_fields,
    "entities": entities,
    "payloads": payloads,
}
