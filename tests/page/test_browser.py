"""The page in a real browser, served by the real command."""

import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.page import scene
from tests.parts.devtools import Browser
from tests.parts.waiting import wait_until

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]
AT = re.compile(rb"http://\S+")
TEXT = "document.getElementById('main').innerText"


@dataclass(frozen=True, slots=True)
class Command:
    process: subprocess.Popen[bytes]
    address: str


@contextmanager
def page(folder: Path, *options: str) -> Iterator[Command]:
    """Serve the page as a person does, and end it as Ctrl-C does."""
    printed = folder / "page.log"
    command = [sys.executable, "-m", "logger", "page", *(options or ("--port", "0"))]
    with printed.open("wb") as log:
        process = subprocess.Popen(command, cwd=folder, stdout=log, stderr=log)
    try:
        wait_until(lambda: AT.search(printed.read_bytes()) is not None or process.poll() is not None, 60.0)
        found = AT.search(printed.read_bytes())
        assert found, printed.read_text()
        yield Command(process, found[0].decode())
    finally:
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0, printed.read_text()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("browser")
    scene.build(folder, now_us=time.time_ns() // 1000, vats=scene.SMALL)
    return folder


def test_the_page_is_read_by_keyboard_and_tells_when_the_store_was_away(house: Path, chromium: Browser) -> None:
    with page(house, "--address", "0.0.0.0", "--port", "0") as served:  # noqa: S104 - with a token
        chromium.look(width=390, height=844, scheme="dark")
        chromium.open(served.address)
        assert "token" not in chromium.find("location.href")
        chromium.press("Tab")  # to skip what stands above
        chromium.press("Tab")
        assert chromium.find("document.activeElement.innerText.trim()") == "North vat"
        chromium.press("Enter")
        chromium.wait_for("document.querySelector('svg.curve') !== null")
        assert chromium.find("document.documentElement.scrollWidth") == 390
        assert chromium.find("getComputedStyle(document.documentElement).backgroundColor") == "rgb(15, 19, 22)"
        assert "<script>document.title = 'taken'</script>" in chromium.find(TEXT)
        assert chromium.find("document.title").startswith("North vat ")
        file = house / "log.sqlite"
        aside = file.rename(house / "aside.sqlite")
        chromium.wait_for(f"refresh().then(() => {TEXT}.includes('THE STORE CANNOT BE READ'))")
        aside.rename(file)
        chromium.wait_for(f"refresh().then(() => !{TEXT}.includes('THE STORE CANNOT'))")
        assert chromium.find("document.querySelector('svg.curve') !== null")


def test_a_page_that_gets_no_answer_says_so_and_goes_on_when_it_comes(house: Path, chromium: Browser) -> None:
    with page(house) as served:
        chromium.open(served.address)
        port = served.address.rpartition(":")[2].strip("/")
        assert chromium.find("document.getElementById('silence').hidden")
    chromium.find("answeredAt -= 3 * 60000, refresh()")
    assert "NO ANSWER for 3 min" in chromium.find("document.getElementById('silence').innerText")
    assert chromium.find("document.body.classList.contains('late')")
    assert chromium.find("document.title").startswith("! ")
    with page(house, "--port", port):
        chromium.wait_for("refresh().then(() => document.getElementById('silence').hidden)")
        assert not chromium.find("document.title").startswith("! ")


REFUSED = "window.refused = []; addEventListener('securitypolicyviolation', (event) => refused.push(event.blockedURI))"
LOADED = "performance.getEntriesByType('resource').map((one) => new URL(one.name).origin)"
IDS = "[...document.querySelectorAll('[id]')].map((one) => one.id)"


def test_nothing_that_the_browser_forbids_is_wanted_and_nothing_from_elsewhere(house: Path, chromium: Browser) -> None:
    with page(house) as served:
        chromium.tell("Page.addScriptToEvaluateOnNewDocument", source=REFUSED)
        for path in ("", "vat/north", "vat/north?span=batch", "none"):
            chromium.open(served.address + path)
            assert chromium.find("refused") == []
            assert {*chromium.find(LOADED)} == {served.address.rstrip("/")}
            ids = chromium.find(IDS)
            assert len(ids) == len({*ids})
