"""Read and write an open serial port, as bytes or as lines of text, within time limits.

Law: no call blocks longer than its limit. What the system's port does wrong (gone, refused, full) surfaces as
`FAILURES` and as nothing else.
"""

import os
import termios
import time
from collections import deque
from typing import Final

import serial

from logger.config import Parity, ProbeConfig
from logger.probe.line_buffer import LineBuffer

FAILURES: Final = (OSError, termios.error)
"""A lost port raises these: SerialException is an OSError, termios.error (flushing what has vanished) is none."""

_PARITIES: Final = {
    Parity.NONE: serial.PARITY_NONE,
    Parity.EVEN: serial.PARITY_EVEN,
    Parity.ODD: serial.PARITY_ODD,
}
_SLICE_S = 0.05
"""Longest single wait inside the total limit; a byte that comes ends it at once."""
_FLOOD_BYTES = 65536
"""An instrument that sends more than this while nobody asks is not drained for ever."""


class Wire:
    """An open port; not usable after `close` or after any of `FAILURES`."""

    def __init__(self, probe: ProbeConfig) -> None:
        """Open the port of `probe` (path or URL). Raises one of `FAILURES`."""
        is_terminal = os.path.realpath(probe.port).startswith("/dev/pts/")
        try:
            self._port = serial.serial_for_url(
                probe.port,
                baudrate=probe.baud,
                # A pseudo-terminal has no bits; with parity or 7 of them it may open once and then fail.
                bytesize=serial.EIGHTBITS if is_terminal else probe.data_bits,
                parity=serial.PARITY_NONE if is_terminal else _PARITIES[probe.parity],
                stopbits=probe.stop_bits,
                timeout=_SLICE_S,
                # pyserial's RFC 2217 port knows no time limit for writing; its socket has one of 5 s.
                write_timeout=None if probe.port.startswith("rfc2217://") else 1.0,
                exclusive=True,
                do_not_open=True,
            )
            for name, level in (("dtr", probe.dtr), ("rts", probe.rts)):
                if level is not None:
                    setattr(self._port, name, level)  # before opening: it then raises neither by itself
            self._port.open()
        except (ValueError, NotImplementedError) as error:  # a rate that its driver refuses, an unknown URL
            raise OSError(str(error)) from error

    def now_s(self) -> float:
        """Return the clock by which replies are awaited (`time.monotonic`, but of a recording its own)."""
        return time.monotonic()

    def pause(self, wait_s: float) -> None:
        """Leave the line alone for a moment."""
        time.sleep(wait_s)

    @property
    def is_waiting(self) -> bool:
        """Tell whether anything has arrived that was not read yet."""
        return bool(self._port.in_waiting)

    def send(self, data: bytes) -> None:
        """Write all of `data`."""
        self._port.write(data)

    def drain(self) -> bool:
        """Throw away all that has arrived; tell whether there was anything."""
        dropped = 0
        while dropped < _FLOOD_BYTES and (data := self.read_waiting()):
            dropped += len(data)
        return dropped > 0

    def read_waiting(self) -> bytes:
        """Return what has arrived, without waiting for more."""
        return bytes(self._port.read(self._port.in_waiting))

    def read(self, *, until: float) -> bytes:
        """Return what has arrived, waiting for a first byte; empty: `now_s` has passed `until` first."""
        while not (first := self._port.read(1)):
            if time.monotonic() >= until:
                return b""
        return first + self._port.read(self._port.in_waiting)

    def close(self) -> None:
        """Close the port; a port that is gone already is no failure."""
        # pyserial forgets to close the socket of a connection that the other end has ended.
        socket = getattr(self._port, "_socket", None)
        try:
            self._port.close()
        except FAILURES:
            pass
        finally:
            if socket is not None:
                socket.close()


class LineWire:
    """An open wire as lines that come within a time limit."""

    def __init__(self, wire: Wire) -> None:
        """Read lines from `wire` from now on; raises what the wire raises, and nothing else."""
        self._wire = wire
        self._buffer = LineBuffer()
        self._lines: deque[bytes] = deque()

    def now_s(self) -> float:
        """Return the wire's clock."""
        return self._wire.now_s()

    @property
    def has_partial(self) -> bool:
        """Tell whether a line has begun whose terminator has not come."""
        return bool(self._buffer.partial)

    @property
    def is_waiting(self) -> bool:
        """Tell whether anything has arrived that was not read yet."""
        return bool(self._lines) or self._wire.is_waiting

    def send(self, data: bytes) -> None:
        """Write all of `data`."""
        self._wire.send(data)

    def drain(self) -> bool:
        """Throw away all that has arrived; tell whether there was anything."""
        dropped = bool(self._lines or self._buffer.partial)
        self._lines.clear()
        self._buffer.clear()
        return self._wire.drain() or dropped

    def next_line(self, *, until: float) -> bytes | None:
        """Return the next whole line, or None when `now_s` has passed `until` without one."""
        while not self._lines:
            if self.now_s() >= until:  # asked before each read: an instrument may talk for ever without an end
                return None
            self._lines.extend(self._buffer.feed(self._wire.read(until=until)))
        return self._lines.popleft()
