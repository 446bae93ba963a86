"""Several probes behind one port: a toy protocol with addresses shows how little a conversation has to do."""

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from time import monotonic

import pytest

from logger.config import ProbeConfig
from logger.model import Reason
from logger.probe.conversation import Conversation, Missing, Values
from logger.probe.port import Port
from logger.probe.reader import Reader
from logger.probe.wire import LineWire, Wire
from tests.probe.peer import Peer, Reply

NAMES = ("a", "b", "c")


class Toy(Conversation):
    """Asks `<id>?` and takes `<id>=<millivolts>`."""

    def begin(self, wire: Wire) -> None:
        self.wire = LineWire(wire)

    def tick(self) -> Values:
        self.wire.drain()
        self.wire.send(f"{self.probe.id}?\n".encode())
        line = self.wire.next_line(until=monotonic() + self.probe.timeout_s)
        if line is None:
            raise Missing(Reason.TIMEOUT, "no reply")
        name, _, value = line.decode().partition("=")
        if name != self.probe.id:
            raise Missing(Reason.WRONG_INSTRUMENT, f"{name} answers")
        return Values(potential_mv=float(value), temperature_c=20.0)


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    with Peer(tmp_path / "bus") as peer:
        peer.standing = {f"{name}?".encode(): Reply(f"{name}={number}\n".encode()) for number, name in enumerate(NAMES)}
        yield peer


@pytest.fixture
def bus(peer: Peer) -> Iterator[list[Reader]]:
    probes = [ProbeConfig(id=name, port=str(peer.link), timeout_s=0.1, poll_s=1.0) for name in NAMES]
    line = Port(probes[0])
    yield [Reader(line, Toy(probe, simulated=False), is_shared=True) for probe in probes]
    line.close()


def polled(bus: list[Reader], count: int) -> dict[str, list[tuple[float | None, Reason]]]:
    got: dict[str, list[tuple[float | None, Reason]]] = {name: [] for name in NAMES}
    for second in range(count):
        for reader in bus:
            read = reader.read(at_us=0, elapsed_us=second * 1_000_000)
            got[reader.probe.id].append((read.potential_mv, read.reason))
    return got


def test_each_probe_of_a_line_is_read_over_the_one_opening_of_its_port(bus: list[Reader]) -> None:
    # the port is locked by its first opening, so a second one would be an absent port
    got = polled(bus, 3)
    assert got == {name: [(float(number), Reason.NONE)] * 3 for number, name in enumerate(NAMES)}


def test_a_silent_probe_is_asked_less_and_less_often_and_costs_the_others_nothing(
    bus: list[Reader], peer: Peer
) -> None:
    del peer.standing[b"b?"]
    got = polled(bus, 60)
    assert got["a"] == [(0.0, Reason.NONE)] * 60
    assert got["c"] == [(2.0, Reason.NONE)] * 60
    assert got["b"] == [(None, Reason.TIMEOUT)] * 60  # one record a tick, asked or not
    order = [query.decode()[0] for query in peer.asked]
    rounds = ["".join(order[:at]).count("a") for at, name in enumerate(order) if name == "b"]
    assert [later - earlier for earlier, later in pairwise(rounds)] == [1, 2, 4, 8, 16]  # then every 31 s


def test_a_silent_probe_that_answers_again_is_asked_every_time(bus: list[Reader], peer: Peer) -> None:
    healthy = peer.standing.pop(b"b?")
    polled(bus, 20)
    assert bus[1].detail == f"{peer.link}: no reply to the last 5 requests; it is asked less often"
    peer.standing[b"b?"] = healthy
    got = polled(bus, 30)["b"]
    back = got.index((1.0, Reason.NONE))
    assert got[back:] == [(1.0, Reason.NONE)] * (30 - back)


def test_a_port_that_goes_away_is_absent_for_all_and_a_new_opening_forgets_who_was_silent(
    bus: list[Reader], peer: Peer
) -> None:
    healthy = peer.standing.pop(b"b?")
    polled(bus, 20)
    peer.unplug()
    assert {reason for got in polled(bus, 1).values() for _, reason in got} == {Reason.PORT_ABSENT}
    peer.standing[b"b?"] = healthy
    peer.plug()
    assert [got[-1] for got in polled(bus, 7).values()] == [(float(n), Reason.NONE) for n in range(3)]
