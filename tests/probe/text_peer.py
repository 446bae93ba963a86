"""A probe of lines of text on a real pseudo-terminal: what it sends is what a test tells it to."""

import fcntl
import os
import select
import struct
import termios
import threading
import time
import tty
from pathlib import Path
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Callable


class TextPeer:
    """Hands all that is heard to `answer`, which says what to send and when; or says things by itself."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.answer: Callable[[bytes], list[tuple[float, bytes]]] = lambda _: []
        """Takes what was heard; returns delays (s, each after the one before) and bytes."""
        self.asked = b""

    def __enter__(self) -> Self:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self._stop_read, self._stop_write = os.pipe()
        self.link.symlink_to(os.ttyname(self._slave))
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.write(self._stop_write, b"x")
        self._thread.join()
        self.link.unlink()
        for descriptor in (self._master, self._slave, self._stop_read, self._stop_write):
            os.close(descriptor)

    def say(self, data: bytes) -> None:
        os.write(self._master, data)

    def wait_for_arrival(self, count: int = 1) -> None:
        """Wait until so many bytes can be read at the port: a pseudo-terminal hands them over in its own time."""
        until = time.monotonic() + 10
        while struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)))[0] < count:
            assert time.monotonic() < until, "the bytes did not arrive"
            select.select([self._slave], [], [], 0.01)

    def _serve(self) -> None:
        while True:
            ready, _, _ = select.select([self._master, self._stop_read], [], [])
            if self._stop_read in ready:
                return
            heard = os.read(self._master, 4096)
            self.asked += heard
            for delay_s, data in self.answer(heard):
                time.sleep(delay_s)
                self.say(data)
