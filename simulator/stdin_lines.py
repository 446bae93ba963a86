"""Lines of text on a file descriptor, as they come.

Law: asking never waits. A terminal is not listened to: whoever types there may be speaking to another program.
"""

import os
import select

CHUNK = 4096


class StdinLines:
    """Hears whole lines on a descriptor until its end."""

    def __init__(self, descriptor: int) -> None:
        """Listen to a pipe or a file; a terminal, or a descriptor that is closed, says nothing."""
        self._descriptor = descriptor
        self._hears = _is_open(descriptor) and not os.isatty(descriptor)
        self._rest = b""

    def lines(self) -> list[str]:
        """Return the lines that have come since the last time, without blank ones."""
        while self._hears and select.select([self._descriptor], [], [], 0)[0]:
            data = os.read(self._descriptor, CHUNK)
            self._hears = bool(data)
            self._rest += data or b"\n"  # a last line may lack its end
        *whole, self._rest = self._rest.split(b"\n")
        return [text for line in whole if (text := line.decode("utf-8", "replace").strip())]


def _is_open(descriptor: int) -> bool:
    try:
        os.fstat(descriptor)
    except OSError:
        return False
    return True
