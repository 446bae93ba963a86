"""Read a SCPI instrument: one tick queries potential and temperature.

Law: a number is believed to be the reply to the present request only if nothing else can have sent it:

* At most one measuring request is ever unanswered. After a reply that was late, garbled or doubled nothing is
  measured until a *settling* query (the error queue, or the identity) has been answered; its reply cannot be taken for
  a number, and an instrument answers in order, so whatever came before it is old and is thrown away.
* Whoever has not answered the error queue may have been exchanged: the identity is queried next. It is queried a second
  time only after a silence of `_GIVE_UP` time limits, so that its replies cannot pile up: an instrument that needs
  longer than that for one reply is not served.

SCPI has no addresses, so this conversation has its line for itself. The only clock read here is the wire's, for
the limits of replies: they stay real when the watch is accelerated.
"""

from collections.abc import Iterator
from typing import Final

from logger.config import ProbeConfig
from logger.model import Reason
from logger.probe import scpi
from logger.probe.conversation import Conversation, LineExchange, Missing, Values
from logger.probe.identity import identity_fault
from logger.probe.own_ph import equivalent_mv
from logger.probe.wire import LineWire, Wire
from logger.structs import Struct

_GIVE_UP: Final = 5
_MOST_ERRORS: Final = 4
"""So many queued errors are reported; the rest is cleared with them."""


def line_exchange(probe: ProbeConfig) -> LineExchange:
    """Return what any SCPI instrument answers with a line: the query for its identity."""
    del probe
    return LineExchange(query=scpi.IDENTIFY.rstrip(), query_end=b"\n", terminator=b"\n")


class _PendingQuery(Struct, frozen=True, kw_only=True):
    """A settling query without reply yet, and the time (the wire's clock) when it was sent or bytes last came."""

    query: bytes
    last_byte_s: float


class ScpiConversation(Conversation):
    """SCPI with one instrument."""

    def __init__(self, probe: ProbeConfig, *, simulated: bool) -> None:
        """Begin with an unidentified instrument."""
        super().__init__(probe, simulated=simulated)
        self._wire: LineWire
        self._pending: _PendingQuery | None = None
        self._is_identified = False
        queries = probe.scpi
        self._quantity = (
            scpi.with_query(scpi.PH, queries.ph) if queries.ph else scpi.with_query(scpi.POTENTIAL, queries.potential)
        )
        self._temperature_quantity = (
            scpi.with_query(scpi.TEMPERATURE, queries.temperature) if queries.temperature else None
        )

    def begin(self, wire: Wire) -> None:
        """Use a newly opened wire: the identity is queried first."""
        self._wire = LineWire(wire)
        self._pending = None
        self._is_identified = False

    def tick(self) -> Values:
        """Return both values; a thermometer that says it has none does not take the potential away."""
        if self._pending is not None or not self._is_identified or self._wire.drain():
            self._resynchronise()
        value, celsius, detail = self._measure(self._quantity), None, ""
        if self._temperature_quantity is not None:
            try:
                celsius = self._measure(self._temperature_quantity)
            except Missing as missing:
                if missing.reason not in (Reason.OVERRANGE, Reason.NOT_A_NUMBER):
                    raise
                detail = str(missing)
        if self.probe.own_ph:
            value = equivalent_mv(value, temperature_c=celsius, assumed_c=self.probe.assumed_temperature_c)
        return Values(potential_mv=value, temperature_c=celsius, detail=detail)

    def _until(self) -> float:
        return self._wire.now_s() + self.probe.timeout_s

    def _measure(self, quantity: scpi.Quantity) -> float:
        """Ask for one quantity and return its value; the first line that is no late settling reply is the answer."""
        self._wire.send(quantity.query)
        until = self._until()
        while (line := self._wire.next_line(until=until)) is not None:
            if scpi.parse_error(line) is None and scpi.parse_identity(line) is None:
                return self._value(quantity, line=line)
        if self._wire.has_partial:
            raise self._missing(Reason.GARBLED, f"only part of a line of {quantity.name} came in time")
        raise self._missing(Reason.TIMEOUT, self._no_reply(quantity.query))

    def _value(self, quantity: scpi.Quantity, *, line: bytes) -> float:
        value = scpi.parse_value(line, quantity)
        if value is Reason.GARBLED:
            start = line[:40].decode("ascii", "backslashreplace")
            raise self._missing(Reason.GARBLED, f"the reply {start!r} is no {quantity.name}")
        if self._wire.drain():
            raise self._missing(Reason.GARBLED, f"more than one reply came for {quantity.name}")
        if isinstance(value, Reason):
            raise Missing(value, f"{value.words} ({quantity.name})")
        return value

    def _missing(self, reason: Reason, text: str) -> Missing:
        """Return how this tick ends, after reading the instrument's error queue and discarding late replies."""
        try:
            error = self._resynchronise()
        except Missing:
            error = None
        if error is None or error.code == 0:
            return Missing(reason, text)
        errors = "; ".join(f"{each.code}, {each.text}" for each in [error, *self._more_errors()])
        self._wire.send(scpi.CLEAR)
        return Missing(Reason.INSTRUMENT_ERROR, f"{text}; the instrument reports {errors}")

    def _more_errors(self) -> Iterator[scpi.QueuedError]:
        """Yield what else is queued, oldest first, but not without end."""
        for _ in range(_MOST_ERRORS - 1):
            try:
                error = self._resynchronise()
            except Missing:
                return
            if error is None or error.code == 0:
                return
            yield error

    def _resynchronise(self) -> scpi.QueuedError | None:
        """Send a settling query, drop all that comes before its reply; return the queued error, if that was queried."""
        pending = self._send_settling_query()
        until = self._until()
        while (line := self._wire.next_line(until=until)) is not None:
            self._pending = _PendingQuery(query=pending.query, last_byte_s=self._wire.now_s())
            if pending.query == scpi.IDENTIFY and (identity := scpi.parse_identity(line)) is not None:
                self._pending = None
                self._identify(identity)
                return None
            if pending.query == scpi.NEXT_ERROR and (error := scpi.parse_error(line)) is not None:
                self._pending = None
                return error
        self._is_identified = False
        raise Missing(Reason.TIMEOUT, self._no_reply(pending.query))

    def _send_settling_query(self) -> _PendingQuery:
        query = scpi.NEXT_ERROR if self._is_identified else scpi.IDENTIFY
        pending, now_s = self._pending, self._wire.now_s()
        is_silent = (
            pending is not None
            and not self._wire.is_waiting
            and now_s - pending.last_byte_s > _GIVE_UP * self.probe.timeout_s
        )
        if pending is None or pending.query != query or is_silent:
            self._wire.send(query)
            pending = self._pending = _PendingQuery(query=query, last_byte_s=now_s)
        return pending

    def _identify(self, identity: str) -> None:
        self.identity = identity
        fault = identity_fault(identity, self.probe.identity, simulated=self.simulated)
        if fault:
            self._is_identified = False
            raise Missing(Reason.WRONG_INSTRUMENT, f"{fault}; check the port and the cable")
        self._wire.send(scpi.CLEAR)  # errors that an earlier user of the instrument left in its queue are not ours
        self._is_identified = True

    def _no_reply(self, query: bytes) -> str:
        sent = query.decode("ascii").strip()
        return f"no reply to {sent} within {self.probe.timeout_s:g} s; is the instrument on?"
