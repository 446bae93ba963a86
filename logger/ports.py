"""One thread a port: it reads on time and posts what it read. It decides nothing and writes nothing.

Law: ticks lie on a steady grid that begins at the start, so a stepped wall clock neither stalls nor floods it; a tick
that the port is too busy for is skipped and counted, never made up. While somebody works on the probe the grid is
finer; whenever that changes, the next tick is the next one on the new grid. Whatever is not expected ends the process
by way of `Crashed`.
"""

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from threading import Event, Thread

from logger.clock import Clock
from logger.config import ProbeConfig
from logger.model import Indication
from logger.probe.port import Line

log = logging.getLogger(__name__)

ATTENDED_S = 1.0
"""How often (vat time) a probe is read that somebody works on: a person waits for it to settle."""
SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Crashed:
    """A thread met what nobody expected; the process must end."""

    error: BaseException


class PortThread(Thread):
    """Polls the probe on one port until it is told to stop."""

    def __init__(
        self, line: Line, probe: ProbeConfig, clock: Clock, *, post: Callable[[Indication | Crashed], None]
    ) -> None:
        """Prepare; `start` begins polling at once."""
        super().__init__(name=f"port-{probe.id}", daemon=True)
        self.skipped = 0
        """Ticks that fell into an earlier one's read."""
        self._line, self._probe, self._clock, self._post = line, probe, clock, post
        self._stopped, self._attended = False, False
        self._told = Event()
        """Set after either of these has changed."""

    @property
    def probe(self) -> str:
        """Return the id of the probe."""
        return self._probe.id

    def stop(self) -> None:
        """Let the present read be the last; join the thread to wait for it."""
        self._stopped = True
        self._told.set()

    def attend(self, *, attended: bool) -> None:
        """Read every second from now on, or every `poll_s` again."""
        if attended != self._attended:
            self._attended = attended
            self._told.set()

    def run(self) -> None:
        """Read on each tick and post the indication."""
        try:
            self._poll()
        except BaseException as error:  # noqa: BLE001 - the main loop raises it again
            self._post(Crashed(error))
        finally:
            self._line.close()

    def _poll(self) -> None:
        begin = last = time.monotonic_ns()
        period, due = self._period_ns(), begin
        while not self._stopped:
            if self._told.wait(max(0, due - time.monotonic_ns()) / SECOND_NS):
                self._told.clear()  # before looking at what was told: what is told from here on wakes the next wait
                if self._period_ns() != period:
                    period, last = self._period_ns(), max(last, time.monotonic_ns())
                    due = begin + ((last - begin) // period + 1) * period
                continue
            now = self._clock.read()
            self._post(self._line.read(self._probe, at_us=now.at_us, elapsed_us=now.elapsed_us))
            last, late = due, max(0, time.monotonic_ns() - due - period) // period
            self.skipped += late
            due += (1 + late) * period

    def _period_ns(self) -> int:
        """Return the present period in real nanoseconds."""
        poll_s = min(ATTENDED_S, self._probe.poll_s) if self._attended else self._probe.poll_s
        return max(1, round(self._clock.real_s(poll_s) * SECOND_NS))
