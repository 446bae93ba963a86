"""Read whole lines from standard input without blocking.

Law: `lines` never waits. A terminal is never read: whoever types there may mean another program.
"""

import os
import select

CHUNK = 4096


class StdinLines:
    """Reads whole lines from a descriptor until its end."""

    def __init__(self, descriptor: int) -> None:
        """Read a pipe or a file; from a terminal or a closed descriptor nothing comes."""
        self._descriptor = descriptor
        self._is_readable = _is_open(descriptor) and not os.isatty(descriptor)
        self._rest = b""

    def lines(self) -> list[str]:
        """Return the lines that have come since the last time, without blank ones."""
        while self._is_readable and select.select([self._descriptor], [], [], 0)[0]:
            data = os.read(self._descriptor, CHUNK)
            self._is_readable = bool(data)
            self._rest += data or b"\n"  # a last line may lack its end
        *whole, self._rest = self._rest.split(b"\n")
        return [text for line in whole if (text := line.decode("utf-8", "replace").strip())]


def _is_open(descriptor: int) -> bool:
    try:
        os.fstat(descriptor)
    except OSError:
        return False
    return True
