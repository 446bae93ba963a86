"""Simulate a SCPI instrument: bytes in, bytes out, no I/O of its own.

Law: any bytes are answered or queue an error; none raises. Syntax, registers and common commands after IEEE 488.2,
tree, path rules and error numbers after SCPI-1999 (both from memory). Potential in volts, temperature in Celsius. The
STATus subsystem is not offered.
"""

import math
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import IntFlag
from functools import partial
from itertools import product
from types import MappingProxyType

VERSION = "0.1.0"
SCPI_VERSION = "1999.0"
INFINITY = "9.9E37"
"""SCPI-1999 vol. 1, 7.2.1.4."""
NOT_A_NUMBER = "9.91E37"
"""SCPI-1999 vol. 1, 7.2.1.5."""
QUEUE_LENGTH = 16
BUFFER_LENGTH = 1024
WHITE_SPACE = bytes(b for b in range(33) if b != ord("\n")).decode()
"""IEEE 488.2, 7.4.1.2: all of ASCII up to the space, without the newline; so CR LF ends a message as LF does."""
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([Ee][+-]?\d+)?")  # NRf, IEEE 488.2, 7.7.2
_HEADER = re.compile(r"\*[A-Za-z]+\??|:?[A-Za-z]\w*(:[A-Za-z]\w*)*\??", re.ASCII)

ERRORS: Mapping[int, str] = MappingProxyType(
    {
        0: "No error",
        -101: "Invalid character",
        -102: "Syntax error",
        -104: "Data type error",
        -108: "Parameter not allowed",
        -109: "Missing parameter",
        -113: "Undefined header",
        -222: "Data out of range",
        -240: "Hardware error",
        -350: "Queue overflow",
        -363: "Input buffer overrun",
    }
)
"""SCPI-1999 vol. 2, chapter 21.8."""


class Event(IntFlag):
    """Standard event status register (IEEE 488.2, 11.5.1)."""

    OPERATION_COMPLETE = 1
    QUERY_ERROR = 4
    DEVICE_ERROR = 8
    EXECUTION_ERROR = 16
    COMMAND_ERROR = 32
    POWER_ON = 128


_CLASSES = {1: Event.COMMAND_ERROR, 2: Event.EXECUTION_ERROR, 3: Event.DEVICE_ERROR, 4: Event.QUERY_ERROR}


@dataclass(frozen=True, slots=True)
class Reading:
    """What the converter holds, in V and Celsius. Infinity: overrange; NaN: no value."""

    potential_v: float
    temperature_c: float


class ScpiError(Exception):
    """A message unit that cannot be executed; carries the standard's error number."""

    def __init__(self, number: int) -> None:
        """Keep the number, one of `ERRORS`."""
        super().__init__(number)
        self.number = number


def number_text(value: float) -> str:
    """Return a value as NR3, or the standard's infinity or not-a-number."""
    if math.isnan(value):
        return NOT_A_NUMBER
    if math.isinf(value):
        return INFINITY if value > 0 else f"-{INFINITY}"
    return f"{value:+.6E}"


def spellings(pattern: str) -> Iterator[str]:
    """Yield every accepted header of a pattern: `MEASure[:SCALar]` is MEAS, MEASURE, MEAS:SCAL and so on."""
    query = "?" if pattern.endswith("?") else ""
    choices: list[list[str]] = []
    for node in re.findall(r"\[:\w+\]|:?\w+", pattern):
        name = node.strip("[:]")
        forms = sorted({name.upper(), "".join(c for c in name if not c.islower())})
        choices.append(["", *forms] if node.startswith("[") else forms)
    for chosen in product(*choices):
        yield ":".join(filter(None, chosen)) + query


class SimulatedDevice(ABC):
    """A device at the probe's end of a wire, of any protocol."""

    @abstractmethod
    def receive(self, data: bytes) -> bytes:
        """Take bytes as they come and return the replies to what they complete."""

    def unsolicited(self, run_s: float) -> bytes:  # noqa: ARG002 -- most send nothing unasked
        """Return what it sends unasked at this second of run time."""
        return b""

    def note_silence(self) -> None:
        """Take note of a silence on the wire; to most it means nothing."""
        return


