"""The page, served from a thread of the test over a real socket."""

import http.client
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

from logger.config import Config
from logger.page import access
from logger.page.app import application
from logger.page.serve import server
from logger.page.source import Source
from tests.parts.waiting import wait_until

CAUTION = "pH alone does not make food safe."


@dataclass(frozen=True, slots=True)
class Answer:
    status: int
    headers: Mapping[str, str]
    text: str


@dataclass(slots=True)
class Served:
    port: int
    source: Source

    def get(self, path: str, *, method: str = "GET", host: str | None = None, **headers: str) -> Answer:
        """Ask for a path; of the names of headers `_` becomes `-`."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            connection.putrequest(method, path, skip_host=host is not None)
            for name, value in {**({} if host is None else {"Host": host}), **headers}.items():
                connection.putheader(name.replace("_", "-"), value)
            connection.endheaders()
            answer = connection.getresponse()
            return Answer(answer.status, dict(answer.getheaders()), answer.read().decode())
        finally:
            connection.close()


@contextmanager
def served(config: Config, now_us: Callable[[], int], *, token: str = "") -> Iterator[Served]:
    """Serve the page of a configuration on a free port of this machine."""
    source = Source(config, now_us)
    with access.opened("127.0.0.1", 0) as listening:
        running = server(application(source, caution=CAUTION, names=["vats.test"], token=token))
        thread = threading.Thread(target=running.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            wait_until(lambda: running.started, 20.0)
            yield Served(listening.getsockname()[1], source)
        finally:
            running.should_exit = True
            thread.join(20.0)
            source.close()
