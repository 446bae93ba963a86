"""Simulate a probe that sends lines of text: bytes in, bytes out, no I/O of its own.

Law: any bytes are answered or ignored; none raises. Every line says SIMULATED. The forms are this project's own
invention, but for the query, which is SCPI's. Styles: `asked` answers each `READ?` (CR LF) with one line; `printing`
says one a second by itself, with the XOR of all between `$` and `*` in two hexadecimal digits at its end; `ph` is
asked, and says only the pH that it makes of the potential by an ideal slope.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import reduce
from operator import xor

from simulator.electrode import ISOPOTENTIAL_PH, nernst_slope_mv
from simulator.instrument import BUFFER_LENGTH, Reading, SimulatedDevice

QUERY = b"READ?"
END = b"\r\n"


class Style(StrEnum):
    """Whether it is asked or prints, and what it reports."""

    ASKED = "asked"
    PRINTING = "printing"
    PH = "ph"


@dataclass(slots=True)
class TextInstrument(SimulatedDevice):
    """One probe at one end of a wire; a new one is like a power cycle."""

    measure: Callable[[], Reading | None]
    serial: str
    style: Style
    _buffer: bytes = b""
    _last_second: int = -1

    def receive(self, data: bytes) -> bytes:
        """Take bytes as they come and return the replies to the queries that they complete."""
        *lines, rest = (self._buffer + data).replace(b"\r", b"\n").split(b"\n")
        self._buffer = rest[-BUFFER_LENGTH:]
        if self.style is Style.PRINTING:
            return b""
        return b"".join(self._line() for line in lines if line.strip() == QUERY)

    def unsolicited(self, run_s: float) -> bytes:
        """Return what it sends unasked at this run time: one line for each second that begins, the newest only."""
        second = int(run_s)
        if self.style is not Style.PRINTING or second == self._last_second:
            return b""
        self._last_second = second
        return self._line()

    def _line(self) -> bytes:
        reading = self.measure()
        if reading is None:
            return f"SIMULATED {self.serial} ERR".encode() + END
        potential, celsius = _written(reading.potential_v * 1e3, "+.1f"), _written(reading.temperature_c, ".2f")
        match self.style:
            case Style.ASKED:
                line = f"SIMULATED {self.serial} E={potential} mV T={celsius} C"
            case Style.PRINTING:
                body = f"SIMULATED,{self.serial},{potential} mV,{celsius} C"
                line = f"${body}*{reduce(xor, body.encode()):02X}"
            case Style.PH:
                line = f"SIMULATED {self.serial} pH {_written(_ph(reading), '.3f')} {celsius} C"
        return line.encode() + END


def _written(value: float, form: str) -> str:
    """Return a number as the probe writes it, or what it writes where there is none."""
    return "----" if math.isnan(value) else "OVER" if math.isinf(value) else format(value, form)


def _ph(reading: Reading) -> float:
    return float(ISOPOTENTIAL_PH - reading.potential_v * 1e3 / nernst_slope_mv(reading.temperature_c))
