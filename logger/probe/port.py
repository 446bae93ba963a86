"""A serial port and the probe behind it: one tick, one indication.

Law: `Line.read` answers every tick within a time limit, with both values or with the reason why not; it never raises
for what ports and instruments do. A number is believed to be the reply to the present request only if nothing else
can have sent it:

* At most one measuring request is ever unanswered. After a reply that was late, garbled or doubled nothing is
  measured until a *settling* query (the error queue, or the identity) has been answered; its reply cannot be taken for
  a number, and an instrument answers in order, so whatever came before it is old and is thrown away.
* Whoever has not answered the error queue may have been exchanged: the identity is asked next. It is asked a second
  time only after a silence of `_GIVE_UP` time limits, so that its replies cannot pile up: an instrument that needs
  longer than that for one reply is not served.

The only clock read here is `time.monotonic`, for the limits of replies: they stay real when the watch is accelerated.
"""

import errno
import logging
import time
from dataclasses import dataclass
from typing import Final

from logger.config import ProbeConfig
from logger.model import Indication, Reason
from logger.probe import scpi
from logger.probe.wire import FAILURES, Wire

log = logging.getLogger(__name__)

_BACKOFF_US: Final = tuple(seconds * 1_000_000 for seconds in (1, 2, 5))
_GIVE_UP: Final = 5


class _Missing(Exception):  # noqa: N818 - no error: the expected way in which a tick ends without values
    """A tick without an indication, and the sentence that says why."""

    def __init__(self, reason: Reason, text: str) -> None:
        super().__init__(text)
        self.reason = reason


@dataclass(frozen=True, slots=True, kw_only=True)
class _Owed:
    """A settling query without reply yet, and `time.monotonic()` when it was sent or anything was heard since."""

    query: bytes
    heard_s: float


