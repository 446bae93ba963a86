"""Simulate Modbus instruments: bytes in, bytes out, no I/O of their own.

Law: any bytes are answered, by a reply or an exception, or met with silence, as the standard wants; none raises. On a
serial line a frame with a wrong checksum or for another address gets no answer, and a silence begins a new frame. After
MODBUS Application Protocol V1.1b3 and MODBUS over Serial Line V1.02 (both from memory), independently of `logger`.

Registers, the same for functions 3 and 4, numbered from 0: 0-1 potential (mV), 2-3 temperature (C), 4-5 own pH, each a
float, high word first; 6 status (bit 0 no potential, bit 1 no temperature); 10 potential in 0.1 mV and 11 temperature
in 0.01 C, signed, -32768 for none; 12 own pH in 0.001, 65535 for none; 20-23 as 0-3 with the low word first. The own
pH is that of an ideal electrode.
"""

import math
import struct
from abc import abstractmethod
from collections.abc import Callable, Mapping

from simulator.electrode import ISOPOTENTIAL_PH, nernst_slope_mv
from simulator.instrument import VERSION, Reading, SimulatedDevice

READ_FUNCTIONS = (3, 4)
REPORT_SERVER_ID = 17
IDENTIFICATION = (43, 14)
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4
BASIC, INDIVIDUAL = (1, 2, 3), 4
MOST_REGISTERS = 125
NO_INT16, NO_UINT16 = -32768, 65535
MBAP_LENGTH, LONGEST_PDU = 7, 253
REQUEST_LENGTHS: Mapping[int, int] = {3: 8, 4: 8, 17: 4, 43: 7}
"""Of whole RTU frames."""


class ModbusError(Exception):
    """A request that is answered by an exception; carries its code."""

    def __init__(self, code: int) -> None:
        """Keep the code."""
        super().__init__(code)
        self.code = code


