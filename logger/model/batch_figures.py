"""The ends of the numbers and texts of an entry: what cannot be is refused with a sentence.

Law: pure. Asked where an entry is written, whatever way it came in. Text is kept exactly or refused: one line, nothing
that hides, no longer than can be read. What a field may hold follows from its unit and its choices.
"""

from collections.abc import Mapping

from logger.errors import RefusedError
from logger.model import plain_text
from logger.model.batch import Measured, Said, labels
from logger.model.batch_record import AnyEntry
from logger.model.care import CareEntry
from logger.model.figures import AT_US, Figure

LONGEST = 10_000
"""Characters of one text: some four printed pages."""
UNITS: Mapping[str, tuple[float, float]] = {
    "L": (0.001, 1_000_000.0),
    "kg": (0.000_001, 1_000_000.0),
    "%": (0.0, 100.0),
    "% vol": (0.0, 100.0),
    "C": (-50.0, 150.0),
    "h": (0.0, 100_000.0),
    "s": (0.1, 31_536_000.0),
    "pH": (0.01, 13.99),
    "us": (AT_US.low, AT_US.high),
    "": (0.0, 1e9),
}
"""The ends of a number with this unit; both belong to it."""


def check(entry: AnyEntry) -> None:
    """Raise RefusedError for an entry with a figure or a text that cannot be."""
    _check_texts({"note": entry.note, "name of who enters it": entry.by})
    AT_US.check(entry.at_us)
    AT_US.check(entry.happened_at_us)
    for name, field in labels(entry.content).items():
        _check_field(field, getattr(entry.content, name), unit=_unit(entry, name, field))


def check_care(entry: CareEntry) -> None:
    """Raise RefusedError for an entry of the care diary with a text or a time that cannot be."""
    texts = {name: getattr(entry, name) for name in ("note", "electrode", "using", "buffer", "lot")}
    _check_texts({**texts, "name of who enters it": entry.by})
    for at_us in (entry.at_us, entry.happened_at_us, entry.expires_at_us):
        AT_US.check(at_us)


def _unit(entry: AnyEntry, name: str, field: Said) -> str:
    is_ph = name in ("value", "reading") and getattr(entry.content, "quantity", "") == Measured.PH
    return "pH" if is_ph else field.unit


def _check_field(field: Said, value: object, *, unit: str) -> None:
    words, choices = field.words, field.choices
    if isinstance(value, str):
        _check_texts({words: value})
        if value and choices is not None and value not in [*choices]:
            raise RefusedError(f"{words} is one of {', '.join(choices)}, not {plain_text.shown(value, 100)!r}")
    elif isinstance(value, int | float):
        low, high = UNITS[unit]
        if value != value or not low <= value <= high:  # noqa: PLR0124 - NaN is no number
            Figure(words=f"{words} must be", low=low, high=high, unit=unit).check(value)
            raise RefusedError(f"{words} must be a number")


def _check_texts(texts: Mapping[str, str]) -> None:
    for name, text in texts.items():
        if len(text) > LONGEST:
            raise RefusedError(f"{name} has {len(text)} characters, at most {LONGEST} are taken: shorten it")
        if hidden := plain_text.hidden(text):
            raise RefusedError(f"{name} holds the character {hidden!a}: write one line of plain text")
