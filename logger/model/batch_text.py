"""Write and read what an entry holds as one line of JSON, for a command that brings it.

    {"entry": "ingredient", "fields": {"name": "sea salt", "mass_kg": 9.4}}

Law: pure. What is not of this form, or what no entry may hold, is refused with a sentence. Only kinds that change
nothing of what is watched come this way: a start, an end and a spot measurement have commands of their own.
"""

import msgspec

from logger.errors import RefusedError
from logger.model import batch_figures, plain_text
from logger.model.batch import (
    CONTENT_TYPES,
    UNIT_OF,
    BatchContent,
    BatchEntry,
    BatchEntryKind,
    IndependentMeasurement,
    Measured,
    labels,
)
from logger.model.batch_record import filled_fields

LONGEST_WHY = 200
BY_COMMAND = (
    BatchEntryKind.HEADER,
    BatchEntryKind.LIMITS,
    BatchEntryKind.INGREDIENT,
    BatchEntryKind.MEASUREMENT,
    BatchEntryKind.DEPARTURE,
    BatchEntryKind.FINISH,
    BatchEntryKind.DISTRIBUTION,
    BatchEntryKind.REVIEW,
)
"""Kinds of entries that a command may bring."""


class _Text(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    entry: BatchEntryKind
    fields: dict[str, str | float]


def content_of(text: str) -> BatchContent:
    """Return what a line holds. Raises RefusedError for what is no entry."""
    try:
        read = msgspec.json.decode(text, type=_Text)
        content = msgspec.convert(read.fields, CONTENT_TYPES[read.entry], strict=False)
    except msgspec.MsgspecError as error:
        raise RefusedError(f"this is no entry of a batch: {plain_text.shown(str(error), LONGEST_WHY)}") from error
    if read.entry not in BY_COMMAND:
        raise RefusedError(f"an entry of kind {read.entry} does not come this way; these do: {', '.join(BY_COMMAND)}")
    if strange := sorted(read.fields.keys() - labels(content).keys()):
        raise RefusedError(
            f"an entry of kind {read.entry} has no field {plain_text.shown(strange[0], 100)!r};"
            f" it has: {', '.join(labels(content))}"
        )
    if not [*filled_fields(content)]:
        raise RefusedError("nothing is said in it: fill at least one field")
    _check(content)
    return content


def _check(content: BatchContent) -> None:
    """Raise RefusedError for a figure or a text that no entry may hold."""
    batch_figures.check(BatchEntry(entry="", batch="", vat="", at_us=0, happened_at_us=0, content=content))
    if isinstance(content, IndependentMeasurement):
        if content.quantity == Measured.PH and content.check is None:
            raise RefusedError("a pH measured now is sent as a spot measurement, which is compared with the probe")
        if content.unit not in ("", UNIT_OF.get(content.quantity, "")):
            raise RefusedError(f"{content.quantity} is given in {UNIT_OF[content.quantity] or 'no unit'}")


def words_of(content: BatchContent) -> str:
    """Say in a few words what an entry tells."""
    said = [f"{labels(content)[name].words} {value}" for name, value in filled_fields(content)]
    kind = next(kind for kind, each in CONTENT_TYPES.items() if isinstance(content, each))
    return f"{kind}: {'; '.join(said)}"