def crc(data: bytes) -> bytes:
    """Return the checksum of a frame, low byte first, computed bit by bit."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return struct.pack("<H", value)


def registers(reading: Reading) -> dict[int, int]:
    """Return what the registers hold."""
    mv, celsius = reading.potential_v * 1000.0, reading.temperature_c
    ph_celsius = celsius if math.isfinite(celsius) else 25.0
    ph = ISOPOTENTIAL_PH - mv / float(nernst_slope_mv(ph_celsius))
    table: dict[int, int] = {6: (not math.isfinite(mv)) + 2 * (not math.isfinite(celsius))}
    for at, value in ((0, mv), (2, celsius), (4, ph)):
        table[at], table[at + 1] = _float(value)
    for at, value in ((20, mv), (22, celsius)):
        table[at + 1], table[at] = _float(value)
    table[10], table[11] = (_signed(value, steps) for value, steps in ((mv, 10), (celsius, 100)))
    table[12] = round(ph * 1000) if 0 <= ph * 1000 < NO_UINT16 else NO_UINT16
    return table


def _float(value: float) -> tuple[int, int]:
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return high, low


def _signed(value: float, steps: int) -> int:
    whole = round(value * steps) if math.isfinite(value) else NO_INT16
    return (whole if -NO_INT16 > whole >= NO_INT16 else NO_INT16) & 0xFFFF


class ModbusUnit:
    """One instrument with an address."""

    def __init__(self, address: int, measure: Callable[[], Reading | None], *, serial: str) -> None:
        """`measure` returns what the converter holds now, or None when measuring fails."""
        self.address, self._measure = address, measure
        self._objects = ["VATVIGIL", f"SIMULATED ELECTRODE {serial}", VERSION]

    def answer(self, pdu: bytes) -> bytes:
        """Return the PDU that answers one."""
        try:
            return self._execute(pdu)
        except ModbusError as error:
            return bytes([pdu[0] | 0x80, error.code])

    def _execute(self, pdu: bytes) -> bytes:
        match pdu[0]:
            case 3 | 4 if len(pdu) == 5:  # noqa: PLR2004 -- function, first register, count
                return self._read(pdu[0], *struct.unpack(">HH", pdu[1:]))
            case 17 if len(pdu) == 1:
                text = ",".join(self._objects).encode()
                return bytes([17, len(text) + 2, self.address]) + b"\xff" + text
            case 43 if len(pdu) == 4 and pdu[1] == IDENTIFICATION[1]:  # noqa: PLR2004 -- MEI type, code, object
                return self._identify(pdu[2], pdu[3])
            case 3 | 4 | 17:
                raise ModbusError(ILLEGAL_VALUE)
            case _:
                raise ModbusError(ILLEGAL_FUNCTION)

    def _read(self, function: int, first: int, count: int) -> bytes:
        if not 1 <= count <= MOST_REGISTERS:
            raise ModbusError(ILLEGAL_VALUE)
        reading = self._measure()
        if reading is None:
            raise ModbusError(DEVICE_FAILURE)
        values = registers(reading)
        try:
            words = [values[first + at] for at in range(count)]
        except KeyError as error:
            raise ModbusError(ILLEGAL_ADDRESS) from error
        return struct.pack(f">BB{count}H", function, 2 * count, *words)

    def _identify(self, code: int, first: int) -> bytes:
        """Read Device Identification: the basic objects, as a stream or one of them."""
        objects = list(enumerate(text.encode() for text in self._objects))
        if code == INDIVIDUAL:
            if first >= len(objects):
                raise ModbusError(ILLEGAL_ADDRESS)
            chosen = [objects[first]]
        elif code in BASIC:
            chosen = objects[first if first < len(objects) else 0 :]
        else:
            raise ModbusError(ILLEGAL_VALUE)
        listed = b"".join(bytes([number, len(text)]) + text for number, text in chosen)
        return bytes([*IDENTIFICATION, code, 0x81, 0, 0, len(chosen)]) + listed


class Bus(SimulatedDevice):
    """Units on one wire."""

    def __init__(self, units: list[ModbusUnit]) -> None:
        """Begin with an empty buffer."""
        self._units = {unit.address: unit for unit in units}
        self._buffer = b""

    def note_silence(self) -> None:
        """Take note of a silence on the wire: what comes next begins a frame."""
        self._buffer = b""

    def receive(self, data: bytes) -> bytes:
        """Take bytes as they come and return the replies to the requests that they complete."""
        self._buffer += data
        replies = b""
        while (reply := self._next()) is not None:
            replies += reply
        return replies

    @abstractmethod
    def _next(self) -> bytes | None:
        """Answer one request; None: none is whole."""

    def _take(self, count: int) -> bytes:
        taken, self._buffer = self._buffer[:count], self._buffer[count:]
        return taken


class RtuBus(Bus):
    """A serial line."""

    def _next(self) -> bytes | None:
        if len(self._buffer) < 4:  # noqa: PLR2004 -- address, function, checksum
            return None
        frame = self._take(REQUEST_LENGTHS.get(self._buffer[1], len(self._buffer)))
        if len(frame) < REQUEST_LENGTHS.get(frame[1], 0):
            self._buffer = frame
            return None
        if crc(frame[:-2]) != frame[-2:]:
            self._buffer = b""
            return None
        if frame[0] not in self._units:
            return b""
        body = frame[:1] + self._units[frame[0]].answer(frame[1:-2])
        return body + crc(body)


class TcpBus(Bus):
    """A network connection: a wrong header ends all sense, so what follows it is dropped."""

    def _next(self) -> bytes | None:
        if len(self._buffer) < MBAP_LENGTH:
            return None
        transaction, protocol, length, address = struct.unpack(">HHHB", self._buffer[:MBAP_LENGTH])
        if protocol != 0 or not 2 <= length <= LONGEST_PDU + 1:  # noqa: PLR2004 -- address and function
            self._buffer = b""
            return None
        if len(self._buffer) < MBAP_LENGTH - 1 + length:
            return None
        pdu = self._take(MBAP_LENGTH - 1 + length)[MBAP_LENGTH:]
        if address not in self._units:
            return b""
        reply = self._units[address].answer(pdu)
        return struct.pack(">HHHB", transaction, 0, len(reply) + 1, address) + reply
