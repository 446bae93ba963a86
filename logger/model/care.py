"""The care diary of a probe: what was done to keep it well, as dated entries.

Law: as in `batch.py`: nothing is changed or taken away, a correction is a new entry that names the old one. What the
watch must know of the diary (`CareState`) comes to it whole with each entry, as one line of JSON, so that taking an
entry back is told like any other.
"""

from collections.abc import Iterable, Sequence
from enum import StrEnum

import msgspec

from logger.errors import RefusedError
from logger.model.batch import BACKDATED_US
from logger.structs import Struct


class CareKind(StrEnum):
    """What was done."""

    RINSED = "rinsed"
    STORED = "stored"
    """Put into its storage solution."""
    CLEANED = "cleaned"
    ELECTRODE_CHANGED = "electrode-changed"
    BUFFER_OPENED = "buffer-opened"
    """A bottle or sachet of a buffer; it serves any probe whose calibration uses that buffer."""


class CareEntry(Struct, frozen=True, kw_only=True):
    """One entry of the diary."""

    id: int = 0
    """Row in this store; 0: not stored yet."""
    entry: str
    """Its identity, the same in every store."""
    probe: str
    """Empty for a buffer that was opened for all of them."""
    kind: CareKind
    at_us: int
    """UTC at which it was entered."""
    happened_at_us: int
    """UTC at which it was done."""
    by: str = ""
    note: str = ""
    """Free text, exactly as it was entered; of a correction: the reason."""
    electrode: str = ""
    """Serial number: the new one where the electrode was changed."""
    using: str = ""
    """Storage solution or cleaner."""
    buffer: str = ""
    lot: str = ""
    expires_at_us: int | None = None
    """UTC until which the buffer serves; None: nobody said."""
    corrects: str = ""
    is_withdrawal: bool = False

    @property
    def is_backdated(self) -> bool:
        """Tell whether it was entered well after it was done."""
        return self.at_us - self.happened_at_us > BACKDATED_US


class OpenedBuffer(Struct, frozen=True, kw_only=True):
    """The newest bottle or sachet of a buffer."""

    buffer: str
    lot: str = ""
    expires_at_us: int


class CareState(Struct, frozen=True, kw_only=True):
    """What a watch remembers of the care diary of its probe."""

    cleaned_at_us: int | None = None
    """UTC at which it was cleaned last, or its electrode changed; None: nobody said."""
    buffers: tuple[OpenedBuffer, ...] = ()
    """Those of which somebody said when they expire."""


class _CareLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    words: str
    care: CareState


def standing(entries: Iterable[CareEntry]) -> list[CareEntry]:
    """Return the entries that were not taken back, in the order in which they were entered."""
    known = [*entries]
    gone = {each.corrects for each in known if each.corrects}
    return [each for each in known if each.entry not in gone and not each.is_withdrawal]


def state_of(entries: Sequence[CareEntry], probe: str) -> CareState:
    """Return what the watch over a probe must know of the diary."""
    mine = [each for each in standing(entries) if each.probe in ("", probe)]
    clean = (CareKind.CLEANED, CareKind.ELECTRODE_CHANGED)
    cleaned = [each.happened_at_us for each in mine if each.kind in clean]
    opened = {
        each.buffer: OpenedBuffer(buffer=each.buffer, lot=each.lot, expires_at_us=each.expires_at_us)
        for each in sorted(mine, key=lambda each: each.happened_at_us)
        if each.kind is CareKind.BUFFER_OPENED and each.expires_at_us is not None
    }
    return CareState(cleaned_at_us=max(cleaned, default=None), buffers=tuple(opened.values()))


def told_text(words: str, care: CareState) -> str:
    """Return the line by which a watch hears of an entry."""
    return msgspec.json.encode(_CareLine(words, care)).decode()


def told_of(text: str) -> tuple[str, CareState]:
    """Return the words of an entry and the state after it. Raises RefusedError for what is no such line."""
    try:
        told = msgspec.json.decode(text, type=_CareLine)
    except msgspec.MsgspecError as error:
        raise RefusedError("this is no entry of the care diary: `vatvigil care` makes them") from error
    return told.words, told.care
