"""Read a Modbus instrument: one tick requests the registers of its quantities.

Law: a number is believed to be the reply to the present request only if nothing else can have sent it:

* It comes from the address that was asked; whole frames of others are skipped, for they are late replies of neighbours,
  and are reported only if nothing else comes.
* On TCP it carries the transaction's number. A serial frame carries none, so there at most one reading request is ever
  unanswered: after one without its whole reply nothing is read until the instrument has answered the request to
  identify itself (43/14), by an identification or an exception; neither can be taken for registers, and an instrument
  answers in order, so whatever came before it is old and is dropped. That request is made a second time only after a
  silence of `_GIVE_UP` time limits, so that its replies cannot pile up: an instrument that needs longer than that for
  one reply is not served. One that never answers it (`identify = false`) is left in silence for as long instead.

The only clock read here is the wire's, for the limits of replies: they stay real when the watch is accelerated.

The identification shows at the same time whether the instrument was exchanged or is a simulated one.
"""

from abc import abstractmethod
from typing import Final

from logger.config import ProbeConfig
from logger.config.modbus import ModbusConfig, RegisterConfig
from logger.model import Reason
from logger.probe import modbus
from logger.probe.conversation import Conversation, Missing, Values
from logger.probe.identity import identity_fault
from logger.probe.modbus import ModbusFault, RegisterSpan
from logger.probe.modbus_frames import EXCEPTION, Frames, InvalidFrame, MbapFrames, RtuFrames, mbap, rtu
from logger.probe.own_ph import equivalent_mv
from logger.probe.wire import Wire

_GIVE_UP: Final = 5
_GAP_S: Final = 0.00175
_GAP_BITS: Final = 3.5 * 11
"""Silence before a request: 3.5 characters, 1.75 ms above 19200 baud (Serial Line V1.02, 2.5.1.1; from memory)."""
_SILENCE_S: Final = 0.1
"""How long a line must be silent after garbage before the next request. Common practice, no source."""


