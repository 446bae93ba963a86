"""Decode replies of a SCPI instrument: millivolts, Celsius, identities, queued errors. No I/O.

Law: a value comes out only of a whole line that says exactly one number of IEEE 488.2's NRf form; whatever else
arrives is a `Reason`. Lines come whole from `probe/line_buffer.py`.
"""

import math
import re

from logger.model import Reason
from logger.probe.line_buffer import LONGEST_LINE
from logger.structs import Struct, replace

IDENTIFY = b"*IDN?\n"
NEXT_ERROR = b"SYST:ERR?\n"
CLEAR = b"*CLS\n"

_NRF = re.compile(rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[Ee][+-]?[0-9]+)?")
"""IEEE 488.2-1992, 8.7.2 to 8.7.4 (NR1, NR2, NR3) and the forgiving form of 7.7.2.4, clause numbers from memory."""
_ERROR = re.compile(rb'([+-]?[0-9]{1,5}),"([^"]*)"')
"""SCPI-99 volume 1, chapter 21 (SYSTem:ERRor?): a number, a comma, a quoted text. From memory."""
_INFINITY = 9.9e37
_NOT_A_NUMBER = 9.91e37
"""SCPI-99 volume 1, chapter 7: how infinity and "not a number" are written in a numeric reply. From memory."""
_IDENTITY_COMMAS = 3
"""IEEE 488.2-1992, 10.14: maker, model, serial number, firmware, separated by commas."""


class Quantity(Struct, frozen=True, kw_only=True):
    """What is asked for: the query, the factor to this project's unit, and how far a number can be one at all."""

    name: str
    query: bytes
    unit: str
    factor: float
    lowest: float
    highest: float


POTENTIAL = Quantity(name="potential", query=b"MEAS:VOLT:DC?\n", unit="mV", factor=1e3, lowest=-1e4, highest=1e4)
PH = Quantity(name="pH", query=b"", unit="pH", factor=1.0, lowest=-3.0, highest=17.0)
TEMPERATURE = Quantity(name="temperature", query=b"MEAS:TEMP?\n", unit="C", factor=1.0, lowest=-273.15, highest=1e3)
"""The queries are those of `ScpiConfig`, unless a probe's configuration has others (`asked`)."""


class QueuedError(Struct, frozen=True, kw_only=True):
    """One entry of the instrument's error queue; code 0: the queue is empty."""

    code: int
    text: str


def with_query(quantity: Quantity, query: str) -> Quantity:
    """Return the quantity with another query, written without its end."""
    return replace(quantity, query=f"{query}\n".encode("ascii"))


def parse_value(line: bytes, quantity: Quantity) -> float | Reason:
    """Return the reply's value in the quantity's unit (mV, C), or why there is none."""
    text = line.strip(b" \t")
    if len(line) > LONGEST_LINE or _NRF.fullmatch(text) is None:
        return Reason.GARBLED
    number = float(text)
    if math.isclose(number, _NOT_A_NUMBER, rel_tol=1e-4):
        return Reason.NOT_A_NUMBER
    if math.isclose(abs(number), _INFINITY, rel_tol=1e-4):
        return Reason.OVERRANGE
    value = number * quantity.factor
    return value if quantity.lowest <= value <= quantity.highest else Reason.GARBLED


def parse_error(line: bytes) -> QueuedError | None:
    """Return the entry that a reply to `NEXT_ERROR` tells; None: the line is no such reply."""
    match = _ERROR.fullmatch(line.strip(b" \t"))
    if match is None or not _is_text(line):
        return None
    return QueuedError(code=int(match[1]), text=match[2].decode("ascii"))


def parse_identity(line: bytes) -> str | None:
    """Return the identity that a reply to `IDENTIFY` tells; None: the line is no such reply."""
    if not _is_text(line) or parse_error(line) is not None:
        return None
    return line.decode("ascii").strip() if line.count(b",") >= _IDENTITY_COMMAS else None


def _is_text(line: bytes) -> bool:
    return len(line) <= LONGEST_LINE and line.isascii() and line.decode("ascii").isprintable()
