"""The conversation with a SCPI instrument: one tick asks for potential and temperature.

Law: a number is believed to be the reply to the present request only if nothing else can have sent it:

* At most one measuring request is ever unanswered. After a reply that was late, garbled or doubled nothing is
  measured until a *settling* query (the error queue, or the identity) has been answered; its reply cannot be taken for
  a number, and an instrument answers in order, so whatever came before it is old and is thrown away.
* Whoever has not answered the error queue may have been exchanged: the identity is asked next. It is asked a second
  time only after a silence of `_GIVE_UP` time limits, so that its replies cannot pile up: an instrument that needs
  longer than that for one reply is not served.

SCPI has no addresses, so this conversation has its line for itself. The only clock read here is the wire's, for
the limits of replies: they stay real when the watch is accelerated.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from logger.config import ProbeConfig
from logger.model import Reason
from logger.probe import scpi
from logger.probe.conversation import Conversation, LineExchange, Missing, Values
from logger.probe.identity import identity_fault
from logger.probe.own_ph import equivalent_mv
from logger.probe.wire import LineWire, Wire

_GIVE_UP: Final = 5
_MOST_ERRORS: Final = 4
"""So many queued errors are told; the rest is cleared with them."""


def line_exchange(probe: ProbeConfig) -> LineExchange:
    """Return what any SCPI instrument answers with a line: the query for its identity."""
    del probe
    return LineExchange(query=scpi.IDENTIFY.rstrip(), query_end=b"\n", terminator=b"\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Owed:
    """A settling query without reply yet, and The wire's clock when it was sent or anything was heard since."""

    query: bytes
    heard_s: float


class ScpiConversation(Conversation):
    """SCPI with one instrument."""

    def __init__(self, probe: ProbeConfig, *, simulated: bool) -> None:
        """Know nothing of the instrument yet."""
        super().__init__(probe, simulated=simulated)
        self._wire: LineWire
        self._owed: _Owed | None = None
        self._is_known = False
        words = probe.scpi
        self._value_of = (
            scpi.with_query(scpi.PH, words.ph) if words.ph else scpi.with_query(scpi.POTENTIAL, words.potential)
        )
        self._warmth = scpi.with_query(scpi.TEMPERATURE, words.temperature) if words.temperature else None

    def begin(self, wire: Wire) -> None:
        """Speak over a newly opened wire: the identity is asked first."""
        self._wire = LineWire(wire)
        self._owed = None
        self._is_known = False

    def tick(self) -> Values:
        """Return both values; a thermometer that says it has none does not take the potential away."""
        if self._owed is not None or not self._is_known or self._wire.drain():
            self._settle()
        value, celsius, detail = self._measure(self._value_of), None, ""
        if self._warmth is not None:
            try:
                celsius = self._measure(self._warmth)
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
        while (line := self._wire.line(until=until)) is not None:
            if scpi.parse_error(line) is None and scpi.parse_identity(line) is None:
                return self._value(quantity, line=line)
        if self._wire.has_partial:
            raise self._missing(Reason.GARBLED, f"only part of a line of {quantity.name} came in time")
        raise self._missing(Reason.TIMEOUT, self._silence(quantity.query))

    def _value(self, quantity: scpi.Quantity, *, line: bytes) -> float:
        value = scpi.parse_value(line, quantity)
        if value is Reason.GARBLED:
            shown = line[:40].decode("ascii", "backslashreplace")
            raise self._missing(Reason.GARBLED, f"the reply {shown!r} is no {quantity.name}")
        if self._wire.drain():
            raise self._missing(Reason.GARBLED, f"more than one reply came for {quantity.name}")
        if isinstance(value, Reason):
            raise Missing(value, f"{value.words} ({quantity.name})")
        return value

    def _missing(self, reason: Reason, text: str) -> Missing:
        """Return how this tick ends, after asking the instrument whether it knows why and getting past late replies."""
        try:
            error = self._settle()
        except Missing:
            error = None
        if error is None or error.code == 0:
            return Missing(reason, text)
        told = "; ".join(f"{each.code}, {each.text}" for each in [error, *self._more_errors()])
        self._wire.send(scpi.CLEAR)
        return Missing(Reason.INSTRUMENT_ERROR, f"{text}; the instrument reports {told}")

    def _more_errors(self) -> Iterator[scpi.QueuedError]:
        """Yield what else is queued, oldest first, but not without end."""
        for _ in range(_MOST_ERRORS - 1):
            try:
                error = self._settle()
            except Missing:
                return
            if error is None or error.code == 0:
                return
            yield error

    def _settle(self) -> scpi.QueuedError | None:
        """Ask what only one reply can answer and drop all that arrives before it; return the queued error, if asked."""
        owed = self._ask_to_settle()
        until = self._until()
        while (line := self._wire.line(until=until)) is not None:
            self._owed = _Owed(query=owed.query, heard_s=self._wire.now_s())
            if owed.query == scpi.IDENTIFY and (identity := scpi.parse_identity(line)) is not None:
                self._owed = None
                self._identify(identity)
                return None
            if owed.query == scpi.NEXT_ERROR and (error := scpi.parse_error(line)) is not None:
                self._owed = None
                return error
        self._is_known = False
        raise Missing(Reason.TIMEOUT, self._silence(owed.query))

    def _ask_to_settle(self) -> _Owed:
        query = scpi.NEXT_ERROR if self._is_known else scpi.IDENTIFY
        owed, now_s = self._owed, self._wire.now_s()
        is_silent = (
            owed is not None and not self._wire.is_waiting and now_s - owed.heard_s > _GIVE_UP * self.probe.timeout_s
        )
        if owed is None or owed.query != query or is_silent:
            self._wire.send(query)
            owed = self._owed = _Owed(query=query, heard_s=now_s)
        return owed

    def _identify(self, identity: str) -> None:
        self.identity = identity
        fault = identity_fault(identity, self.probe.identity, simulated=self.simulated)
        if fault:
            self._is_known = False
            raise Missing(Reason.WRONG_INSTRUMENT, f"{fault}; check the port and the cable")
        self._wire.send(scpi.CLEAR)  # errors that an earlier user of the instrument left in its queue are not ours
        self._is_known = True

    def _silence(self, query: bytes) -> str:
        asked = query.decode("ascii").strip()
        return f"no reply to {asked} within {self.probe.timeout_s:g} s; is the instrument on?"
