"""Bytes that were recorded, through the same readers and conversations once more.

Law: the wire's clock is the log's, so nothing waits and the outcome is always the same. With the configuration that the
bytes were recorded with, every tick ends as it ended then; with another description, it is read anew.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from logger.config import ProbeConfig
from logger.model import Indication, Reason
from logger.probe.byte_log import Happening, Head
from logger.probe.conversation import Missing
from logger.probe.line import Line
from logger.probe.reader import CONVERSATIONS, Reader
from logger.probe.wire import Wire


@dataclass(slots=True)
class _Tape:
    """What happened, and how far it has been played."""

    happenings: list[Happening]
    at: int = 0
    now_us: int = 0
    tick_end: int = 0
    """Where the next tick stands."""

    @property
    def next(self) -> Happening | None:
        """Return what happens next, but for what was sent: it is the reader that sends."""
        while self.at < len(self.happenings) and self.happenings[self.at].sent:
            self.at += 1
        return self.happenings[self.at] if self.at < len(self.happenings) else None

    def arrives(self, *, until_us: int) -> Happening | None:
        """Return what comes until then: bytes, or the loss of the port."""
        coming = self.next
        if coming is None or not (coming.got or coming.lost):
            return None
        has_waited = coming.waited and self.at < self.tick_end
        return coming if has_waited or coming.t_us <= until_us else None


class PlayedWire(Wire):
    """A wire on which comes what came."""

    def __init__(self, tape: _Tape) -> None:  # the port of the parent is never opened
        """Play on from where the tape stands."""
        self._tape = tape

    @property
    def is_waiting(self) -> bool:
        """Tell whether anything has come."""
        return self._tape.arrives(until_us=self._tape.now_us) is not None

    def now_s(self) -> float:
        """Return the log's time."""
        return self._tape.now_us / 1e6

    def pause(self, wait_s: float) -> None:
        """Let the log's time pass."""
        self._tape.now_us += round(wait_s * 1e6)

    def send(self, data: bytes) -> None:
        """Send nothing: what came back is on the tape."""

    def waiting(self) -> bytes:
        """Return what has come."""
        return self.read(until=self.now_s()) if self.is_waiting else b""

    def read(self, *, until: float) -> bytes:
        """Return what comes next. Raises OSError where the port was lost."""
        tape, until_us = self._tape, round(until * 1e6)
        coming = tape.arrives(until_us=max(until_us, tape.now_us))
        if coming is None:
            tape.now_us = max(tape.now_us, until_us)
            return b""
        tape.at += 1
        tape.now_us = max(tape.now_us, coming.t_us)
        if coming.lost:
            raise OSError(coming.lost)
        return bytes.fromhex(coming.got)

    def close(self) -> None:
        """Do nothing: there is no port."""


class PlayedLine(Line):
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
                self._wire = PlayedWire(self._tape)
            if happening.lost:
                self._wire = None
        self._tape.at = max(self._tape.at, at)

    def wire(self, elapsed_us: int) -> Wire:
        """Return the wire if the port was open, or was opened now. Raises Missing if it was not."""
        del elapsed_us
        coming = self._tape.next
        if self._wire is None and coming is not None and coming.opened:
            self._tape.at += 1
            self._wire = PlayedWire(self._tape)
        if self._wire is None:
            raise Missing(Reason.PORT_ABSENT, "the port was absent")
        return self._wire


def played(
    items: Iterable[Head | Happening], probes: Mapping[str, ProbeConfig], *, simulated: bool
) -> Iterator[Indication]:
    """Yield the indications of these probes over a log; ticks of other probes are passed over."""
    run: list[Happening] = []
    for item in items:
        if isinstance(item, Head):
            yield from _run(run, probes, simulated=simulated)
            run = []
        else:
            run.append(item)
    yield from _run(run, probes, simulated=simulated)


def _run(happenings: list[Happening], probes: Mapping[str, ProbeConfig], *, simulated: bool) -> Iterator[Indication]:
    """Yield the indications of one run of the daemon."""
    if not happenings:
        return
    tape = _Tape(happenings)
    ticks = [index for index, happening in enumerate(happenings) if happening.tick]
    line = PlayedLine(next(iter(probes.values())), tape)
    readers = {
        name: Reader(line, CONVERSATIONS[probe.protocol](probe, simulated=simulated), is_shared=len(probes) > 1)
        for name, probe in probes.items()
    }
    for index, end in zip(ticks, [*ticks[1:], len(happenings)], strict=True):
        tick = happenings[index].tick
        line.skip_to(index + 1)
        tape.tick_end = end
        tape.now_us = max(tape.now_us, happenings[index].t_us)
        if tick is not None and tick.probe in readers:
            yield readers[tick.probe].read(at_us=tick.at_us, elapsed_us=tick.elapsed_us)
