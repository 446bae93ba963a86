"""Bytes that were recorded, through the same readers and conversations once more.

Law: the wire's clock is the log's, so nothing waits and the outcome is always the same. With the configuration that the
bytes were recorded with, every tick ends as it ended then; with another description, it is read anew.
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from logger.config import ProbeConfig
from logger.model import Indication, Reason
from logger.probe.byte_log import ByteLogEntry, RunHeader
from logger.probe.conversation import Missing
from logger.probe.port import Port
from logger.probe.protocols import conversation_with
from logger.probe.reader import Reader
from logger.probe.wire import Wire


@dataclass(slots=True)
class _Tape:
    """What happened, and how far it has been played."""

    happenings: list[ByteLogEntry]
    at: int = 0
    now_us: int = 0

    @property
    def head(self) -> ByteLogEntry | None:
        """Return what happens next."""
        return self.happenings[self.at] if self.at < len(self.happenings) else None

    def coming(self, *, until_us: int) -> int | None:
        """Return where the bytes (or the loss of the port) stand that come until then.

        What waited when somebody looked is there for whoever looks, unless something was sent or found quiet before.
        """
        may_wait = True
        for index in range(self.at, len(self.happenings)):
            happening = self.happenings[index]
            if happening.got or happening.lost:
                return index if (may_wait and happening.waited) or happening.t_us <= until_us else None
            if happening.opened or happening.t_us > until_us:
                return None
            may_wait = False
        return None

    def pass_over(self) -> None:
        """Let what happens next be over, and its time be now."""
        self.now_us = max(self.now_us, self.happenings[self.at].t_us)
        self.at += 1

    def take(self, index: int) -> bytes:
        """Return the bytes there; all before them is over. Raises OSError where the port was lost."""
        happening = self.happenings[index]
        self.at, self.now_us = index + 1, max(self.now_us, happening.t_us)
        if happening.lost:
            raise OSError(happening.lost)
        return bytes.fromhex(happening.got)


class ReplayedWire(Wire):
    """A wire on which comes what came."""

    def __init__(self, tape: _Tape) -> None:  # the port of the parent is never opened
        """Play on from where the tape stands."""
        self._tape = tape

    @property
    def is_waiting(self) -> bool:
        """Tell whether anything has come."""
        head = self._tape.head
        if head is not None and head.quiet:
            self._tape.pass_over()
            return False
        if head is not None and head.lost:
            self._tape.take(self._tape.at)
        return self._tape.coming(until_us=self._tape.now_us) is not None

    def now_s(self) -> float:
        """Return the log's time."""
        return self._tape.now_us / 1e6

    def pause(self, wait_s: float) -> None:
        """Let the log's time pass."""
        self._tape.now_us = self._tape.now_us + math.floor(wait_s * 1e6) + 1

    def send(self, data: bytes) -> None:  # noqa: ARG002 - what came back is on the tape
        """Take it that what was sent then is sent now."""
        head = self._tape.head
        if head is not None and head.sent:
            self._tape.pass_over()

    def waiting(self) -> bytes:
        """Return what has come."""
        if not self.is_waiting:
            return b""
        index = self._tape.coming(until_us=self._tape.now_us)
        return b"" if index is None else self._tape.take(index)

    def read(self, *, until: float) -> bytes:
        """Return what comes next. Raises OSError where the port was lost."""
        tape, until_us = self._tape, math.floor(until * 1e6) + 1
        index = tape.coming(until_us=max(until_us, tape.now_us))
        if index is not None:
            return tape.take(index)
        tape.now_us = max(tape.now_us, until_us)
        return b""

    def close(self) -> None:
        """Do nothing: there is no port."""


class ReplayedPort(Port):
    """A port that is there when it was there."""

    def __init__(self, probe: ProbeConfig, tape: _Tape) -> None:
        """Begin with a port that is not open."""
        super().__init__(probe)
        self._tape = tape

    def note_tick(self, probe: str, *, at_us: int, elapsed_us: int, simulated: bool) -> None:
        """Note nothing: it is noted already."""

    def skip_to(self, at: int) -> None:
        """Pass over what nobody took, up to a tick; what became of the port holds."""
        for happening in self._tape.happenings[self._tape.at : at]:
            if happening.opened:
                self._wire = ReplayedWire(self._tape)
            if happening.lost:
                self._wire = None
        self._tape.at = max(self._tape.at, at)

    def wire(self, elapsed_us: int) -> Wire:
        """Return the wire if the port was open, or was opened now. Raises Missing if it was not."""
        del elapsed_us
        head = self._tape.head
        if self._wire is None and head is not None and head.opened:
            self._tape.pass_over()
            self._wire = ReplayedWire(self._tape)
            self._drain(self._wire)
        if self._wire is None:
            raise Missing(Reason.PORT_ABSENT, "the port was absent")
        return self._wire

    def _drain(self, wire: Wire) -> None:
        """Throw away what waited at the opening, as was done then."""
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


def _run(happenings: list[ByteLogEntry], probes: Mapping[str, ProbeConfig], *, simulated: bool) -> Iterator[Indication]:
    """Yield the indications of one run of the daemon."""
    if not happenings:
        return
    tape = _Tape(happenings)
    ticks = [index for index, happening in enumerate(happenings) if happening.tick]
    line = ReplayedPort(next(iter(probes.values())), tape)
    readers = {
        name: Reader(line, conversation_with(probe, simulated=simulated), is_shared=len(probes) > 1)
        for name, probe in probes.items()
    }
    for index in ticks:
        tick = happenings[index].tick
        line.skip_to(index + 1)
        tape.now_us = max(tape.now_us, happenings[index].t_us)
        if tick is not None and tick.probe in readers:
            yield readers[tick.probe].read(at_us=tick.at_us, elapsed_us=tick.elapsed_us)
