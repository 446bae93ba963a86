"""Say what was moved out of a store and into which file.

Law: a note is a row of `meta`, which nobody changes: the archive has its own, and the store that it was taken from has
the same one from the moment before the first row leaves it. So whoever finds nothing in the store can be told where it
is, and whether the file that is found there is the one that was made.
"""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime

import msgspec

from logger.structs import Struct
from logger.units import SECOND_US

OWN = "archive"
"""Key of the note in an archive; a store with this key is one, and takes no write."""
MOVED = "moved "
"""How the key of a note begins in the store that rows were moved out of."""


class MovedRecords(Struct, frozen=True, kw_only=True):
    """Records of a probe at a vat: all that the store had from number `first` to `last`."""

    vat: str
    probe: str
    first: int
    last: int
    records: int
    since_us: int
    """UTC of the earliest."""
    until_us: int
    """UTC of the latest."""


class Cut(Struct, frozen=True, kw_only=True):
    """How far the journal of a vat (empty: of the watch itself) and its delivered events are in an archive."""

    vat: str
    since_us: int
    """UTC of the earliest row; `moved_us`: there is none."""
    copied_us: int
    """The archive has what is before this UTC."""
    moved_us: int
    """And what is before this leaves the store, so far as nothing that stays needs it."""
    below: int
    """Only rows of the journal with a lower number leave: a clock that was wrong may have dated newer ones back."""


class Note(Struct, frozen=True, kw_only=True):
    """What an archive holds."""

    version: int = 1
    file: str
    """Where it was made."""
    store: str
    """Identity of the store that it was taken from."""
    made_at_us: int
    stretches: tuple[MovedRecords, ...]
    cuts: tuple[Cut, ...]
    columns: Mapping[str, tuple[str, ...]]
    """By table, what the digest is of: columns that a later version adds are not."""
    rows: Mapping[str, int]
    """By table, how many."""
    digest: str
    """SHA-256, as `archive_rows.py` makes it."""

    @property
    def key(self) -> str:
        """Return its key in the store."""
        return MOVED + self.digest[:16]

    @property
    def records(self) -> int:
        """Return how many records it holds."""
        return sum(stretch.records for stretch in self.stretches)

    @property
    def ends(self) -> tuple[int, int]:
        """Return the UTC of its earliest and its latest record; twice the time it was made if it has none."""
        times = [us for one in self.stretches for us in (one.since_us, one.until_us)] or [self.made_at_us]
        return min(times), max(times)

    def end_us(self, vat: str) -> int:
        """Return up to which UTC it has all of a vat (empty: of the watch); 0: it has nothing."""
        return max((cut.moved_us for cut in self.cuts if cut.vat == vat), default=0)

    def has_of(self, probe: str, since_us: int, until_us: int | None) -> bool:
        """Tell whether it has records of a probe from a span of UTC; None: to this day."""
        mine = [one for one in self.stretches if one.probe == probe and one.until_us >= since_us]
        return any(until_us is None or one.since_us < until_us for one in mine)

    def holds(self, vat: str, since_us: int, until_us: int) -> bool:
        """Tell whether anything of a vat (empty: of the watch) in that span of UTC has left the store for it."""
        records = any(one.vat == vat and one.since_us < until_us and one.until_us >= since_us for one in self.stretches)
        return records or any(
            cut.vat == vat and cut.since_us < until_us and cut.moved_us > since_us for cut in self.cuts
        )


def encode(note: Note) -> str:
    """Return a note as it is kept."""
    return msgspec.json.encode(note).decode()


def own(marks: Mapping[str, str]) -> Note | None:
    """Return what an archive says of itself; None: it is a store."""
    return msgspec.json.decode(marks[OWN], type=Note) if OWN in marks else None


def moved(marks: Mapping[str, str]) -> tuple[Note, ...]:
    """Return what was moved out of a store, the first first."""
    found = [msgspec.json.decode(text, type=Note) for key, text in marks.items() if key.startswith(MOVED)]
    return tuple(sorted(found, key=lambda note: note.made_at_us))


def words(notes: Iterable[Note], vat: str, since_us: int, until_us: int) -> list[str]:
    """Say which archives have what is missing of a vat (empty: of the watch) in a span of UTC (microseconds)."""
    who = vat or "the watch itself"
    return [
        f"what was stored of {who} up to {_utc(note.end_us(vat))} was moved to the archive {note.file}"
        " (read it with --archive)"
        for note in notes
        if note.holds(vat, since_us, until_us)
    ]


def own_words(note: Note | None, vat: str, until_us: int) -> list[str]:
    """Say what an archive lacks because it is newer; nothing of a store."""
    if note is None or until_us <= note.end_us(vat) + SECOND_US:
        return []
    return [f"this is an archive: what is newer than {_utc(note.end_us(vat))} is in the store"]


def _utc(at_us: int) -> str:
    return f"{datetime.fromtimestamp(at_us // SECOND_US, UTC):%Y-%m-%d %H:%M} UTC"
