"""Replay logged bytes through the same readers and conversations.

Law: the wire's clock is the log's, so nothing waits and the outcome is always the same. With the configuration that the
bytes were recorded with, every tick ends as it ended then; with another description, it is read anew.
"""

import math
from collections.abc import Iterable, Iterator, Mapping

from logger.config import ProbeConfig
from logger.model import Indication, Reason
from logger.probe.byte_log import ByteLogEntry, RunHeader
from logger.probe.conversation import Missing
from logger.probe.port import Port
from logger.probe.protocols import conversation_with
from logger.probe.reader import Reader
from logger.probe.wire import Wire
from logger.structs import Struct


class _Tape(Struct):
    """The logged entries, and how far they have been replayed."""

    entries: list[ByteLogEntry]
    at: int = 0
    now_us: int = 0

    @property
    def next_entry(self) -> ByteLogEntry | None:
        """Return the next entry."""
        return self.entries[self.at] if self.at < len(self.entries) else None

    def next_input(self, *, until_us: int) -> int | None:
        """Return the index of the next bytes (or loss of the port) until a time; None: there are none.

        Bytes that waited before a read are there for any read, unless something was sent or nothing was found before.
        """
        may_wait = True
        for index in range(self.at, len(self.entries)):
            entry = self.entries[index]
            if entry.got or entry.lost:
                return index if (may_wait and entry.waited) or entry.t_us <= until_us else None
            if entry.opened or entry.t_us > until_us:
                return None
            may_wait = False
        return None

    def advance(self) -> None:
        """Step over the next entry; its time is now."""
        self.now_us = max(self.now_us, self.entries[self.at].t_us)
        self.at += 1

    def take(self, index: int) -> bytes:
        """Return the bytes at an index and step past them. Raises OSError where the port was lost."""
        entry = self.entries[index]
        self.at, self.now_us = index + 1, max(self.now_us, entry.t_us)
        if entry.lost:
            raise OSError(entry.lost)
        return bytes.fromhex(entry.got)


class ReplayedWire(Wire):
    """A wire that reads from the log."""

    def __init__(self, tape: _Tape) -> None:  # the port of the parent is never opened
        """Read from the tape's position."""
        self._tape = tape

    @property
    def is_waiting(self) -> bool:
        """Tell whether anything has come."""
        entry = self._tape.next_entry
        if entry is not None and entry.quiet:
            self._tape.advance()
            return False
        if entry is not None and entry.lost:
            self._tape.take(self._tape.at)
        return self._tape.next_input(until_us=self._tape.now_us) is not None

    def now_s(self) -> float:
        """Return the log's time."""
        return self._tape.now_us / 1e6

    def pause(self, wait_s: float) -> None:
        """Let the log's time pass."""
        self._tape.now_us = self._tape.now_us + math.floor(wait_s * 1e6) + 1

    def send(self, data: bytes) -> None:  # noqa: ARG002 - what came back is on the tape
        """Take it that what was sent then is sent now."""
        entry = self._tape.next_entry
        if entry is not None and entry.sent:
            self._tape.advance()

    def read_waiting(self) -> bytes:
        """Return what has come."""
        if not self.is_waiting:
            return b""
        index = self._tape.next_input(until_us=self._tape.now_us)
        return b"" if index is None else self._tape.take(index)

    def read(self, *, until: float) -> bytes:
        """Return what comes next. Raises OSError where the port was lost."""
        tape, until_us = self._tape, math.floor(until * 1e6) + 1
        index = tape.next_input(until_us=max(until_us, tape.now_us))
        if index is not None:
            return tape.take(index)
        tape.now_us = max(tape.now_us, until_us)
        return b""

    def close(self) -> None:
        """Do nothing: there is no port."""


class ReplayedPort(Port):
    """A port that is open when it was open in the log."""

    def __init__(self, probe: ProbeConfig, tape: _Tape) -> None:
        """Begin with a port that is not open."""
        super().__init__(probe)
        self._tape = tape

    def note_tick(self, probe: str, *, at_us: int, elapsed_us: int, simulated: bool) -> None:
        """Do nothing: the log has it already."""

    def skip_to(self, at: int) -> None:
        """Step over what was not read, up to a tick; the port is opened and lost as in the log."""
        for entry in self._tape.entries[self._tape.at : at]:
            if entry.opened:
                self._wire = ReplayedWire(self._tape)
            if entry.lost:
                self._wire = None
        self._tape.at = max(self._tape.at, at)

    def wire(self, elapsed_us: int) -> Wire:
        """Return the wire if the port was open, or was opened now. Raises Missing if it was not."""
        del elapsed_us
        entry = self._tape.next_entry
        if self._wire is None and entry is not None and entry.opened:
            self._tape.advance()
            self._wire = ReplayedWire(self._tape)
            self._drain(self._wire)
        if self._wire is None:
            raise Missing(Reason.PORT_ABSENT, "the port was absent")
        return self._wire

    def _drain(self, wire: Wire) -> None:
        """Discard what waited at the opening, as was done then."""
        try:
            wire.drain()
        except OSError:
            self._wire = None


def replay_indications(
    items: Iterable[RunHeader | ByteLogEntry], probes: Mapping[str, ProbeConfig], *, simulated: bool
) -> Iterator[Indication]:
    """Yield the indications of these probes over a log; ticks of other probes are passed over."""
    run: list[ByteLogEntry] = []
    for item in items:
        if isinstance(item, RunHeader):
            yield from _run(run, probes, simulated=simulated)
            run = []
        else:
            run.append(item)
    yield from _run(run, probes, simulated=simulated)


def _run(entries: list[ByteLogEntry], probes: Mapping[str, ProbeConfig], *, simulated: bool) -> Iterator[Indication]:
    """Yield the indications of one run of the daemon."""
    if not entries:
        return
    tape = _Tape(entries)
    ticks = [index for index, entry in enumerate(entries) if entry.tick]
    port = ReplayedPort(next(iter(probes.values())), tape)
    readers = {
        name: Reader(port, conversation_with(probe, simulated=simulated), is_shared=len(probes) > 1)
        for name, probe in probes.items()
    }
    for index in ticks:
        tick = entries[index].tick
        port.skip_to(index + 1)
        tape.now_us = max(tape.now_us, entries[index].t_us)
        if tick is not None and tick.probe in readers:
            yield readers[tick.probe].read(at_us=tick.at_us, elapsed_us=tick.elapsed_us)
