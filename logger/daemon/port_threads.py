"""Read each probe on time, one thread a line, and post what it read. It decides nothing and writes nothing.

Law: each probe has a steady grid of ticks that begins at the start, so a stepped wall clock neither stalls nor floods
it; a tick that the line is too busy for is skipped and counted, never made up. The grids of probes on one line are
spread over a period, so that they do not wait for each other. While somebody works on a probe its grid is finer;
whenever that changes, the next tick is the next one on the new grid. Whatever is not expected ends the process by way
of `ThreadCrash`.

A silent instrument on a shared line rests for 1, 3, 7 ... ticks, up to 30 s. Alone on its line it is asked at every
tick.
"""

import logging
import time
from collections.abc import Callable, Sequence
from threading import Event, Thread

from logger.daemon.clock import Clock
from logger.errors import ThreadCrash
from logger.model import Indication
from logger.probe.reader import Reader
from logger.structs import Struct

log = logging.getLogger(__name__)

ATTENDED_S = 1.0
"""How often (vat time) a probe is read that somebody works on: a person waits for it to settle."""
SECOND_NS = 1_000_000_000
SAY_EVERY_NS = 600 * SECOND_NS
"""How often at most it is logged that ticks were skipped. Common practice, no source."""


class _Grid(Struct, kw_only=True):
    """When one probe is due, in steady real nanoseconds."""

    reader: Reader
    begin: int
    period: int
    due: int
    last: int

    def keep(self, period: int, now: int) -> None:
        """Go by this period from now on."""
        if period != self.period:
            self.period, self.last = period, max(self.last, now)
            self.due = self.begin + ((self.last - self.begin) // period + 1) * period

    def done(self, now: int) -> int:
        """Go to the next tick after a read; return how many had to be skipped."""
        self.last, late = self.due, max(0, now - self.due - self.period) // self.period
        self.due += (1 + late) * self.period
        return late


class PortThread(Thread):
    """Polls the probes on one line until it is told to stop."""

    def __init__(
        self, readers: Sequence[Reader], clock: Clock, *, post: Callable[[Indication | ThreadCrash], None]
    ) -> None:
        """Prepare; `start` begins polling at once."""
        self.probes = tuple(reader.probe.id for reader in readers)
        super().__init__(name=f"port-{'+'.join(self.probes)}", daemon=True)
        self.skipped = 0
        """Ticks that fell into an earlier one's read."""
        self._said, self._say_again = 0, 0
        self._readers, self._clock, self._post = readers, clock, post
        self._stopped = False
        self._attended = dict.fromkeys(self.probes, False)
        self._told = Event()
        """Set after either of these has changed."""

    def stop(self) -> None:
        """Let the present read be the last; join the thread to wait for it."""
        self._stopped = True
        self._told.set()

    def set_attended(self, probe: str, *, attended: bool) -> None:
        """Read that probe every second from now on, or every `poll_s` again."""
        if attended != self._attended[probe]:
            self._attended[probe] = attended
            self._told.set()

    def run(self) -> None:
        """Read on each tick and post the indication."""
        try:
            self._poll()
        except BaseException as error:  # noqa: BLE001 - the main loop raises it again
            self._post(ThreadCrash(error))
        finally:
            for reader in self._readers:
                reader.close()

    def _poll(self) -> None:
        grids = self._grids(time.monotonic_ns())
        while not self._stopped:
            grid = min(grids, key=lambda one: one.due)
            if self._told.wait(max(0, grid.due - time.monotonic_ns()) / SECOND_NS):
                self._told.clear()  # before looking at what was told: what is told from here on wakes the next wait
                for one in grids:
                    one.keep(self._period_ns(one.reader), time.monotonic_ns())
                continue
            now = self._clock.read()
            self._post(grid.reader.read(at_us=now.at_us, elapsed_us=now.elapsed_us))
            self._count(grid.done(time.monotonic_ns()))

    def _count(self, skipped: int) -> None:
        """Count ticks that were skipped; say so, once in a while."""
        self.skipped += skipped
        now = time.monotonic_ns()
        if self.skipped > self._said and now >= self._say_again:
            text = "%s: %d ticks were skipped, the line was too slow for them; a longer poll_s would keep time"
            log.warning(text, "+".join(self.probes), self.skipped - self._said)
            self._said, self._say_again = self.skipped, now + SAY_EVERY_NS

    def _grids(self, now: int) -> list[_Grid]:
        """Return the grids, each begun a part of its period after the one before."""
        periods = [self._period_ns(reader) for reader in self._readers]
        begins = [now + period * number // len(periods) for number, period in enumerate(periods)]
        return [
            _Grid(reader=reader, begin=begin, period=period, due=begin, last=begin)
            for reader, begin, period in zip(self._readers, begins, periods, strict=True)
        ]

    def _period_ns(self, reader: Reader) -> int:
        """Return a probe's present period in real nanoseconds."""
        poll_s = reader.probe.poll_s
        wanted_s = min(ATTENDED_S, poll_s) if self._attended[reader.probe.id] else poll_s
        return max(1, round(self._clock.real_s(wanted_s) * SECOND_NS))
