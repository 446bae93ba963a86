"""The care diary of a probe: what was done to keep it well, as dated entries.

Law: as in `batch.py`: nothing is changed or taken away, a correction is a new entry that names the old one.
"""

from dataclasses import dataclass
from enum import StrEnum

from logger.model.batch import BACKDATED_US


class CareKind(StrEnum):
    """What was done."""

    RINSED = "rinsed"
    STORED = "stored"
    """Put into its storage solution."""
    CLEANED = "cleaned"
    ELECTRODE_CHANGED = "electrode-changed"
    BUFFER_OPENED = "buffer-opened"
    """A bottle or sachet of a buffer; it serves any probe whose calibration uses that buffer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CareEntry:
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
