"""Cut the bytes of a Modbus wire into frames, on a serial line (RTU) and on TCP (MBAP). No I/O.

Law: `feed` bytes as they come, then call `next_frame`: a `ModbusFrame`, None (more bytes are wanted) or `InvalidFrame`.
However the bytes are cut, the outcomes are the same, and bytes after a frame never change it. A frame begins where the
last one ended and is accepted only with its checksum (RTU) or its header (MBAP) right; there is no hunting for a frame
in garbage, for a number found there may be anybody's. After `InvalidFrame` nothing more comes out.

RTU frames end by silence of 3.5 characters, which no operating system tells reliably; so an end is known by the length
that the frame's own first bytes promise (MODBUS Application Protocol V1.1b3, 6; from memory).

Why a codec of our own: the framer of pymodbus 3.16, the one library whose framer can be fed bytes without its own
client, was read for it. It hunts through garbage for anything that could be a frame, drops all that came when a
checksum fails, keeps no bytes after a frame, and its interface changes at minor versions. pymodbus judges ours in the
tests instead (checksum, server).
"""

from abc import ABC, abstractmethod
from typing import Final

from logger.config import Checksum
from logger.probe.checksum import check_value
from logger.structs import Struct

EXCEPTION: Final = 0x80
"""Set in the function of a reply that is an exception (V1.1b3, 7)."""
IDENTIFICATION: Final = b"\x2b\x0e"
"""Function 43, MEI type 14 (V1.1b3, 6.21)."""
_COUNTED: Final = frozenset({1, 2, 3, 4, 12, 17})
"""Functions whose replies have their count of bytes after the function."""
_FIXED: Final = {5: 8, 6: 8, 7: 5, 8: 8, 11: 8, 15: 8, 16: 8}
"""Lengths of the replies of others, address and checksum included: neighbours on the line may answer so."""
_HEADER: Final = 7
_SHORTEST, _LONGEST = 3, 254
"""Of address and PDU: a PDU has 2 bytes at least here, and 253 at most (V1.1b3, 4.1)."""


class ModbusFrame(Struct, frozen=True, kw_only=True):
    """Who sent it, and its PDU: function and data."""

    address: int
    pdu: bytes


class InvalidFrame(Struct, frozen=True, kw_only=True):
    """Bytes that are no frame; one sentence for the user, with what to check."""

    text: str


class Frames(ABC):
    """Cuts what comes after one request into frames."""

    def __init__(self) -> None:
        """Start empty."""
        self._buffer = bytearray()

    def feed(self, data: bytes) -> None:
        """Take bytes as they came."""
        self._buffer += data

    @property
    def partial(self) -> bytes:
        """Return what has come and is no frame yet."""
        return bytes(self._buffer)

    @abstractmethod
    def next_frame(self) -> ModbusFrame | InvalidFrame | None:
        """Return the next frame; None: more bytes are wanted."""

    def _take(self, count: int) -> bytes:
        taken = bytes(self._buffer[:count])
        del self._buffer[:count]
        return taken


class RtuFrames(Frames):
    """Frames on a serial line. An echo of the request, which some two-wire adapters give, is taken out in front."""

    def __init__(self, request: bytes) -> None:
        """`request` is the whole frame that was sent."""
        super().__init__()
        self._echo = request
        self.is_echoed = False

    def next_frame(self) -> ModbusFrame | InvalidFrame | None:
        """Return the next frame; None: more bytes are wanted."""
        if self._echo and self._echo.startswith(self._buffer[: len(self._echo)]):
            if len(self._buffer) < len(self._echo):
                return None
            self._take(len(self._echo))
            self.is_echoed = True
        self._echo = b""  # what comes from here on is none
        length = _length(bytes(self._buffer))
        if length is None or len(self._buffer) < length:
            return None
        if length == 0:
            return InvalidFrame(text=f"{_shown(self.partial[:2])} is the beginning of no reply; {_NOISE}")
        frame = self._take(length)
        if _checksum(frame[:-2]) != frame[-2:]:
            return InvalidFrame(text=f"a reply came with a wrong checksum ({_shown(frame)}); {_NOISE}")
        return ModbusFrame(address=frame[0], pdu=frame[1:-2])


class MbapFrames(Frames):
    """Frames on TCP that answer one transaction; those of earlier ones are dropped."""

    def __init__(self, transaction: int) -> None:
        """`transaction` is the number that the request carried."""
        super().__init__()
        self._transaction = transaction

    def next_frame(self) -> ModbusFrame | InvalidFrame | None:
        """Return the next frame of this transaction; None: more bytes are wanted."""
        while len(self._buffer) >= _HEADER:
            transaction, protocol, length = (int.from_bytes(self._buffer[at : at + 2], "big") for at in (0, 2, 4))
            if protocol != 0 or not _SHORTEST <= length <= _LONGEST:
                return InvalidFrame(
                    text=f"{_shown(self.partial[:_HEADER])} is no Modbus TCP header; is this the right host and port?"
                )
            if len(self._buffer) < _HEADER - 1 + length:
                return None
            frame = self._take(_HEADER - 1 + length)
            if transaction == self._transaction:
                return ModbusFrame(address=frame[_HEADER - 1], pdu=frame[_HEADER:])
        return None


def _checksum(data: bytes) -> bytes:
    """Return the two bytes that end a frame of `data`, low byte first (Serial Line V1.02, 6.2.2)."""
    return check_value(Checksum.CRC_16_MODBUS, data).to_bytes(2, "little")


def rtu(address: int, pdu: bytes) -> bytes:
    """Return a whole frame for a serial line."""
    body = bytes([address]) + pdu
    return body + _checksum(body)


def mbap(transaction: int, address: int, pdu: bytes) -> bytes:
    """Return a whole frame for TCP (MODBUS Messaging on TCP/IP V1.0b, 3.1.3; from memory)."""
    return transaction.to_bytes(2, "big") + b"\x00\x00" + (len(pdu) + 1).to_bytes(2, "big") + bytes([address]) + pdu


def _length(frame: bytes) -> int | None:
    """Return the length of an RTU frame that begins so; None: too little has come to say; 0: none begins so."""
    if len(frame) < 2:  # noqa: PLR2004 - address and function
        return None
    function = frame[1]
    if function & EXCEPTION:
        return 5
    if function in _COUNTED:
        return None if len(frame) < 3 else 5 + frame[2]  # noqa: PLR2004 - the count of bytes
    if function == IDENTIFICATION[0]:
        return _identification_length(frame)
    return _FIXED.get(function, 0)


def _identification_length(frame: bytes) -> int | None:
    """Walk the objects of an identification: each has a number, a length and as many bytes (V1.1b3, 6.21)."""
    if len(frame) > 2 and frame[2] != IDENTIFICATION[1]:  # noqa: PLR2004 - the MEI type
        return 0
    at, count_at = 8, 7
    if len(frame) <= count_at:
        return None
    for _ in range(frame[count_at]):
        if len(frame) < at + 2:
            return None
        at += 2 + frame[at + 1]
    return at + 2


_NOISE: Final = "check baud, parity and the wiring of the line, and that no two instruments have one address"


def _shown(data: bytes) -> str:
    return data[:16].hex(" ") + (" ..." if len(data) > 16 else "")  # noqa: PLR2004 - what fits on a line
