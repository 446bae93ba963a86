"""Open the simulator's end of a wire: a pseudo-terminal or a TCP port that can really go away and come back.

Law: unplugged means gone: no device, no link, no listener. Nothing is left behind. A client that does not read cannot
make the simulator wait.
"""

import contextlib
import os
import selectors
import socket
import stat
import tty
from abc import ABC, abstractmethod
from pathlib import Path

CHUNK = 4096


class Wire(ABC):
    """A port. A line is the file descriptor of one client."""

    def __init__(self) -> None:
        """Begin unplugged."""
        self._selector = selectors.DefaultSelector()
        self.plugged = False

    @property
    @abstractmethod
    def name(self) -> str:
        """Return what a client opens."""

    @abstractmethod
    def plug(self) -> None:
        """Make the port be there. Raises OSError that says why it cannot be."""

    @abstractmethod
    def unplug(self) -> None:
        """Take the port away from whoever uses it."""

    @abstractmethod
    def hang_up(self, line: int) -> None:
        """Hang up on one client."""

    @abstractmethod
    def lines(self) -> list[int]:
        """Return the lines on which a client may be connected."""

    def ready(self, timeout_s: float) -> list[int]:
        """Return the lines with something to read, after at most this many real seconds."""
        return [key.fd for key, _ in self._selector.select(timeout_s)]

    def read(self, line: int) -> bytes:
        """Return what has come; nothing: the client has hung up."""
        try:
            return os.read(line, CHUNK)
        except OSError:
            return b""

    def write(self, line: int, data: bytes) -> None:
        """Send, or lose what a client that does not read has no room for."""
        with contextlib.suppress(OSError):
            os.write(line, data)


class PtyWire(Wire):
    """A pseudo-terminal, reached by a link if one is asked for."""

    def __init__(self, link: Path | None = None) -> None:
        """`link` becomes a symbolic link to the device; one that a killed simulator left is replaced."""
        super().__init__()
        self._link, self._device, self._ends = link, "", (-1, -1)

    @property
    def name(self) -> str:
        """Return the link's path, or the device's."""
        return str(self._link or self._device)

    def plug(self) -> None:
        """Open a new pseudo-terminal; both ends stay open here, so that clients may come and go."""
        self._ends = master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self._device = os.ttyname(slave)
        self._selector.register(master, selectors.EVENT_READ)
        self.plugged = True
        if self._link is not None:
            _remove_stale_link(self._link)
            self._link.symlink_to(self._device)

    def unplug(self) -> None:
        """Close both ends (clients get a hang-up) and remove the link if it is ours."""
        if not self.plugged:
            return
        if self._link is not None and _points_to(self._link, self._device):
            self._link.unlink()
        self._selector.unregister(self._ends[0])
        for end in self._ends:
            os.close(end)
        self.plugged = False

    def lines(self) -> list[int]:
        """Return the terminal's one line; whether anybody has opened it cannot be seen."""
        return [self._ends[0]] if self.plugged else []

    def hang_up(self, line: int) -> None:
        """Do nothing: a terminal has no connection that could end, we hold its other side open."""


class TcpWire(Wire):
    """A listener on TCP; each connection is a line of its own."""

    def __init__(self, host: str, port: int) -> None:
        """Port 0: the system picks a free one, which then stays."""
        super().__init__()
        self._host, self._port = host, port
        self._listener: socket.socket | None = None
        self._connections: dict[int, socket.socket] = {}

    @property
    def name(self) -> str:
        """Return the address as a pyserial URL."""
        return f"socket://{self._host}:{self._port}"

    def plug(self) -> None:
        """Listen."""
        self._listener = socket.create_server((self._host, self._port))  # sets SO_REUSEADDR
        self._port = self._listener.getsockname()[1]
        self._selector.register(self._listener, selectors.EVENT_READ)
        self.plugged = True

    def unplug(self) -> None:
        """Hang up on everybody and refuse new connections."""
        for line in list(self._connections):
            self.hang_up(line)
        if self._listener is not None:
            self._selector.unregister(self._listener)
            self._listener.close()
        self._listener, self.plugged = None, False

    def lines(self) -> list[int]:
        """Return a line for each connection."""
        return list(self._connections)

    def hang_up(self, line: int) -> None:
        """Close one connection."""
        self._selector.unregister(line)
        self._connections.pop(line).close()

    def ready(self, timeout_s: float) -> list[int]:
        """Return the lines with something to read; new clients are let in on the way."""
        lines = super().ready(timeout_s)
        if self._listener is not None and self._listener.fileno() in lines:
            lines.remove(self._listener.fileno())
            self._accept(self._listener)
        return lines

    def _accept(self, listener: socket.socket) -> None:
        with contextlib.suppress(OSError):  # gone again before we looked
            connection, _ = listener.accept()
            connection.setblocking(False)
            self._connections[connection.fileno()] = connection
            self._selector.register(connection, selectors.EVENT_READ)


def _points_to(link: Path, device: str) -> bool:
    return link.is_symlink() and str(link.readlink()) == device


def _remove_stale_link(link: Path) -> None:
    """Remove a stale link to a terminal. Raises OSError when anything else is in the way."""
    try:
        kind = link.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISLNK(kind) or not str(link.readlink()).startswith("/dev/pts/"):
        raise FileExistsError(f"{link} exists and is no link to a terminal: it stays; choose another --link")
    link.unlink()
