"""Cut a stream of bytes into whole lines of text. No I/O.

Law: a line is whole when its terminator has come ("3.4" followed later by "56" may be one number). However the bytes
are cut, the lines are the same. Never more than a capped line is kept.
"""

LONGEST_LINE = 256
"""Bytes of a line without its terminator; a longer one is garbage."""


class LineBuffer:
    """Cuts a stream of bytes into whole lines and keeps the rest, `LONGEST_LINE` + 2 bytes and a terminator at most."""

    def __init__(self, terminator: bytes = b"\n") -> None:
        """Start empty. A CR before a single LF is taken for part of the terminator."""
        self._terminator = terminator
        self._head, self._tail = bytearray(), b""
        """The unfinished line, and the end of it that may be the beginning of a terminator."""

    def feed(self, data: bytes) -> list[bytes]:
        """Return the lines that `data` completes, without terminators; one too long comes cut, but still too long."""
        *ended, rest = (self._tail + data).split(self._terminator)
        lines = [self._end(piece) for piece in ended]
        longest = len(self._terminator) - 1
        begun = next((n for n in range(longest, 0, -1) if rest.endswith(self._terminator[:n])), 0)
        self._tail = rest[len(rest) - begun :]
        self._keep(rest[: len(rest) - begun])
        return lines

    @property
    def partial(self) -> bytes:
        """Return what has come of a line whose terminator has not come."""
        return bytes(self._head) + self._tail

    def clear(self) -> None:
        """Forget the partial line."""
        self._head.clear()
        self._tail = b""

    def _end(self, piece: bytes) -> bytes:
        self._keep(piece)
        line = bytes(self._head)
        self._head.clear()
        return line.removesuffix(b"\r") if self._terminator == b"\n" else line

    def _keep(self, piece: bytes) -> None:
        # Two bytes over the cap: one may be the CR before an LF, the other shows that the line is too long.
        self._head += piece[: LONGEST_LINE + 2 - len(self._head)]
