"""A line between the daemon and its broker that can be cut, refused or spoiled, while the witness hears on."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field


@dataclass(slots=True)
class Gate:
    """Passes bytes on between a free loopback port and the broker's."""

    broker: int
    listener: socket.socket
    is_shut: bool = False
    clients: list[socket.socket] = field(default_factory=list)
    lines: list[socket.socket] = field(default_factory=list)

    @property
    def port(self) -> int:
        """Return where the daemon connects to."""
        return int(self.listener.getsockname()[1])

    def serve(self) -> None:
        """Take connections until the listener is closed."""
        with suppress(OSError):
            while True:
                client, _ = self.listener.accept()
                try:
                    broker = None if self.is_shut else socket.create_connection(("127.0.0.1", self.broker), 2)
                except OSError:
                    broker = None
                if broker is None:
                    client.close()
                    continue
                broker.settimeout(None)
                self.clients.append(client)
                self.lines += [client, broker]
                for ends in ((client, broker), (broker, client)):
                    threading.Thread(target=_copy, args=ends, daemon=True).start()

    def cut(self) -> None:
        """End every connection."""
        for line in self.lines:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()
        self.lines.clear()
        self.clients.clear()

    def spoil(self, data: bytes) -> None:
        """Say to the daemon what no broker says."""
        for client in self.clients[-1:]:
            with suppress(OSError):
                client.sendall(data)


def _copy(source: socket.socket, target: socket.socket) -> None:
    with suppress(OSError):
        while data := source.recv(65536):
            target.sendall(data)
    for end in (source, target):
        with suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)


@contextmanager
def gate(broker: int) -> Iterator[Gate]:
    """Open a gate before a broker."""
    made = Gate(broker, socket.create_server(("127.0.0.1", 0)))
    thread = threading.Thread(target=made.serve, daemon=True)
    thread.start()
    try:
        yield made
    finally:
        with suppress(OSError):
            made.listener.shutdown(socket.SHUT_RDWR)
        made.listener.close()
        made.cut()
        thread.join(5)
