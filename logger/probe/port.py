"""Own a serial port: open it, wait between tries, release it.

Law: a port has one `Port`, used by one thread, however many probes are behind it. A port that is not there is tried
again after 1, 2 and then every 5 s of watch time: whoever plugs it in again waits for data. Its loss is a `Missing`
tick for each of its probes, never an exception that ends the watch.
"""

import errno
import logging
from typing import Final

from logger.config import ProbeConfig
from logger.model import Reason
from logger.probe import port_listing
from logger.probe.byte_log import ByteLog, LoggedWire, Tick
from logger.probe.conversation import Missing
from logger.probe.wire import FAILURES, Wire
from logger.units import SECOND_US

log = logging.getLogger(__name__)

BACKOFF_S: Final = (1, 2, 5)


class Port:
    """The sole owner of one serial port."""

    def __init__(self, probe: ProbeConfig) -> None:
        """Take the port of one of the probes behind it (they agree on the line); it is opened when first used."""
        self.port = probe.port
        self._probe = probe
        self._wire: Wire | None = None
        self._byte_log: ByteLog | None = None
        self._failures = 0
        self._retry_us = 0
        self._fault = ""

    def wire(self, elapsed_us: int) -> Wire:
        """Return the open wire, drained when it was opened just now. Raises Missing while the port is absent."""
        if self._wire is None:
            if self._failures and elapsed_us < self._retry_us:
                raise Missing(Reason.PORT_ABSENT, self._fault)
            try:
                self._wire = Wire(self._probe) if self._byte_log is None else LoggedWire(self._probe, self._byte_log)
                self._wire.drain()
            except FAILURES as error:
                raise self.give_up(error, elapsed_us) from error
            log.info("%s opened", self.port)
        return self._wire

    def note_tick(self, probe: str, *, at_us: int, elapsed_us: int, simulated: bool) -> None:
        """Log in the byte log, if there is one, that a probe is to be read now."""
        if self._probe.record_bytes is not None:
            if self._byte_log is None:
                self._byte_log = ByteLog(self._probe.record_bytes, port=self.port, simulated=simulated)
            self._byte_log.note(tick=Tick(probe, at_us, elapsed_us))

    def give_up(self, error: Exception, elapsed_us: int) -> Missing:
        """Give up the wire after one of `FAILURES`; return how this tick ends."""
        if self._byte_log is not None:
            self._byte_log.note(lost=str(error) or "lost")
        self._release()
        wait_s = BACKOFF_S[min(self._failures, len(BACKOFF_S) - 1)]
        self._failures += 1
        self._retry_us = elapsed_us + wait_s * SECOND_US
        self._fault = f"{describe_failure(error, self.port)} (next try in {wait_s} s)"
        log.log(logging.WARNING if self._failures == 1 else logging.DEBUG, "%s: %s", self.port, self._fault)
        return Missing(Reason.PORT_ABSENT, self._fault)

    def note_success(self) -> None:
        """Reset the waiting time: the next loss is the first again."""
        self._failures = 0

    def close(self) -> None:
        """Close the port; the next use opens it again, and begins a new run in the byte log."""
        self._release()
        if self._byte_log is not None:
            self._byte_log.close()
        self._byte_log = None

    def _release(self) -> None:
        if self._wire is not None:
            self._wire.close()
        self._wire = None


def describe_failure(error: Exception, port: str) -> str:
    """Return what is wrong with a port and what to do."""
    match getattr(error, "errno", None):
        case errno.ENOENT | errno.ENODEV | errno.ENXIO:
            return "there is no such port; check the cable and the path"
        case errno.EPERM:
            return "the system forbids this program to open it; under systemd the unit's DeviceAllow names what it may"
        case errno.EACCES:
            advice = port_listing.access(port)[1] or "it is not this user's, and no group is"
            return f"no permission to use the port; {advice}"
        case errno.EAGAIN | errno.EBUSY:
            return "another program holds the port; close it"
        case _:
            return f"the port failed ({error}); check the cable and the adapter"
