"""A real browser without a screen: Debian's chromium, told what to do over its DevTools protocol.

https://chromedevtools.github.io/devtools-protocol/
"""

import base64
import itertools
import json
import os
import signal
import subprocess
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from websockets.sync.client import connect
from websockets.sync.connection import Connection

from tests.parts.browser import CHROMIUM
from tests.parts.waiting import wait_until

PATIENCE_S = 30.0
OPTIONS = (
    "--headless=new",
    "--remote-debugging-port=0",
    "--no-first-run",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)


@dataclass(slots=True)
class Browser:
    """A page of the browser."""

    socket: Connection
    _numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1))

    def tell(self, method: str, **parameters: object) -> dict[str, Any]:
        """Have the browser do something; return its result."""
        number = next(self._numbers)
        self.socket.send(json.dumps({"id": number, "method": method, "params": parameters}))
        while True:
            answer = json.loads(self.socket.recv(timeout=PATIENCE_S))
            if answer.get("id") == number:
                assert "error" not in answer, answer
                return dict(answer["result"])

    def find(self, expression: str) -> Any:  # noqa: ANN401 - whatever the expression gives
        """Return the value of an expression of JavaScript."""
        told = self.tell("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    def open(self, address: str) -> None:
        """Open an address, and wait until it is drawn."""
        self.tell("Page.navigate", url=address)
        self.wait_for("document.readyState === 'complete' && location.protocol !== 'about:'")

    def wait_for(self, expression: str, patience_s: float = PATIENCE_S) -> None:
        """Wait until an expression is true."""
        wait_until(lambda: bool(self.find(expression)), patience_s)

    def press(self, key: str) -> None:
        """Press and release a key."""
        codes = {"Tab": 9, "Enter": 13}
        text = {"text": "\r"} if key == "Enter" else {}
        for kind in ("keyDown", "keyUp"):
            self.tell("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=codes[key],
                      **(text if kind == "keyDown" else {}))  # fmt: skip

    def look(self, *, width: int, height: int, scheme: str = "light", media: str = "screen") -> None:
        """Have a screen of that size (CSS pixels), of light or dark colours."""
        self.tell("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self.tell("Emulation.setEmulatedMedia", media=media, features=features)

    def picture(self, path: Path, *, whole: bool = True) -> None:
        """Write what the whole page looks like."""
        told = self.tell("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(told["data"]))


@contextmanager
def browser(folder: Path) -> Iterator[Browser]:
    """Start a browser with nothing in it, and end it."""
    assert CHROMIUM is not None
    root = ["--no-sandbox"] if os.geteuid() == 0 else []
    profile = folder / "chromium"
    command = [CHROMIUM, *OPTIONS, *root, f"--user-data-dir={profile}", "about:blank"]
    with (folder / "chromium.log").open("wb") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True)
    try:
        told = profile / "DevToolsActivePort"
        wait_until(lambda: told.exists() and told.read_text().count("\n") > 0, PATIENCE_S)
        port = told.read_text().splitlines()[0]
        with connect(_page_of(port), max_size=None, open_timeout=PATIENCE_S) as socket:
            page = Browser(socket)
            page.tell("Page.enable")
            yield page
    finally:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(PATIENCE_S)


def _page_of(port: str) -> str:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/json/list", timeout=PATIENCE_S) as answer:
        pages = json.load(answer)
    return str(next(page["webSocketDebuggerUrl"] for page in pages if page["type"] == "page"))


@pytest.fixture
def chromium(tmp_path: Path) -> Iterator[Browser]:
    """Give a browser; the test is skipped without one."""
    if CHROMIUM is None:
        pytest.skip("there is no chromium: apt install chromium")
    with browser(tmp_path) as page:
        yield page
