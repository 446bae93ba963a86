"""Instruments made with the package `sinstruments`, which knows nothing of this project and imports this file."""

from sinstruments.simulator import BaseDevice


class TextProbe(BaseDevice):  # type: ignore[misc]  # untyped
    """A probe that answers READ?, ended by CR, with one line, which CR ends too."""

    newline = b"\r"

    def handle_message(self, message: bytes) -> bytes | None:
        """Return what it answers."""
        return b"E -171,2 mV  T 20,1 C\r" if message.strip() == b"READ?" else None


class ScpiProbe(BaseDevice):  # type: ignore[misc]  # untyped
    """A SCPI instrument: potential in V, temperature in C."""

    def handle_message(self, message: bytes) -> bytes | None:
        """Return what it answers."""
        replies = {
            b"*IDN?": b"Acorn Benchworks,VAT-1,0007,1.0\n",
            b"MEAS:VOLT:DC?": b"1.712E-01\n",
            b"MEAS:TEMP?": b"+2.010E+01\n",
            b"SYST:ERR?": b'0,"No error"\n',
        }
        return replies.get(message.strip())
