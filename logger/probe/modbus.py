"""Encode Modbus requests and decode replies (PDUs: function and data) to registers, numbers, identities. No I/O.

Law: registers come out only of a reply to the function that was asked, with as many of them as were asked for; a number
only if it is finite, not one that says "no value", and can be the quantity at all. Whatever else arrives is a
`ModbusFault` with its reason and a sentence that says what to do. Clauses are those of MODBUS Application Protocol
V1.1b3, from memory.

A hole in the register map is never read: many instruments refuse the whole request for it.
"""

import math
import struct
from collections.abc import Iterable
from typing import Final

from logger.config.modbus import NumberType, RegisterConfig, Unit, WordOrder
from logger.model import Reason
from logger.probe.modbus_frames import EXCEPTION, IDENTIFICATION
from logger.structs import Struct

IDENTIFY: Final = IDENTIFICATION + b"\x01\x00"
"""Read Device Identification, basic, from the first object (6.21)."""

EXCEPTIONS: Final = {
    1: "ILLEGAL FUNCTION: it does not know this request; try the other of function = 3 and 4",
    2: "ILLEGAL DATA ADDRESS: it has no such register; registers count from 0 here, many manuals count from 1 or 40001",
    3: "ILLEGAL DATA VALUE: it does not accept this request; check the number and type of the registers",
    4: "SERVER DEVICE FAILURE: it failed while measuring; see its own display",
    5: "ACKNOWLEDGE: it needs longer; poll less often",
    6: "SERVER DEVICE BUSY: it does something else; poll less often",
    8: "MEMORY PARITY ERROR: its memory failed; have it serviced",
    10: "GATEWAY PATH UNAVAILABLE: the gateway has no line for this address; check its settings",
    11: "GATEWAY TARGET DEVICE FAILED TO RESPOND: nothing answers behind the gateway; is the instrument on?",
}
"""Names of exceptions (7), and what to do."""
_BEHIND_GATEWAY: Final = 11
_UNKNOWN_REQUEST: Final = (b"\x01", b"\x02", b"\x03")

_RANGES: Final = {"potential": (-2000.0, 2000.0), "ph": (-3.0, 17.0), "temperature": (-100.0, 300.0)}
"""Possible values in mV, pH, C: a wrong word order mostly gives numbers outside. Common practice, no source."""
_TINY: Final = 1e-6
"""A float nearer to zero, but not zero, is the other sign of a wrong word order. Common practice, no source."""
_FORMATS: Final = {
    NumberType.INT16: ">h",
    NumberType.UINT16: ">H",
    NumberType.INT32: ">i",
    NumberType.UINT32: ">I",
    NumberType.FLOAT32: ">f",
}


class ModbusFault(Struct, frozen=True, kw_only=True):
    """Why there is no value, and a sentence for the user."""

    reason: Reason
    text: str


class RegisterSpan(Struct, frozen=True, kw_only=True):
    """Registers that are read together."""

    start: int
    count: int


def register_spans(wanted: Iterable[RegisterSpan]) -> list[RegisterSpan]:
    """Join spans that touch or overlap; gaps are never read, since many instruments refuse that."""
    joined: list[RegisterSpan] = []
    for span in sorted(wanted, key=lambda each: each.start):
        last = joined[-1] if joined else None
        if last is not None and span.start <= last.start + last.count:
            end = max(last.start + last.count, span.start + span.count)
            joined[-1] = RegisterSpan(start=last.start, count=end - last.start)
        else:
            joined.append(span)
    return joined


def read_request(function: int, span: RegisterSpan) -> bytes:
    """Return the PDU that asks for registers (6.3, 6.4)."""
    return struct.pack(">BHH", function, span.start, span.count)


def registers(pdu: bytes, *, function: int, count: int) -> tuple[int, ...] | ModbusFault:
    """Return the registers of a reply to `read_request`."""
    if pdu[0] == function | EXCEPTION:
        return exception(pdu)
    if pdu[0] != function:
        return _garbled(f"the reply is to function {pdu[0]}, asked was {function}")
    if len(pdu) != 2 + 2 * count or pdu[1] != 2 * count:
        return _garbled(f"the reply has {len(pdu) - 2} bytes of registers, asked for were {2 * count}")
    return struct.unpack(f">{count}H", pdu[2:])


def exception(pdu: bytes) -> ModbusFault:
    """Return what an exception reply says."""
    code = pdu[1] if len(pdu) == 2 else 0  # noqa: PLR2004 - function and code
    meaning = EXCEPTIONS.get(code, f"exception {code}, which the standard does not know; see its manual")
    reason = Reason.TIMEOUT if code == _BEHIND_GATEWAY else Reason.INSTRUMENT_ERROR
    return ModbusFault(reason=reason, text=f"the instrument refuses: {meaning}")


def number(words: tuple[int, ...], quantity: str, config: RegisterConfig) -> float | ModbusFault:
    """Return a quantity (potential, ph, temperature) in mV, pH or C out of its registers."""
    ordered = words if config.word_order is WordOrder.HIGH_FIRST else words[::-1]
    (raw,) = struct.unpack(_FORMATS[config.type], struct.pack(f">{len(ordered)}H", *ordered))
    if raw in config.no_value or math.isnan(raw):
        return ModbusFault(reason=Reason.NOT_A_NUMBER, text=f"the instrument has no value ({quantity})")
    if math.isinf(raw):
        return ModbusFault(reason=Reason.OVERRANGE, text=f"the instrument reports overrange ({quantity})")
    value = _in_unit(raw * config.scale + config.offset, config.unit)
    low, high = _RANGES[quantity]
    if not low <= value <= high or 0 < abs(raw) < _TINY:
        return _garbled(
            f"registers {_hex(words)} make {quantity} {value:.4g}, which it cannot be; {_register_advice(config)}"
        )
    return value


def _in_unit(value: float, unit: Unit | None) -> float:
    match unit:
        case Unit.VOLT:
            return value * 1000.0
        case Unit.KELVIN:
            return value - 273.15
        case Unit.FAHRENHEIT:
            return (value - 32.0) / 1.8
        case _:
            return value


def _register_advice(config: RegisterConfig) -> str:
    if config.type.registers == 1:
        return "check register, type, scale and unit"
    other = next(order for order in WordOrder if order is not config.word_order)
    return f'most likely the order of words: try word_order = "{other}", then check register and type'


def identity(pdu: bytes) -> str | ModbusFault:
    """Return what a reply to `IDENTIFY` says: maker, product, revision, separated by commas.

    Empty: it refuses the request as one that it does not know.
    """
    if pdu[0] == IDENTIFY[0] | EXCEPTION:
        return "" if pdu[1:] in _UNKNOWN_REQUEST else exception(pdu)
    texts, at = [], 7
    if pdu[:2] != IDENTIFICATION or len(pdu) < at:
        return _garbled("the reply is no identification")
    for _ in range(pdu[6]):
        length = pdu[at + 1] if len(pdu) > at + 1 else len(pdu)
        piece = pdu[at + 2 : at + 2 + length]
        if len(piece) != length:
            return _garbled("the identification ends too early")
        texts.append(piece.decode("ascii", "backslashreplace"))
        at += 2 + length
    return ",".join(texts) if at == len(pdu) else _garbled("the identification is longer than it says")


def _garbled(text: str) -> ModbusFault:
    return ModbusFault(reason=Reason.GARBLED, text=text)


def _hex(words: Iterable[int]) -> str:
    return " ".join(f"{word:04x}" for word in words)
