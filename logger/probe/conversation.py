"""Define what a protocol does for one probe: one tick, within a time limit, over a wire that it does not own.

Law: a conversation knows its probe and nothing of ports. It neither opens, reopens nor closes; it raises `Missing` for
what instruments do, and lets the wire's `FAILURES` pass. It is used by one thread. Others may have used the wire since
its last tick (a shared line), so it never accepts bytes that may be meant for another.

To add a protocol: write its codec without I/O (bytes in, values or a reason out), a subclass of `Conversation` that
sends, reads until its time limit and asks the codec, and give it a row in `protocols.py`. Everything else (opening,
back-off, absent ports, several probes on a line, pacing) is there.
"""

from abc import ABC, abstractmethod

from logger.config import ProbeConfig
from logger.model import Reason
from logger.probe.wire import Wire
from logger.structs import Struct


class Values(Struct, frozen=True, kw_only=True):
    """Values of one tick: potential (mV) and temperature (C), one of them None if the instrument has none now."""

    potential_mv: float | None
    temperature_c: float | None
    detail: str = ""
    """Why one of them is None, one sentence; empty: both came."""


class LineExchange(Struct, frozen=True, kw_only=True):
    """What a probe that speaks in lines is sent for a first line of its own, and how lines end."""

    query: bytes
    """Without its end; empty: the probe prints by itself."""
    query_end: bytes
    terminator: bytes


class Missing(Exception):  # noqa: N818 - no error: the expected way in which a tick ends without values
    """A tick without an indication, and the sentence that says why."""

    def __init__(self, reason: Reason, text: str) -> None:
        """`text` says what happened and what to do; the port's name is put before it by whoever shows it."""
        super().__init__(text)
        self.reason = reason


class Conversation(ABC):
    """One protocol with one probe."""

    def __init__(self, probe: ProbeConfig, *, simulated: bool) -> None:
        """Take a probe; `simulated` tells whether a simulated instrument is wanted: the other kind must be refused."""
        self.probe = probe
        self.simulated = simulated
        self.identity = ""
        """The newest identity that the instrument reported; empty: none."""

    @abstractmethod
    def begin(self, wire: Wire) -> None:
        """Use this newly opened wire from now on; the instrument may be another."""

    @abstractmethod
    def tick(self) -> Values:
        """Read one indication. Raises Missing, and one of `wire.FAILURES`.

        It ends within a few `probe.timeout_s` (`settings.checks` says how many), however much the instrument talks.
        """
