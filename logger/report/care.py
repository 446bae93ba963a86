"""Say an entry of the care diary in words, and as JSON."""

from typing import Any

import msgspec

from logger.model import CareEntry, CareKind
from logger.report.words import moment

_WORDS = {
    CareKind.RINSED: "rinsed",
    CareKind.STORED: "stored",
    CareKind.CLEANED: "cleaned",
    CareKind.ELECTRODE_CHANGED: "electrode changed",
    CareKind.BUFFER_OPENED: "buffer opened",
}


def words_of(entry: CareEntry) -> str:
    """Say what was done."""
    what = f"withdrawn: {_WORDS[entry.kind]}" if entry.is_withdrawal else _WORDS[entry.kind]
    parts = [
        what if entry.kind is not CareKind.ELECTRODE_CHANGED or not entry.electrode else f"{what}: {entry.electrode}",
        f"in {entry.using}" if entry.kind is CareKind.STORED and entry.using else entry.using and f"with {entry.using}",
        entry.buffer,
        f"lot {entry.lot}" if entry.lot else "",
        f"expires {moment(entry.expires_at_us)[:10]}" if entry.expires_at_us is not None else "",
    ]
    return ", ".join(part for part in parts if part)


def entry_json(entry: CareEntry) -> dict[str, Any]:
    """Return an entry for scripts."""
    plain = msgspec.to_builtins(entry)
    times = {"at": plain.pop("at_us"), "happened": plain.pop("happened_at_us"), "expires": plain.pop("expires_at_us")}
    shown = {name: None if at_us is None else moment(at_us) for name, at_us in times.items()}
    return {**plain, **shown, "backdated": entry.is_backdated}
