"""A line between a client and its broker that loses, on demand, what the client says of messages it received."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

PUBACK = 4
"""Kind of packet (MQTT 5.0, table 2-1)."""


@dataclass(slots=True)
class Proxy:
    """Listens on a free loopback port; `deaf` while the client's acknowledgements are lost."""

    broker: int
    listener: socket.socket
    deaf: bool = False
    lost: int = 0
    _lines: list[socket.socket] = field(default_factory=list)

    @property
    def port(self) -> int:
        return int(self.listener.getsockname()[1])

    def serve(self) -> None:
        with suppress(OSError):
            while True:
                client, _ = self.listener.accept()
                broker = socket.create_connection(("127.0.0.1", self.broker))
                self._lines += [client, broker]
                threading.Thread(target=self._pump, args=(client, broker), daemon=True).start()
                threading.Thread(target=self._copy, args=(broker, client), daemon=True).start()

    def close(self) -> None:
        for line in [self.listener, *self._lines]:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()

    def _copy(self, source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                target.sendall(data)
            target.shutdown(socket.SHUT_RDWR)

    def _pump(self, client: socket.socket, broker: socket.socket) -> None:
        with suppress(OSError, EOFError):
            while True:
                packet = _packet(client)
                if packet[0] >> 4 == PUBACK and self.deaf:
                    self.lost += 1
                else:
                    broker.sendall(packet)
        with suppress(OSError):
            broker.shutdown(socket.SHUT_RDWR)


def _packet(line: socket.socket) -> bytes:
    """Read one packet: a kind, a variable byte integer (MQTT 5.0, 1.5.5), so many bytes."""
    head = _exactly(line, 2)
    while head[-1] & 0x80:
        head += _exactly(line, 1)
    length = sum((byte & 0x7F) << 7 * place for place, byte in enumerate(head[1:]))
    return head + _exactly(line, length)


def _exactly(line: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        more = line.recv(count - len(data))
        if not more:
            raise EOFError
        data += more
    return data


@contextmanager
def proxy(broker: int) -> Iterator[Proxy]:
    made = Proxy(broker, socket.create_server(("127.0.0.1", 0)))
    thread = threading.Thread(target=made.serve, daemon=True)
    thread.start()
    try:
        yield made
    finally:
        made.close()
        thread.join(10)
