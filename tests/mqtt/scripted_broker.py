"""A broker that does what a real one cannot be made to do: refuse or swallow a PUBLISH on command.

It speaks just enough MQTT 5.0 for one client at a time; packet layouts: MQTT 5.0, sections 2 and 3.
"""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import BufferedReader

CONNECT, PUBLISH, SUBSCRIBE, PINGREQ = 1, 3, 8, 12
CONNACK = b"\x20\x03\x00\x00\x00"
PINGRESP = b"\xd0\x00"
Answer = Callable[[int, str, bytes], int | None]
"""(how many PUBLISH came before, topic, payload) -> PUBACK reason, None: say nothing."""


@dataclass(slots=True)
class ScriptedBroker:
    answer: Answer
    listener: socket.socket
    published: list[tuple[str, bytes]] = field(default_factory=list)
    granted: bytes = b"\x01\x01"
    """SUBACK reasons: both granted QoS 1."""
    connections: int = 0
    line: socket.socket | None = None

    @property
    def port(self) -> int:
        return int(self.listener.getsockname()[1])

    def send(self, packet: bytes) -> None:
        assert self.line is not None
        self.line.sendall(packet)

    def serve(self) -> None:
        while True:
            try:
                line, _ = self.listener.accept()
            except OSError:
                return
            self.connections += 1
            self.line = line
            with line, line.makefile("rb") as stream:
                self._serve_one(line, stream)

    def _serve_one(self, line: socket.socket, stream: BufferedReader) -> None:
        try:
            while head := stream.read(1):
                kind, flags = head[0] >> 4, head[0] & 0x0F
                body = stream.read(_variable_integer(stream)) or b""
                line.sendall(self._reply(kind, flags, body))
        except OSError:
            return

    def _reply(self, kind: int, flags: int, body: bytes) -> bytes:
        if kind == CONNECT:
            return CONNACK
        if kind == PINGREQ:
            return PINGRESP
        if kind == SUBSCRIBE:
            return b"\x90\x05" + body[:2] + b"\x00" + self.granted
        if kind == PUBLISH:
            return self._puback(flags, body)
        return b""

    def _puback(self, flags: int, body: bytes) -> bytes:
        assert flags & 0b0110 == 0b0010, "QoS 1"
        length = int.from_bytes(body[:2])
        topic, rest = body[2 : 2 + length].decode(), body[2 + length :]
        payload = rest[3 + rest[2] :]
        reason = self.answer(len(self.published), topic, payload)
        self.published.append((topic, payload))
        return b"" if reason is None else b"\x40\x04" + rest[:2] + bytes([reason, 0])


def _variable_integer(stream: BufferedReader) -> int:
    """Read a variable byte integer (MQTT 5.0, 1.5.5)."""
    value = shift = 0
    while True:
        (byte,) = stream.read(1) or b"\0"
        value |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            return value


@contextmanager
def scripted_broker(answer: Answer, *, granted: bytes = b"\x01\x01") -> Iterator[ScriptedBroker]:
    listener = socket.create_server(("127.0.0.1", 0))
    broker = ScriptedBroker(answer, listener, granted=granted)
    thread = threading.Thread(target=broker.serve)
    thread.start()
    try:
        yield broker
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(10)
