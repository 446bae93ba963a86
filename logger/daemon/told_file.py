"""Remember in a file what was told while the store took nothing, so that a restart tells it under no other id.

Law: before an event leaves that is not in the store, the states of all alarms and the journal's entries are in this
file, or writing it took too long or failed: then the event leaves all the same. The file has its whole size from the
beginning, so that a full disk has room for it; two places are written in turn, each with a number and a checksum, so
that a write that is cut short leaves the one before. A store that took everything again empties it.

Kept is what names an occurrence (its number, its record, its moment), not the readings: those are lost with the memory
that they waited in, and their numbers are passed over. A replay knows nothing of them, so it tells such an alarm at the
first record after the gap.
"""

import logging
import os
import struct
import zlib
from collections.abc import Iterable, Mapping
from functools import partial
from pathlib import Path

import msgspec

from logger import private_file
from logger.config import Config
from logger.daemon.cycle import CycleResult
from logger.daemon.store_thread import Ask
from logger.errors import StoreBusyError
from logger.model import AlarmState, Entry
from logger.store import Store
from logger.store.parts import PARTS
from logger.structs import Struct, field, replace
from logger.watch.system import SYSTEM

log = logging.getLogger(__name__)

PLACE_BYTES = 256 * 1024
_HEAD = struct.Struct(">QII")
"""Number of the writing, length and CRC-32 of the content."""


class ToldOf(Struct, frozen=True, kw_only=True):
    """The alarms of a watch, as of a record."""

    alarms: Mapping[str, AlarmState]
    probe: str = ""
    seq: int = 0
    """Number of the newest record."""
    record_us: int = 0
    """Watch time of it."""


class Told(Struct, frozen=True, kw_only=True):
    """What was told while the store took nothing."""

    store: str
    """The identity of the store."""
    version: int = PARTS["alarms"][1]
    """Of the fields of an alarm."""
    watches: Mapping[str, ToldOf] = field(default_factory=dict)
    """By vat; the system among them."""
    entries: tuple[Entry, ...] = ()

    def then(self, batch: CycleResult) -> "Told":
        """Return what was told when that is told too."""
        newest = {
            outcome.vat: ToldOf(
                alarms=outcome.carry.alarms,
                probe=outcome.probe,
                seq=int(outcome.measurements.seq[-1]),
                record_us=int(outcome.measurements.elapsed_us[-1]),
            )
            for outcome in batch.outcomes
            if len(outcome.measurements)
        }
        own = {SYSTEM: ToldOf(alarms=batch.system.alarms)} if batch.system else {}
        return replace(self, watches={**self.watches, **newest, **own}, entries=(*self.entries, *batch.all_entries()))


def file_of(config: Config, store: Store) -> Path:
    """Return the file for a store: beside it, or for a server's in the folder where a service keeps its state."""
    if store.path is not None:
        return store.path.with_name(f"{store.path.name}.told")
    folder = os.environ.get("STATE_DIRECTORY", "").partition(":")[0] or _home() / "vatvigil"
    return Path(folder) / f"{'simulated-' if config.simulated else ''}{store.identity}.told"


def _home() -> Path:
    """Return where programs of this user keep their state (XDG Base Directory Specification 0.8)."""
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")


class ToldFile(Struct, kw_only=True):
    """The file. `ask` does what waits for its disk."""

    path: Path
    ask: Ask
    told: Told
    """What was told and is not known to be in the store."""
    _unstored: set[str] = field(default_factory=set)
    """Vats that an earlier run told of, and of which no record was stored since."""
    _number: int = 0
    _is_filled: bool = False
    _failed: bool = False

    def open(self, vats: Iterable[str]) -> Told | None:
        """Make the file unless it is there; return what an earlier run of this store left in it of these and itself."""
        try:
            self._make()
            found = self._read()
        except OSError as error:
            self._fail(error)
            return None
        if found is None or (found.store, found.version) != (self.told.store, self.told.version):
            return None
        self.told, self._unstored, self._is_filled = found, {*found.watches} & {*vats}, True
        return found

    def tell(self, batch: CycleResult) -> None:
        """Keep a batch that the store has not taken, before its events leave."""
        self.told = self.told.then(batch)
        self._is_filled = True
        self._keep(self.told)

    def note(self, batches: Iterable[CycleResult], *, is_last: bool) -> None:
        """Note what the store took, and empty the file when it has everything."""
        self._unstored -= {outcome.vat for batch in batches for outcome in batch.outcomes}
        if self._is_filled and is_last and not self._unstored:
            self.told = Told(store=self.told.store)
            self._is_filled = not self._keep(self.told)

    def _keep(self, told: Told) -> bool:
        """Write it; tell whether it is in the file now."""
        try:
            while self.ask(partial(self._write, told)) is not told:
                pass  # an earlier one, which was late, is in it
        except (OSError, StoreBusyError) as error:
            self._fail(error)
            return False
        self._failed = False
        return True

    def _fail(self, error: Exception) -> None:
        if not self._failed:
            log.warning("%s cannot be written (%s): a kill now would tell standing alarms anew", self.path, error)
        self._failed = True

    def _make(self) -> None:
        self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        private_file.make(self.path)
        missing = 2 * PLACE_BYTES - self.path.stat().st_size
        if missing > 0:
            with private_file.opened(self.path, "ab") as file:
                file.write(bytes(missing))
                file.flush()
                os.fsync(file.fileno())

    def _write(self, told: Told) -> Told:
        content = _fitting(told)
        self._number += 1
        head = _HEAD.pack(self._number, len(content), zlib.crc32(content))
        descriptor = os.open(self.path, os.O_WRONLY)
        try:
            os.pwrite(descriptor, head + content, (self._number % 2) * PLACE_BYTES)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        return told

    def _read(self) -> Told | None:
        """Return what was written last and whole; None: nothing that this version can read."""
        content = self.path.read_bytes()
        places = [_whole(content[place : place + PLACE_BYTES]) for place in (0, PLACE_BYTES)]
        newest = max((place for place in places if place is not None), default=None)
        if newest is None:
            return None
        self._number = newest[0]
        try:
            found = msgspec.json.decode(newest[1], type=Told)
        except (msgspec.MsgspecError, RecursionError) as error:
            log.warning("%s was written by another version of vatvigil (%s)", self.path, error)
            return None
        return found if found.watches or found.entries else None


def _whole(place: bytes) -> tuple[int, bytes] | None:
    """Return the number and the content of a place; None: nothing was written there, or not to its end."""
    if len(place) < _HEAD.size:
        return None
    number, length, checksum = _HEAD.unpack_from(place)
    content = place[_HEAD.size : _HEAD.size + length]
    return (number, content) if number and len(content) == length and zlib.crc32(content) == checksum else None


def _fitting(told: Told) -> bytes:
    """Return it as bytes that have room in a place: if need be without the oldest entries."""
    content = msgspec.json.encode(told)
    while len(content) > PLACE_BYTES - _HEAD.size and told.entries:
        told = replace(told, entries=told.entries[len(told.entries) // 4 + 1 :])
        content = msgspec.json.encode(told)
    return content if len(content) <= PLACE_BYTES - _HEAD.size else b""
