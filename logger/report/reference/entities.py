"""Table of what a home-automation hub shows, from the rows that announce it."""

from collections.abc import Iterator

from logger.config import VatConfig
from logger.mqtt import discovery
from logger.mqtt.entity import Entity, entity_slug
from logger.report.reference.markdown import table

_PLACES = ("main", "diagnostic", "disabled")
_SECOND = VatConfig(id="<vat>-reference", name="", probe="", reference_of="<vat>")


def entities() -> str:
    """Return one row an entity: what a vat has, the watch, and each alarm."""
    rows = sorted((*_of_vat(), *_of_watch(), *_of_alarm()), key=lambda row: _PLACES.index(row[0]))
    return table(("", "entity", "shows or does"), rows)


def _of_vat() -> Iterator[tuple[str, str, str]]:
    for entity in discovery.OF_VAT:
        both = "; a second probe has it, too" if entity.is_of(_SECOND) else ""
        yield _place(entity), _id(entity, "<vat>"), f"{entity.shows}{both}"


def _of_watch() -> Iterator[tuple[str, str, str]]:
    for entity in discovery.OF_WATCH:
        yield _place(entity), _id(entity), f"{entity.shows} (the watch)"


def _of_alarm() -> Iterator[tuple[str, str, str]]:
    for entity in discovery.OF_ALARM:
        yield "disabled", _id(entity, "<vat>", "alarm", "<alarm>"), entity.shows


def _place(entity: Entity) -> str:
    return "diagnostic" if entity.content.get("entity_category") == "diagnostic" else "main"


def _id(entity: Entity, *parts: str) -> str:
    own = [entity_slug(part) for part in entity.last_parts]
    return f"`{entity.component}.{'_'.join(['<base>', *parts, *own])}`"
