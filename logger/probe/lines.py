"""Bytes -> whole lines of text. No I/O.

Law: a line is whole when its terminator has come: "3.4" followed later by "56" are two numbers or one, and only the
terminator tells. However the bytes are cut, the lines are the same. Never more than a capped line is kept.
"""

LONGEST_LINE = 256
"""Bytes of a line without its terminator; a longer one is garbage."""


class LineBuffer:
    """Cuts a stream of bytes into whole lines and keeps the rest, never more than `LONGEST_LINE` + 2 bytes of it."""

    def __init__(self) -> None:
        """Start empty."""
        self._partial = bytearray()

    def feed(self, data: bytes) -> list[bytes]:
        """Return the lines that `data` completes, without LF or CR LF; one too long comes cut, but still too long."""
        *ended, rest = data.split(b"\n")
        lines = [self._end(piece) for piece in ended]
        self._keep(rest)
        return lines

    @property
    def partial(self) -> bytes:
        """Return what has come of a line whose terminator is still owed."""
        return bytes(self._partial)

    def clear(self) -> None:
        """Forget the partial line."""
        self._partial.clear()

    def _end(self, piece: bytes) -> bytes:
        self._keep(piece)
        line = bytes(self._partial)
        self._partial.clear()
        return line.removesuffix(b"\r")

    def _keep(self, piece: bytes) -> None:
        # Two bytes over the cap: one may be the CR of a terminator, the other shows that the line is too long.
        self._partial += piece[: LONGEST_LINE + 2 - len(self._partial)]
