"""The far end of a serial line: a scripted instrument on a real pseudo-terminal, one reply at a time, in order."""

import fcntl
import os
import select
import struct
import termios
import threading
import time
import tty
from collections import defaultdict, deque
from dataclasses import dataclass
from pathlib import Path
from typing import Self


@dataclass(frozen=True)
class Reply:
    """Bytes to send once `delay_s` has passed; None: nothing."""

    data: bytes | None
    delay_s: float = 0.0


HEALTHY = {
    b"*IDN?": Reply(b"Acorn Benchworks,VAT-1,0007,1.0\n"),
    b"MEAS:VOLT:DC?": Reply(b"1.7120E-01\n"),
    b"MEAS:TEMP?": Reply(b"20.10\n"),
    b"SYST:ERR?": Reply(b'0,"No error"\n'),
    b"*CLS": Reply(None),
}


class Peer:
    """Answers each line with the next of its `once` replies, else its standing one, else not at all."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.standing = dict(HEALTHY)
        self.asked: list[bytes] = []
        self._once: defaultdict[bytes, deque[Reply]] = defaultdict(deque)
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        self.plug()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def once(self, query: bytes, *replies: Reply) -> None:
        self._once[query].extend(replies)

    def plug(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self._stop_read, self._stop_write = os.pipe()
        self.link.symlink_to(os.ttyname(self._slave))
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def unplug(self) -> None:
        if self._thread is None:
            return
        os.write(self._stop_write, b"x")
        self._thread.join()
        self._thread = None
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
        pending = b""
        while True:
            ready, _, _ = select.select([self._master, self._stop_read], [], [])
            if self._stop_read in ready:
                return
            *lines, pending = (pending + os.read(self._master, 4096)).split(b"\n")
            for line in lines:
                self._answer(line)

    def _answer(self, query: bytes) -> None:
        self.asked.append(query)
        once = self._once[query]
        reply = once.popleft() if once else self.standing.get(query, Reply(None))
        time.sleep(reply.delay_s)
        if reply.data is not None:
            os.write(self._master, reply.data)
