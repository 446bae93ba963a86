"""Say what a page shows of the record of a batch: what it is, and what people entered, the newest first.

Law: pure. An entry is shown as it stands now, with its label in the words of the record; the whole record, with every
correction, is the report's.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain

from logger.model import AnyEntry, BatchRecord
from logger.model.batch import BatchContent, Ingredient, labels
from logger.report.local_time import LocalTime

Pair = tuple[str, str]
NOT_RECORDED = "NOT RECORDED"
_NEEDED = ("product", "lot")
"""Of a header, what is missed when it is not there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryView:
    """One entry of the record."""

    at: str
    kind: str
    by: str
    text: str
    fields: tuple[Pair, ...]
    is_backdated: bool
    is_corrected: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchView:
    """A batch."""

    id: str
    is_under_way: bool
    header: tuple[Pair, ...]
    limits: tuple[Pair, ...]
    ingredients: tuple[str, ...]
    departures: tuple[EntryView, ...]
    entries: tuple[EntryView, ...]
    """Notes, additions, measurements; the newest first."""


def batch_view(record: BatchRecord, clock: LocalTime) -> BatchView:
    """Return what is shown of a batch."""
    limits = record.limits[-1:]
    entered: list[AnyEntry] = [*record.notes, *record.additions, *record.measurements, *record.finishes]
    return BatchView(
        id=record.id,
        is_under_way=record.end is None,
        header=tuple(_header(record, clock)),
        limits=tuple(pair for one in limits for pair in _filled(one.content, clock)),
        ingredients=tuple(_ingredient(one.content) for one in record.ingredients),
        departures=tuple(_entries(record.departures, clock)),
        entries=tuple(_entries(entered, clock)),
    )


def _ingredient(one: Ingredient) -> str:
    """Say in one line what went in."""
    lot = f"lot {one.lot}" if one.lot else f"lot {NOT_RECORDED}"
    mass = "" if one.mass_kg is None else f"{one.mass_kg:g} kg"
    return ", ".join(filter(None, [one.name, mass, lot, one.supplier]))


def _header(record: BatchRecord, clock: LocalTime) -> Iterator[Pair]:
    yield "started", clock.shown(record.started_at_us)
    if record.end is not None:
        yield "ended", clock.shown(record.end.happened_at_us)
        yield from _filled(record.end.content, clock)
    yield from _filled(record.header, clock)
    for name in _NEEDED:
        if not getattr(record.header, name):
            yield labels(record.header)[name].words, NOT_RECORDED


def _entries(entries: Iterable[AnyEntry], clock: LocalTime) -> Iterator[EntryView]:
    for entry in sorted(entries, key=lambda one: (one.happened_at_us, one.id), reverse=True):
        pairs = [*_filled(entry.content, clock)]
        texts = [value for name, value in pairs if name == entry.kind.value]  # a note is its text
        yield EntryView(
            at=clock.shown(entry.happened_at_us),
            kind=entry.kind.value,
            by=entry.by,
            text="\n".join(filter(None, chain(texts, [entry.note]))),
            fields=tuple(pair for pair in pairs if pair[0] != entry.kind.value),
            is_backdated=entry.is_backdated,
            is_corrected=bool(entry.corrects),
        )


def _filled(content: BatchContent, clock: LocalTime) -> Iterator[Pair]:
    """Yield the fields that somebody filled, each with its label."""
    for name, one in labels(content).items():
        value, unit = getattr(content, name), one.unit
        if value in (None, ""):
            continue
        if unit == "us":
            yield one.words, clock.shown(value)
        else:
            said = f"{value:g}" if isinstance(value, float) else str(value)
            yield one.words, f"{said} {unit}".rstrip()
