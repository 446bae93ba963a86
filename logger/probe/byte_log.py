"""Log the bytes on one port with their times, for replay through the decoder. JSON Lines, UTF-8.

    {"bytes": 1, "port": "/dev/ttyUSB0", "simulated": false}          a run begins; times count from here
    {"t_us": 12, "tick": {"probe": "p1", "at_us": 0, "elapsed_us": 0}}   a probe is to be read
    {"t_us": 20, "opened": true}
    {"t_us": 25, "sent": "520d0a"}                                    hexadecimal
    {"t_us": 31045, "got": "3137312e", "waited": false}               whether it was there before the read
    {"t_us": 31050, "quiet": true}                                    a read found nothing
    {"t_us": 99999, "lost": "the port failed"}

Law: what is written is read back to the bit, in the order in which it happened. Writing never disturbs the watch: a log
that cannot be written, or that has grown to `LARGEST`, ends with a warning.

It holds what was seen when somebody looked, also that nothing was there: replayed in that order and by the times in it
(`probe/byte_replay.py`; the wire owns the clock of a conversation) each tick ends as it ended live, whatever the
machine was busy with. While bytes are recorded that clock stands still between two notes, for a replay knows no other.
pyserial's `spy://` writes a dump for people, without ticks.
"""

import logging
import math
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, Final

import msgspec

from logger import private_file
from logger.config import ProbeConfig
from logger.errors import RefusedError
from logger.probe.wire import Wire

log = logging.getLogger(__name__)

VERSION: Final = 1
LARGEST: Final = 256 << 20
"""Bytes; at 9600 baud, printing all the time, some two weeks."""


class RunHeader(msgspec.Struct, frozen=True, rename={"version": "bytes"}):
    """The beginning of a run."""

    version: int
    port: str
    simulated: bool


class Tick(msgspec.Struct, frozen=True):
    """A probe that is to be read."""

    probe: str
    at_us: int
    elapsed_us: int


class ByteLogEntry(msgspec.Struct, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    """One thing that happened on the port; `t_us` since the begin of the run."""

    t_us: int
    tick: Tick | None = None
    opened: bool = False
    sent: str = ""
    got: str = ""
    waited: bool = False
    quiet: bool = False
    """A read found nothing."""
    lost: str = ""


class ByteLog:
    """Appends what happens on one port to a file."""

    def __init__(self, path: Path, *, port: str, simulated: bool) -> None:
        """Begin a run at the file's end; a file that cannot be opened is a warning."""
        self._path, self._began_s = path, time.monotonic()
        self._t_us = 0
        self._file: BinaryIO | None = None
        try:
            self._file = private_file.opened(path, "ab")
        except OSError as error:
            log.warning("%s: the bytes are not recorded: %s", path, error.strerror)
        self._write(RunHeader(VERSION, port, simulated))

    def now_s(self) -> float:
        """Return the time of the newest entry (of `time.monotonic`): the clock that a replay has, too."""
        return self._began_s + self._t_us / 1e6

    def advance(self, at_s: float) -> None:
        """Advance the clock past a time without an entry."""
        self._t_us = max(self._t_us, math.floor((at_s - self._began_s) * 1e6) + 1)

    def note(self, *, at_s: float | None = None, **what: Any) -> None:  # noqa: ANN401 - the fields of ByteLogEntry
        """Write one entry, now or at a reading of `time.monotonic`."""
        when_s = time.monotonic() if at_s is None else at_s
        self._t_us = max(self._t_us, round((when_s - self._began_s) * 1e6))
        self._write(ByteLogEntry(self._t_us, **what))

    def close(self) -> None:
        """End the log."""
        if self._file is not None:
            self._file.close()
        self._file = None

    def _write(self, what: RunHeader | ByteLogEntry) -> None:
        if self._file is None:
            return
        try:
            self._file.write(msgspec.json.encode(what) + b"\n")
            self._file.flush()
            is_full = self._file.tell() > LARGEST
        except OSError as error:
            log.warning("%s: the bytes are recorded no further: %s", self._path, error.strerror)
            self.close()
        else:
            if is_full:
                log.warning("%s: the bytes are recorded no further: it has %d MB", self._path, LARGEST >> 20)
                self.close()


class LoggedWire(Wire):
    """A wire that logs all that goes over it.

    Its clock stands still between two notes: so a replay, which knows nothing else, has the very same one, and no limit
    is judged by how long the machine was busy in between.
    """

    def __init__(self, probe: ProbeConfig, notes: ByteLog) -> None:
        """Open the port. Raises one of `FAILURES`."""
        super().__init__(probe)
        self._notes = notes
        notes.note(opened=True)

    def now_s(self) -> float:
        """Return the log's clock."""
        return self._notes.now_s()

    def pause(self, wait_s: float) -> None:
        """Leave the line alone for a moment."""
        super().pause(wait_s)
        self._notes.advance(self.now_s() + wait_s)

    def send(self, data: bytes) -> None:
        """Write all of `data`."""
        self._notes.note(sent=data.hex())
        super().send(data)

    def read(self, *, until: float) -> bytes:
        """Return what has arrived, waiting for a first byte."""
        waited = super().is_waiting
        data = super().read(until=until)
        if data:
            # A read sees bytes up to a moment after its limit; by the log they were in time, as they were taken to be.
            self._notes.note(at_s=min(time.monotonic(), until), got=data.hex(), waited=waited)
        else:
            self._notes.advance(until)
        return data

    def read_waiting(self) -> bytes:
        """Return what has arrived, without waiting for more."""
        data = super().read_waiting()
        if data:
            self._notes.note(got=data.hex(), waited=True)
        else:
            self._notes.note(quiet=True)
        return data

    @property
    def is_waiting(self) -> bool:
        """Tell whether anything has arrived."""
        if super().is_waiting:
            return True
        self._notes.note(quiet=True)
        return False


def read(stream: BinaryIO, *, name: str) -> Iterator[RunHeader | ByteLogEntry]:
    """Yield what a log holds; a last line that was cut off is left out. Raises RefusedError naming the wrong line."""
    decoders = msgspec.json.Decoder(RunHeader), msgspec.json.Decoder(ByteLogEntry)
    is_first = True
    for number, line in enumerate(stream, start=1):
        if not line.endswith(b"\n"):
            return
        is_head = line.startswith(b'{"bytes"')
        try:
            what: RunHeader | ByteLogEntry = decoders[0].decode(line) if is_head else decoders[1].decode(line)
        except (msgspec.DecodeError, UnicodeDecodeError) as error:
            raise RefusedError(f"{name}, line {number}: {error}. Is it a log of bytes (record_bytes)?") from error
        if is_first and not is_head:
            raise RefusedError(f"{name}, line 1: a log of bytes begins with its header")
        if isinstance(what, RunHeader) and what.version != VERSION:
            raise RefusedError(f"{name}, line {number}: format {what.version} is not known here, only {VERSION}")
        is_first = False
        if isinstance(what, ByteLogEntry) and not _is_hexadecimal(what.got):
            raise RefusedError(f"{name}, line {number}: {what.got!r} is not hexadecimal")
        yield what


def _is_hexadecimal(text: str) -> bool:
    try:
        bytes.fromhex(text)
    except ValueError:
        return False
    return True