class Line:
    """The sole owner of one serial port. Not shared between threads: whoever reads also closes."""

    def __init__(self, port: str, *, baud: int, simulated: bool) -> None:
        """Take a device path, a by-id path or a URL (`socket://host:port`); it is opened by the first `read`.

        `simulated` tells whether a simulated instrument is wanted; the other kind is refused.
        """
        self.port = port
        self.detail = ""
        """What the last `read` did not bring and why, one sentence; empty if it brought everything."""
        self.identity = ""
        """What the instrument said to `*IDN?` last."""
        self._baud = baud
        self._simulated = simulated
        self._wire: Wire | None = None
        self._failures = 0
        self._retry_us = 0
        self._owed: _Owed | None = None
        self._known: set[str] = set()

    def read(self, probe: ProbeConfig, *, at_us: int, elapsed_us: int) -> Indication:
        """Return the probe's potential (mV) and temperature (C) now, or a missing indication with its reason.

        A thermometer that has no value (open, short) leaves the temperature None beside a potential.
        """
        values: tuple[float | None, float | None] = None, None
        reason = Reason.NONE
        try:
            values = self._measure_both(self._open(elapsed_us), probe)
            self.detail = "" if values[1] is not None else self.detail
        except _Missing as missing:
            reason = missing.reason
            self.detail = str(missing)
        except FAILURES as error:
            reason = Reason.PORT_ABSENT
            self._fail(error, elapsed_us)
        return Indication(
            probe=probe.id,
            at_us=at_us,
            elapsed_us=elapsed_us,
            potential_mv=values[0],
            temperature_c=values[1],
            reason=reason,
        )

    def close(self) -> None:
        """Give the port back; the next `read` would open it again."""
        if self._wire is not None:
            self._wire.close()
        self._wire = None
        self._owed = None
        self._known.clear()

    def _open(self, elapsed_us: int) -> Wire:
        if self._wire is None:
            if self._failures and elapsed_us < self._retry_us:
                raise _Missing(Reason.PORT_ABSENT, self.detail)
            self._wire = Wire(self.port, baud=self._baud)
            self._wire.drain()
            log.info("%s opened", self.port)
        return self._wire

    def _fail(self, error: Exception, elapsed_us: int) -> None:
        self.close()
        wait_us = _BACKOFF_US[min(self._failures, len(_BACKOFF_US) - 1)]
        self._failures += 1
        self._retry_us = elapsed_us + wait_us
        self.detail = f"{self.port}: {_fault(error)} (next try in {wait_us // 1_000_000} s)"
        log.log(logging.WARNING if self._failures == 1 else logging.DEBUG, "%s", self.detail)

    def _measure_both(self, wire: Wire, probe: ProbeConfig) -> tuple[float, float | None]:
        """Return both values; a thermometer that says it has none does not take the potential away."""
        if self._owed is not None or probe.id not in self._known or wire.drain():
            self._settle(wire, probe)
        self._failures = 0
        potential_mv = self._measure(wire, probe, scpi.POTENTIAL)
        try:
            return potential_mv, self._measure(wire, probe, scpi.TEMPERATURE)
        except _Missing as missing:
            if missing.reason not in (Reason.OVERRANGE, Reason.NOT_A_NUMBER):
                raise
            self.detail = str(missing)
            return potential_mv, None

    def _measure(self, wire: Wire, probe: ProbeConfig, quantity: scpi.Quantity) -> float:
        """Ask for one quantity and return its value; the first line that is no late settling reply is the answer."""
        wire.send(quantity.query)
        until = time.monotonic() + probe.timeout_s
        while (line := wire.line(until=until)) is not None:
            if scpi.parse_error(line) is None and scpi.parse_identity(line) is None:
                return self._value(wire, probe, quantity, line=line)
        if wire.has_partial:
            raise self._missing(wire, probe, Reason.GARBLED, f"only part of a line of {quantity.name} came in time")
        raise self._missing(wire, probe, Reason.TIMEOUT, _silence(quantity.query, probe))

    def _value(self, wire: Wire, probe: ProbeConfig, quantity: scpi.Quantity, *, line: bytes) -> float:
        value = scpi.parse_value(line, quantity)
        if value is Reason.GARBLED:
            shown = line[:40].decode("ascii", "backslashreplace")
            raise self._missing(wire, probe, Reason.GARBLED, f"the reply {shown!r} is no {quantity.name}")
        if wire.drain():
            raise self._missing(wire, probe, Reason.GARBLED, f"more than one reply came for {quantity.name}")
        if isinstance(value, Reason):
            raise _Missing(value, f"{self.port}: {value.words} ({quantity.name})")
        return value

    def _missing(self, wire: Wire, probe: ProbeConfig, reason: Reason, text: str) -> _Missing:
        """Return how this tick ends, after asking the instrument whether it knows why and getting past late replies."""
        try:
            error = self._settle(wire, probe)
        except _Missing:
            error = None
        if error is not None and error.code != 0:
            wire.send(scpi.CLEAR)
            reason, text = Reason.INSTRUMENT_ERROR, f"{text}; the instrument reports {error.code}, {error.text}"
        return _Missing(reason, f"{self.port}: {text}")

    def _settle(self, wire: Wire, probe: ProbeConfig) -> scpi.QueuedError | None:
        """Ask what only one reply can answer and drop all that arrives before it; return the queued error, if asked."""
        owed = self._ask_to_settle(wire, probe)
        until = time.monotonic() + probe.timeout_s
        while (line := wire.line(until=until)) is not None:
            self._owed = _Owed(query=owed.query, heard_s=time.monotonic())
            if owed.query == scpi.IDENTIFY and (identity := scpi.parse_identity(line)) is not None:
                self._owed = None
                self._identify(wire, probe, identity)
                return None
            if owed.query == scpi.NEXT_ERROR and (error := scpi.parse_error(line)) is not None:
                self._owed = None
                return error
        self._known.clear()
        raise _Missing(Reason.TIMEOUT, f"{self.port}: {_silence(owed.query, probe)}")

    def _ask_to_settle(self, wire: Wire, probe: ProbeConfig) -> _Owed:
        query = scpi.NEXT_ERROR if probe.id in self._known else scpi.IDENTIFY
        owed = self._owed
        now_s = time.monotonic()
        is_silent = owed is not None and not wire.is_waiting and now_s - owed.heard_s > _GIVE_UP * probe.timeout_s
        if owed is None or owed.query != query or is_silent:
            wire.send(query)
            owed = self._owed = _Owed(query=query, heard_s=now_s)
        return owed

    def _identify(self, wire: Wire, probe: ProbeConfig, identity: str) -> None:
        self.identity = identity
        fault = scpi.identity_fault(identity, probe.identity, simulated=self._simulated)
        if fault:
            self._known.discard(probe.id)
            raise _Missing(Reason.WRONG_INSTRUMENT, f"{self.port}: {fault}; check the port and the cable")
        wire.send(scpi.CLEAR)  # errors that an earlier user of the instrument left in its queue are not ours
        self._known.add(probe.id)


def _fault(error: Exception) -> str:
    """Say what is wrong with a port and what to do."""
    match getattr(error, "errno", None):
        case errno.ENOENT | errno.ENODEV | errno.ENXIO:
            return "there is no such port; check the cable and the path"
        case errno.EACCES | errno.EPERM:
            return "no permission to use the port; add this user to the group that owns it (see ls -l)"
        case errno.EAGAIN | errno.EBUSY:
            return "another program holds the port; close it"
        case _:
            return f"the port failed ({error}); check the cable and the adapter"


def _silence(query: bytes, probe: ProbeConfig) -> str:
    return f"no reply to {query.decode('ascii').strip()} within {probe.timeout_s:g} s; is the instrument on?"
