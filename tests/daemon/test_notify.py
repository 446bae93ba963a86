"""Words to the service manager, on a real datagram socket. The protocol: sd_notify(3), systemd 254."""

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.daemon.notify import Manager


@pytest.fixture(params=["path", "abstract"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return f"@vatvigil-test-{tmp_path.name}-{id(tmp_path)}" if request.param == "abstract" else str(tmp_path / "notify")


@pytest.fixture
def listener(address: str) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("\0" + address[1:] if address.startswith("@") else address)
        heard.settimeout(10)
        yield heard


def test_each_word_is_one_datagram(address: str, listener: socket.socket) -> None:
    manager = Manager(address)
    manager.ready()
    manager.alive()
    manager.stopping()
    assert [listener.recv(100) for _ in range(3)] == [b"READY=1", b"WATCHDOG=1", b"STOPPING=1"]


def test_without_a_manager_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    Manager.from_environment().ready()


def test_a_manager_that_does_not_listen_stops_no_watch(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    Manager(str(tmp_path / "nobody")).alive()
    assert "service manager" in caplog.text