class ScpiInstrument(SimulatedDevice):
    """One instrument at one end of a wire; a new one is like a power cycle."""

    def __init__(self, measure: Callable[[], Reading | None], *, serial: str = "SIM0001") -> None:
        """`measure` returns what the converter holds now, or None when measuring fails."""
        self._measure, self._serial = measure, serial
        self._buffer, self._overrun = b"", False
        self._errors: list[int] = []
        self._esr, self._ese, self._sre = int(Event.POWER_ON), 0, 0
        self._replies: list[str] = []
        self._handlers: dict[str, Callable[[], str | None]] = {}
        self._setters: dict[str, Callable[[int], None]] = {
            "*ESE": partial(setattr, self, "_ese"),
            "*SRE": lambda value: setattr(self, "_sre", value & ~64),  # bit 6 is not used (IEEE 488.2, 11.3.2)
        }
        for pattern, handler in self._table().items():
            self._handlers |= dict.fromkeys(spellings(pattern) if pattern[0] != "*" else [pattern], handler)

    def _table(self) -> Mapping[str, Callable[[], str | None]]:
        return {
            "*IDN?": lambda: f"VATVIGIL,SIMULATED ELECTRODE,{self._serial},{VERSION}",
            "*CLS": self._clear,
            "*RST": lambda: None,  # nothing here is settable by a command that *RST would undo
            "*WAI": lambda: None,  # every command ends before the next begins
            "*OPC": lambda: self._flag(Event.OPERATION_COMPLETE),
            "*OPC?": lambda: "1",
            "*TST?": lambda: "0",
            "*ESR?": self._read_events,
            "*ESE?": lambda: str(self._ese),
            "*SRE?": lambda: str(self._sre),
            "*STB?": lambda: str(self._status_byte()),
            "SYSTem:ERRor[:NEXT]?": self._next_error,
            "SYSTem:ERRor:COUNt?": lambda: str(len(self._errors)),
            "SYSTem:VERSion?": lambda: SCPI_VERSION,
            "MEASure[:SCALar]:VOLTage[:DC]?": lambda: number_text(self._reading().potential_v),
            "MEASure[:SCALar]:TEMPerature?": lambda: number_text(self._reading().temperature_c),
        }

    def receive(self, data: bytes) -> bytes:
        """Take bytes as they come and return the replies to the messages that they complete."""
        *messages, self._buffer = (self._buffer + data).split(b"\n")
        replies = b"".join(self._message(message) for message in messages)
        if len(self._buffer) > BUFFER_LENGTH:
            self._buffer, self._overrun = self._buffer[:1], True  # the rest of this message is lost
        return replies

    def _message(self, message: bytes) -> bytes:
        """Execute one program message; on an error what is left of it is dropped."""
        self._replies, path = [], ""
        overrun, self._overrun = self._overrun or len(message) > BUFFER_LENGTH, False
        try:
            if overrun:
                raise ScpiError(-363)  # noqa: TRY301 -- one place turns every error into a queue entry
            for unit in _text(message).split(";"):
                path = self._unit(unit.strip(WHITE_SPACE), path)
        except ScpiError as error:
            self._queue(error.number)
        return (";".join(self._replies) + "\n").encode() if self._replies else b""

    def _unit(self, unit: str, path: str) -> str:
        """Execute one message unit and return the path for the next (SCPI-1999 vol. 1, 6.2.4)."""
        if not unit:
            return path
        header, _, parameter = re.sub(f"[{re.escape(WHITE_SPACE)}]+", " ", unit).partition(" ")
        if not _HEADER.fullmatch(header):
            raise ScpiError(-102)
        common, rooted = header.startswith("*"), header.startswith(":")
        name = (header if common or rooted or not path else f"{path}:{header}").lstrip(":").upper()
        reply = self._execute(name, parameter.strip())
        if reply is not None:
            self._replies.append(reply)
        return path if common else name.rpartition(":")[0]

    def _execute(self, name: str, parameter: str) -> str | None:
        if name in self._setters:
            self._setters[name](_register(parameter))
            return None
        if name not in self._handlers:
            raise ScpiError(-113)
        if parameter:
            raise ScpiError(-108)
        return self._handlers[name]()

    def _reading(self) -> Reading:
        reading = self._measure()
        if reading is None:
            raise ScpiError(-240)
        return reading

    def _flag(self, event: Event) -> None:
        self._esr |= event

    def _queue(self, number: int) -> None:
        """Append to the error queue; one that does not fit turns the last into -350 (SCPI-1999 vol. 2, 21.8.1)."""
        self._flag(_CLASSES[-number // 100])
        if len(self._errors) < QUEUE_LENGTH:
            self._errors.append(number)
        else:
            self._errors[-1] = -350

    def _next_error(self) -> str:
        number = self._errors.pop(0) if self._errors else 0
        return f'{number},"{ERRORS[number]}"'

    def _clear(self) -> None:
        self._errors, self._esr = [], 0

    def _read_events(self) -> str:
        events, self._esr = self._esr, 0
        return str(events)

    def _status_byte(self) -> int:
        """Return the status byte: 4 errors queued, 16 message available, 32 event summary, 64 master summary."""
        byte = 4 * bool(self._errors) + 16 * bool(self._replies) + 32 * bool(self._esr & self._ese)
        return byte + 64 * bool(byte & self._sre)


def _text(message: bytes) -> str:
    """Return the message as text. Raises ScpiError (-101) at a byte outside ASCII."""
    try:
        return message.decode("ascii")
    except UnicodeDecodeError as error:
        raise ScpiError(-101) from error


def _register(parameter: str) -> int:
    """Return a register's new value, 0 to 255, rounded (IEEE 488.2, 10.10)."""
    if not parameter:
        raise ScpiError(-109)
    if not _NUMBER.fullmatch(parameter):
        raise ScpiError(-104 if "," not in parameter else -108)
    value = float(parameter)
    if not -0.5 <= value < 255.5:  # noqa: PLR2004 -- eight bits, rounded
        raise ScpiError(-222)
    return round(value)


def garbled(reply: bytes, chance: float) -> bytes:
    """Return a reply with the top bit of some bytes flipped, as a wrong line speed would; its end stays."""
    first = int(abs(chance) * 1000) % max(len(reply) - 1, 1)
    body = bytes(b ^ 0x80 if (k - first) % 3 == 0 else b for k, b in enumerate(reply[:-1]))
    return body + reply[-1:]
