"""What ports do to whoever reads: unplugged, held by others, refused, at the far end of a socket."""

import itertools
import os
import socket
import threading
from pathlib import Path

import pytest

from logger.model import Reason
from tests.probe.peer import HEALTHY, Peer, Reply
from tests.probe.polled_probe import GOOD, Ticks, missing, values

TEMP = b"MEAS:TEMP?"


def test_an_unplugged_port_is_absent_and_is_read_again_once_it_is_back(tick: Ticks, peer: Peer) -> None:
    assert values(tick()) == GOOD
    peer.unplug()
    assert [values(tick()) for _ in range(3)] == [missing(Reason.PORT_ABSENT)] * 3
    assert tick.reader.detail == f"{peer.link}: there is no such port; check the cable and the path (next try in 5 s)"
    peer.plug()
    assert values(tick()) == GOOD
    assert tick.reader.detail == ""


def test_an_unplug_in_the_middle_of_a_request_is_an_absent_port(peer: Peer) -> None:
    tick = Ticks(str(peer.link), timeout_s=5.0)
    tick()
    peer.once(TEMP, Reply(None))
    puller = threading.Timer(0.2, peer.unplug)
    puller.start()
    got = tick()
    puller.join()
    assert values(got) == missing(Reason.PORT_ABSENT)


def test_reopening_backs_off_by_1_2_and_then_5_seconds_of_watch_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tick = Ticks(str(tmp_path / "absent"))
    tried: list[int] = []
    honest = os.open

    def counting_open(path: str, *arguments: int) -> int:
        if path == tick.reader.port:
            tried.append(tick.elapsed_us)
        return honest(path, *arguments)

    monkeypatch.setattr(os, "open", counting_open)
    for _ in range(40):
        tick(step_s=0.5)
    assert [round((b - a) / 1e6, 3) for a, b in itertools.pairwise(tried)] == [1, 2, 5, 5, 5]


def test_a_port_that_another_program_holds_is_absent_with_a_reason(tick: Ticks, peer: Peer) -> None:
    tick()
    other = Ticks(str(peer.link))
    assert values(other()) == missing(Reason.PORT_ABSENT)
    assert other.reader.detail == f"{peer.link}: another program holds the port; close it (next try in 1 s)"
    tick.reader.close()
    assert values(other()) == GOOD
    other.reader.close()


def test_a_rate_that_the_system_refuses_is_an_absent_port(peer: Peer) -> None:
    assert Ticks(str(peer.link), baud=-5)().reason is Reason.PORT_ABSENT


def test_a_closed_line_opens_again_at_the_next_tick(tick: Ticks) -> None:
    assert values(tick()) == GOOD
    tick.reader.close()
    tick.reader.close()
    assert values(tick()) == GOOD


def serve_one(listener: socket.socket) -> None:
    connection, _ = listener.accept()
    with connection, connection.makefile("rwb", buffering=0) as stream:
        for _ in range(5):
            reply = HEALTHY[stream.readline().rstrip()].data
            if reply is not None:
                stream.write(reply)


def test_a_remote_adapter_is_read_over_a_socket_and_its_loss_is_an_absent_port() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        server = threading.Thread(target=serve_one, args=(listener,))
        server.start()
        tick = Ticks(f"socket://127.0.0.1:{listener.getsockname()[1]}")
        first = values(tick())
        again = values(tick())
        server.join()
    assert again == missing(Reason.PORT_ABSENT)
    assert [first, values(tick()), values(tick())] == [GOOD, *[missing(Reason.PORT_ABSENT)] * 2]
    assert "Connection refused" in tick.reader.detail
    tick.reader.close()
