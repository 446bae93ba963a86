"""Read what a person presses, one answer at a time.

Law: on a terminal each key counts by itself and nothing else happens to it (echo and line editing are off until the
end, whatever the end is); from a pipe each line is an answer. Enter is the empty answer. The end of the input is said
once, as `END`.
"""

import os
import select
import termios
import tty
from types import TracebackType
from typing import Any, Self

END = "end of input"
_CHUNK = 1024
_END_OF_TRANSMISSION = "\x04"


class Keys:
    """Hears a person on a descriptor, inside its `with` block."""

    def __init__(self, descriptor: int) -> None:
        """Prepare; entering the block switches a terminal over."""
        self._descriptor = descriptor
        self._before: list[Any] | None = None
        self._rest = b""
        self._ended = False

    def __enter__(self) -> Self:
        """Let a terminal hand over each key at once."""
        if os.isatty(self._descriptor):
            self._before = termios.tcgetattr(self._descriptor)
            tty.setcbreak(self._descriptor)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Give the terminal back as it was."""
        if self._before is not None:
            termios.tcsetattr(self._descriptor, termios.TCSADRAIN, self._before)

    def answers(self, wait_s: float) -> list[str]:
        """Return what was answered, lower case, after at most so many real seconds of waiting for it."""
        if self._ended:
            select.select([], [], [], wait_s)
            return []
        if not select.select([self._descriptor], [], [], wait_s)[0]:
            return []
        data = os.read(self._descriptor, _CHUNK)
        self._ended = not data
        return self._keys(data) if self._before is not None else self._lines(data)

    def _keys(self, data: bytes) -> list[str]:
        """Return each key; what a function key sends (an escape sequence) is none."""
        if self._ended or _END_OF_TRANSMISSION.encode() in data:
            self._ended = True
            return [END]
        if data.startswith(b"\x1b"):
            return []
        return ["" if key in "\r\n" else key.lower() for key in data.decode("utf-8", "ignore")]

    def _lines(self, data: bytes) -> list[str]:
        *whole, self._rest = (self._rest + data).split(b"\n")
        if self._ended and self._rest:
            whole.append(self._rest)
        answers = [line.decode("utf-8", "replace").strip().lower() for line in whole]
        return [*answers, END] if self._ended else answers
