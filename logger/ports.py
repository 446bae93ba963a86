"""One thread a port: it reads on time and posts what it read. It decides nothing and writes nothing.

Law: pacing is steady (`due += period`), so a stepped wall clock neither stalls nor floods it; a tick that the port is
too busy for is skipped and counted, never made up. Whatever is not expected ends the process by way of `Crashed`.
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
        self._stopped = Event()

    def stop(self) -> None:
        """Let the present read be the last; join the thread to wait for it."""
        self._stopped.set()

    def run(self) -> None:
        """Read on each tick and post the indication."""
        try:
            self._poll()
        except BaseException as error:  # noqa: BLE001 - the main loop raises it again
            self._post(Crashed(error))
        finally:
            self._line.close()

    def _poll(self) -> None:
        period = self._clock.real_s(self._probe.poll_s)
        due = time.monotonic()
        while not self._stopped.wait(max(0.0, due - time.monotonic())):
            now = self._clock.read()
            self._post(self._line.read(self._probe, at_us=now.at_us, elapsed_us=now.elapsed_us))
            due += period
            late = int((time.monotonic() - due) // period) if time.monotonic() > due else 0
            self.skipped += late
            due += late * period