class ModbusConversation(Conversation):
    """Modbus with one address."""

    has_transaction_numbers = False
    """Whether a reply names the request that it answers (TCP)."""

    def __init__(self, probe: ProbeConfig, *, simulated: bool) -> None:
        """Begin with an unidentified instrument."""
        super().__init__(probe, simulated=simulated)
        self._config = probe.modbus or ModbusConfig()
        self._spans = modbus.register_spans(self._wanted_spans())
        self._wire: Wire
        self._is_identified = False
        self._pending_since_s: float | None = None
        """The wire's clock when a reading request was sent that has no reply yet."""
        self._identity_since_s: float | None = None
        """The same of the request to identify itself."""
        self._other_addresses: set[int] = set()
        """Addresses that answered since the last request."""

    def begin(self, wire: Wire) -> None:
        """Use a newly opened wire: the identity is requested first."""
        self._wire = wire
        self._is_identified = not self._config.identify
        self._pending_since_s = self._identity_since_s = None

    def tick(self) -> Values:
        """Return both values; a thermometer that says it has none does not take the potential away."""
        if self._identity_since_s is None:
            self._wire.drain()
        if not self._is_identified or self._pending_since_s is not None:
            self._resynchronise()
        registers = {number: word for span in self._spans for number, word in self._read(span).items()}
        status = self._config.status
        if status is not None and any(registers[status.number] >> bit & 1 for bit in status.bits):
            set_bits = [bit for bit in status.bits if registers[status.number] >> bit & 1]
            raise Missing(Reason.INSTRUMENT_ERROR, f"{self._name} says by status bits {set_bits} that it has no value")
        return self._values(registers)

    @property
    def _name(self) -> str:
        return f"address {self._config.address}"

    def _wanted_spans(self) -> list[RegisterSpan]:
        here = self._config
        quantities = [each for each in (here.potential, here.ph, here.temperature) if each is not None]
        status = [RegisterSpan(start=here.status.number, count=1)] if here.status is not None else []
        return [RegisterSpan(start=each.number, count=each.type.registers) for each in quantities] + status

    def _values(self, registers: dict[int, int]) -> Values:
        temperature = self._number(registers, "temperature", self._config.temperature)
        detail = f"{self._name}: {temperature.text}" if isinstance(temperature, ModbusFault) else ""
        if isinstance(temperature, ModbusFault):
            if temperature.reason is Reason.GARBLED:
                raise Missing(temperature.reason, detail)
            temperature = None
        value = self._number(registers, "potential", self._config.potential)
        ph = self._number(registers, "ph", self._config.ph)
        wanted = ph if self.probe.own_ph else value
        if isinstance(wanted, ModbusFault):
            raise Missing(wanted.reason, f"{self._name}: {wanted.text}")
        if self.probe.own_ph and wanted is not None:
            wanted = equivalent_mv(wanted, temperature_c=temperature, assumed_c=self.probe.assumed_temperature_c)
        return Values(potential_mv=wanted, temperature_c=temperature, detail=detail)

    def _number(
        self, registers: dict[int, int], quantity: str, config: RegisterConfig | None
    ) -> float | ModbusFault | None:
        if config is None:
            return None
        words = tuple(registers[config.number + at] for at in range(config.type.registers))
        return modbus.number(words, quantity, config)

    def _read(self, span: RegisterSpan) -> dict[int, int]:
        """Return registers by their numbers."""
        function = self._config.function
        request = modbus.read_request(function, span)
        self._other_addresses.clear()
        self._pending_since_s = None if self.has_transaction_numbers else self._wire.now_s()
        words = modbus.registers(self._receive(self._send(request), request), function=function, count=span.count)
        if isinstance(words, ModbusFault):
            if words.reason is not Reason.GARBLED:
                self._pending_since_s = None
            raise Missing(words.reason, f"{self._name}: {words.text}")
        self._pending_since_s = None
        return dict(enumerate(words, span.start))

    def _resynchronise(self) -> None:
        """Discard late replies and identify the instrument."""
        if not self._config.identify:
            self._wait_for_silence()
            return
        self._is_identified = False  # whoever missed a request may have been exchanged
        identification = modbus.identity(self._receive(self._request_identity(), modbus.IDENTIFY))
        self._identity_since_s = None
        if isinstance(identification, ModbusFault):
            raise Missing(identification.reason, f"{self._name}: {identification.text}")
        self._pending_since_s = None
        self.identity = identification
        fault = identity_fault(self.identity, self.probe.identity, simulated=self.simulated)
        if fault:
            raise Missing(Reason.WRONG_INSTRUMENT, f"{self._name}: {fault}; check the address and the cable")
        self._is_identified = True

    def _request_identity(self) -> Frames:
        """Request the identity, unless its reply is pending; return what cuts the reply into frames."""
        if self._is_pending(self._identity_since_s):
            return RtuFrames(b"")
        self._identity_since_s = None if self.has_transaction_numbers else self._wire.now_s()
        self._other_addresses.clear()
        return self._send(modbus.IDENTIFY)

    def _is_pending(self, since_s: float | None) -> bool:
        return since_s is not None and self._wire.now_s() - since_s < _GIVE_UP * self.probe.timeout_s

    def _wait_for_silence(self) -> None:
        if self._is_pending(self._pending_since_s):
            raise Missing(Reason.TIMEOUT, f"{self._name}: left in silence after a lost reply, so that none is mixed up")

    def _receive(self, frames: Frames, pdu: bytes) -> bytes:
        """Return the PDU of the reply to a request. Raises Missing."""
        until = self._wire.now_s() + self.probe.timeout_s
        while True:
            frame = frames.next_frame()
            if isinstance(frame, InvalidFrame):
                self._discard_garbage(until)
                raise Missing(Reason.GARBLED, f"{self._name}: {frame.text}")
            if frame is None:
                if self._wire.now_s() >= until:
                    raise self._no_reply(frames, pdu)
                frames.feed(self._wire.read(until=until))
            elif frame.address != self._config.address:
                self._other_addresses.add(frame.address)
            elif frame.pdu and frame.pdu[0] & ~EXCEPTION == pdu[0]:
                return frame.pdu

    @abstractmethod
    def _send(self, pdu: bytes) -> Frames:
        """Send a request; return what cuts the reply into frames."""

    def _discard_garbage(self, until: float) -> None:
        """Discard bytes until the line is silent."""
        while self._wire.now_s() < until and self._wire.read(until=min(until, self._wire.now_s() + _SILENCE_S)):
            pass

    def _no_reply(self, frames: Frames, pdu: bytes) -> Missing:
        if frames.partial:
            text = f"only part of a reply came in time ({frames.partial[:16].hex(' ')})"
            return Missing(Reason.GARBLED, f"{self._name}: {text}; check the wiring of the line")
        if self._other_addresses:
            others = ", ".join(map(str, sorted(self._other_addresses)))
            text = f"address {others} answers in its place; check the addresses of the instruments"
            return Missing(Reason.WRONG_INSTRUMENT, f"{self._name}: {text}")
        text = f"no reply within {self.probe.timeout_s:g} s; {self._advice(frames)}"
        if pdu == modbus.IDENTIFY:
            text += "; if it answers other programs, it may not know request 43: write identify = false"
        return Missing(Reason.TIMEOUT, f"{self._name}: {text}")

    @abstractmethod
    def _advice(self, frames: Frames) -> str:
        """Return what the user should check when nothing came."""


class RtuConversation(ModbusConversation):
    """On a serial line, or over TCP to an adapter that passes the bytes on."""

    def _send(self, pdu: bytes) -> RtuFrames:
        request = rtu(self._config.address, pdu)
        self._wire.pause(max(_GAP_S, _GAP_BITS / self.probe.baud))
        self._wire.send(request)
        return RtuFrames(request)

    def _advice(self, frames: Frames) -> str:
        if isinstance(frames, RtuFrames) and frames.is_echoed:
            return "only the line's own echo came; check the address, and that A and B are not swapped"
        return "is the instrument on? Check address, baud and parity (the standard's parity is even)"


class TcpConversation(ModbusConversation):
    """On TCP with the header that carries a transaction's number."""

    has_transaction_numbers = True
    _transaction = 0

    def _send(self, pdu: bytes) -> MbapFrames:
        self._transaction = self._transaction % 0xFFFF + 1
        self._wire.send(mbap(self._transaction, self._config.address, pdu))
        return MbapFrames(self._transaction)

    def _advice(self, frames: Frames) -> str:
        del frames
        return "is the instrument on? Check its address"
