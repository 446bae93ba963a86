"""The record of one batch as a whole: its entries as they stand now, and what was corrected.

Law: pure. Of an entry and its corrections the newest stands in its place, in the order in which the first was entered;
what was withdrawn stands only among the corrections. Lists may be empty, and a header's fields too: the report prints
that they were not recorded. What the store keeps for every batch (measurements, alarms, marks, calibrations, checks) is
not here: `store/batches.py` finds it by vat and time.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, TypeVar

from logger.model.batch import (
    Addition,
    BatchContent,
    BatchEnd,
    BatchEntry,
    BatchHeader,
    BatchStart,
    CriticalLimits,
    Departure,
    Distribution,
    Finish,
    IndependentMeasurement,
    Ingredient,
    Remark,
    Review,
    labels,
)
from logger.structs import Struct, field, replace

C = TypeVar("C", bound=BatchContent)
AnyEntry = BatchEntry[BatchContent]
WITHDRAWN = "(withdrawn)"


class FieldChange(Struct, frozen=True, kw_only=True):
    """One field of an entry that was corrected: what stood there and what stands there now."""

    entry: str
    """Identity of the correction."""
    corrects: str
    kind: str
    field: str
    """Name of the field; `happened_at_us` and `note` are of the entry itself; empty: the whole entry was withdrawn."""
    words: str
    """Its label."""
    old: object
    new: object
    reason: str
    by: str
    at_us: int
    """UTC of the correction."""


class BatchRecord(Struct, frozen=True, kw_only=True):
    """One batch, whole."""

    id: str
    vat: str
    start: BatchEntry[BatchStart]
    end: BatchEntry[BatchEnd] | None = None
    """None: it has not ended."""
    header: BatchHeader = field(default_factory=BatchHeader)
    """The fields of all headers, a later one over an earlier one."""
    headers: tuple[BatchEntry[BatchHeader], ...] = ()
    limits: tuple[BatchEntry[CriticalLimits], ...] = ()
    ingredients: tuple[BatchEntry[Ingredient], ...] = ()
    additions: tuple[BatchEntry[Addition], ...] = ()
    notes: tuple[BatchEntry[Remark], ...] = ()
    measurements: tuple[BatchEntry[IndependentMeasurement], ...] = ()
    departures: tuple[BatchEntry[Departure], ...] = ()
    finishes: tuple[BatchEntry[Finish], ...] = ()
    distributions: tuple[BatchEntry[Distribution], ...] = ()
    reviews: tuple[BatchEntry[Review], ...] = ()
    corrections: tuple[FieldChange, ...] = ()
    entries: tuple[AnyEntry, ...] = ()
    """Every entry as it was entered, corrections among them, in the order of entering."""

    @property
    def started_at_us(self) -> int:
        """Return the UTC of the start."""
        return self.start.happened_at_us

    @property
    def ended_at_us(self) -> int | None:
        """Return the UTC of the end; None: it has not ended."""
        return None if self.end is None else self.end.happened_at_us

    @property
    def limits_before_start(self) -> BatchEntry[CriticalLimits] | None:
        """Return the critical limits as they were entered at or before the start; None: none were.

        With a start that is backdated nobody can show that its limits were set before it.
        """
        return next((each for each in reversed(self.limits) if each.at_us <= self.started_at_us), None)


def compose(entries: Sequence[AnyEntry]) -> BatchRecord:
    """Return the record that the entries of one batch make; they stand in the order of entering, a start among them."""
    standing = [*_standing(entries)]
    header = BatchHeader()
    for each in _of(standing, BatchHeader):
        said: dict[str, Any] = dict(filled_fields(each.content))
        header = replace(header, **said)
    return BatchRecord(
        id=entries[0].batch,
        vat=entries[0].vat,
        start=_of(standing, BatchStart)[0],
        end=next(iter(_of(standing, BatchEnd)[-1:]), None),
        header=header,
        headers=_of(standing, BatchHeader),
        limits=_of(standing, CriticalLimits),
        ingredients=_of(standing, Ingredient),
        additions=_of(standing, Addition),
        notes=_of(standing, Remark),
        measurements=_of(standing, IndependentMeasurement),
        departures=_of(standing, Departure),
        finishes=_of(standing, Finish),
        distributions=_of(standing, Distribution),
        reviews=_of(standing, Review),
        corrections=tuple(_changes(entries)),
        entries=tuple(entries),
    )


def newest_version(entries: Iterable[AnyEntry], entry: str) -> AnyEntry | None:
    """Return what stands now in the place of an entry; None: there is no such entry. A withdrawal stands for itself."""
    found: AnyEntry | None = None
    for each in entries:
        if each.entry == entry or (found is not None and each.corrects == found.entry):
            found = each
    return found


def _standing(entries: Sequence[AnyEntry]) -> Iterator[AnyEntry]:
    for first in entries:
        if not first.corrects:
            newest = newest_version(entries, first.entry)
            if newest is not None and not newest.is_withdrawal:
                yield newest


def _of(entries: Iterable[AnyEntry], content: type[C]) -> tuple[BatchEntry[C], ...]:
    return tuple(each for each in entries if isinstance(each.content, content))  # type: ignore[misc] # its content is one


def filled_fields(content: BatchContent) -> Iterator[tuple[str, object]]:
    """Yield the fields that somebody filled, by name."""
    for name in content.__struct_fields__:
        value = getattr(content, name)
        if value not in (None, ""):
            yield name, value


def _changes(entries: Sequence[AnyEntry]) -> Iterator[FieldChange]:
    by_id = {each.entry: each for each in entries}
    for new in entries:
        old = by_id.get(new.corrects)
        if old is not None:
            yield from _field_changes(old, new)


def _field_changes(old: AnyEntry, new: AnyEntry) -> Iterator[FieldChange]:
    def change(name: str, words: str, was: object, now: object) -> FieldChange:
        return FieldChange(
            entry=new.entry,
            corrects=old.entry,
            kind=old.kind.value,
            field=name,
            words=words,
            old=was,
            new=now,
            reason=new.note,
            by=new.by,
            at_us=new.at_us,
        )

    if new.is_withdrawal:
        yield change("", "the whole entry", old.kind.value, WITHDRAWN)
        return
    if new.happened_at_us != old.happened_at_us:
        yield change("happened_at_us", "time", old.happened_at_us, new.happened_at_us)
    for name, known in labels(old.content).items():
        was, now = getattr(old.content, name), getattr(new.content, name)
        if was != now:
            yield change(name, known.words, was, now)
