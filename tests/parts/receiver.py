"""A web server on a free loopback port that keeps what it is sent, as a push service or a dead man's switch would."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Event, Thread
from typing import Any

import pytest

from tests.parts.waiting import wait_until


@dataclass(slots=True)
class Receiver:
    """What came so far, and how the next request is answered."""

    server: ThreadingHTTPServer
    status: int = 200
    asked: list[str] = field(default_factory=list)
    """Paths of the GETs."""
    sent: list[dict[str, Any]] = field(default_factory=list)
    """Bodies of the POSTs that were answered with a status below 300."""
    tries: int = 0
    silent: bool = False
    """It takes requests and answers none."""
    closed: Event = field(default_factory=Event)

    @property
    def port(self) -> int:
        return int(self.server.server_address[1])

    @property
    def titles(self) -> list[str]:
        return [str(message["title"]) for message in self.sent]

    def until_sent(self, number: int, seconds: float = 30.0) -> None:
        wait_until(lambda: len(self.sent) >= number, seconds, lambda: f"{len(self.sent)} of {number} pushes")


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """Serve until the test is over."""
    yield from _served()


@pytest.fixture
def other_receiver() -> Iterator[Receiver]:
    """Serve another one."""
    yield from _served()


def _served() -> Iterator[Receiver]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
    server.daemon_threads = True
    made = Receiver(server)
    server.receiver = made  # type: ignore[attr-defined] # for its handlers
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    yield made
    made.closed.set()
    server.shutdown()
    server.server_close()
    thread.join()


class _Handler(BaseHTTPRequestHandler):
    server: ThreadingHTTPServer

    def do_GET(self) -> None:
        self._receiver.asked.append(self.path)
        self._answer()

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        self._receiver.tries += 1
        if self._receiver.status < 300 and not self._receiver.silent:
            self._receiver.sent.append({"path": self.path, **body})
        self._answer()

    @property
    def _receiver(self) -> Receiver:
        return self.server.receiver  # type: ignore[attr-defined,no-any-return] # set above

    def _answer(self) -> None:
        if self._receiver.silent:
            self._receiver.closed.wait()
            return
        self.send_response(self._receiver.status)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing."""
