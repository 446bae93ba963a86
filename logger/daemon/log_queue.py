"""Queue what the daemon prints or logs for whoever reads it.

Law: writing returns at once, whatever the reader does: one that stops (Ctrl-S, a pager, a stuck pipe) stops no watch.
What finds the queue full is dropped and counted, until all that waits is written; the count stands in its place.
"""

import atexit
import io
import os
import sys
import time
from collections import deque
from threading import Condition, Thread
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

LONGEST = 2000
"""Writes, of a line or a few each. Common practice, no source."""
LAST_WORDS_S = 1.0
"""How long the end waits for the reader. Common practice, no source."""
FULL_S = 0.05
"""How long a reader that must not be waited for is left alone. Common practice, no source."""


class LogQueue(io.RawIOBase):
    """Takes what is written to it; a thread of its own writes it to a descriptor."""

    def __init__(self, descriptor: int) -> None:
        """Begin to write what will be taken."""
        self._descriptor = descriptor
        self._waiting: deque[bytes] = deque()
        self._dropped = 0
        self._is_busy = False
        self._changed = Condition()
        Thread(target=self._write_out, name="log", daemon=True).start()

    def writable(self) -> bool:
        """Tell that it can be written to."""
        return True

    def isatty(self) -> bool:
        """Tell whether a terminal reads it."""
        return os.isatty(self._descriptor)

    def write(self, data: "ReadableBuffer", /) -> int:
        """Take whole lines, or count them as dropped."""
        count = bytes(data)
        with self._changed:
            if self._dropped or len(self._waiting) >= LONGEST:
                self._dropped += count.count(b"\n")
            else:
                self._waiting.append(count)
            self._changed.notify_all()
        return len(count)

    def end(self) -> None:
        """Wait a moment until all is written."""
        with self._changed:
            self._changed.wait_for(lambda: not (self._waiting or self._dropped or self._is_busy), LAST_WORDS_S)

    def _write_out(self) -> None:
        lost = 0
        while True:
            lines, dropped = self._next()
            lost += dropped
            notice = b"%d lines of the log were dropped: its reader did not keep up\n" % lost if lost else b""
            try:
                _write(self._descriptor, notice + lines)
            except OSError:  # nobody reads any more, or the disk is full; there may be room again later
                lost += lines.count(b"\n")
            else:
                lost = 0

    def _next(self) -> tuple[bytes, int]:
        """Wait for lines, or for the number of those that were dropped after the last that waited."""
        with self._changed:
            self._is_busy = False
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._waiting or self._dropped)
            self._is_busy = True
            if self._waiting:
                return self._waiting.popleft(), 0
            dropped, self._dropped = self._dropped, 0
            return b"", dropped


def _write(descriptor: int, data: bytes) -> None:
    """Write all of it. Raises OSError."""
    while data:
        try:
            data = data[os.write(descriptor, data) :]
        except BlockingIOError:  # somebody else has set the terminal or pipe so
            time.sleep(FULL_S)


def take_over() -> None:
    """Let all that is printed or logged from here on pass through the queue, to standard error."""
    queue = LogQueue(sys.stderr.fileno())
    sys.stderr = io.TextIOWrapper(queue, encoding=sys.stderr.encoding, errors="backslashreplace", line_buffering=True)
    sys.stdout = sys.stderr
    atexit.register(queue.end)
