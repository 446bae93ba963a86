"""The pace of a port: every second while somebody works on the probe, else on its own grid; none is read twice."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from queue import SimpleQueue
from typing import TYPE_CHECKING

from logger.config import ProbeConfig
from logger.daemon.clock import Clock
from logger.daemon.port_threads import PortThread
from logger.model import Indication

if TYPE_CHECKING:
    from logger.errors import ThreadCrash

SPEED = 50.0
"""A second of the vat is 20 ms here."""
SECOND_US = 1_000_000


@dataclass
class InstantReader:
    """A probe that answers at once."""

    probe: ProbeConfig

    def read(self, *, at_us: int, elapsed_us: int) -> Indication:
        return Indication(probe=self.probe.id, at_us=at_us, elapsed_us=elapsed_us, potential_mv=1.0, temperature_c=25.0)

    def close(self) -> None:
        pass


def fast_clock() -> Clock:
    begin = time.monotonic_ns() // 1000

    def steady_us() -> int:
        return round((time.monotonic_ns() // 1000 - begin) * SPEED)

    return Clock(wall_us=steady_us, steady_us=steady_us, started_us=0, speed=SPEED)


@contextmanager
def polled(poll_s: float) -> Iterator[tuple[PortThread, "SimpleQueue[Indication | ThreadCrash]"]]:
    queue: SimpleQueue[Indication | ThreadCrash] = SimpleQueue()
    probe = InstantReader(ProbeConfig(id="probe", port="", poll_s=poll_s))
    thread = PortThread([probe], fast_clock(), post=queue.put)  # type: ignore[list-item]
    thread.start()
    yield thread, queue
    thread.stop()
    thread.join(30)
    assert not thread.is_alive()


def next_s(queue: "SimpleQueue[Indication | ThreadCrash]") -> float:
    item = queue.get(timeout=30)
    assert isinstance(item, Indication)
    return item.elapsed_us / SECOND_US


def test_an_attended_probe_is_read_every_second_at_once() -> None:
    with polled(100.0) as (thread, queue):
        first = next_s(queue)
        thread.set_attended("probe", attended=True)
        times = [next_s(queue) for _ in range(10)]
    assert times[0] - first < 50.0  # far before the next tick of the slow grid
    steps = [b - a for a, b in pairwise([first, *times])]
    assert min(steps) > 0.0
    assert sorted(steps)[5] < 3.0  # a busy machine may be late, not always


def test_afterwards_it_is_read_on_the_old_grid_again() -> None:
    with polled(20.0) as (thread, queue):
        next_s(queue)
        thread.set_attended("probe", attended=True)
        for _ in range(5):
            next_s(queue)
        thread.set_attended("probe", attended=False)
        slow = [next_s(queue) for _ in range(8)][-4:]
    assert slow[-1] - slow[0] > 2 * 20.0  # four ticks are 60 s apart; the first may be late on a busy machine


def test_a_probe_that_is_read_faster_than_every_second_stays_so() -> None:
    with polled(0.5) as (thread, queue):
        thread.set_attended("probe", attended=True)
        times = [next_s(queue) for _ in range(20)]
    assert sorted(b - a for a, b in pairwise(times))[10] < 1.0


def test_changing_the_pace_from_another_thread_all_the_time_neither_doubles_nor_stops_the_readings() -> None:
    stop = threading.Event()

    def fidget(thread: PortThread) -> None:
        attended = False
        while not stop.wait(0.003):
            attended = not attended
            thread.set_attended("probe", attended=attended)

    with polled(2.0) as (thread, queue):
        other = threading.Thread(target=fidget, args=(thread,))
        other.start()
        times = [next_s(queue) for _ in range(50)]
        stop.set()
        other.join(30)
        thread.set_attended("probe", attended=False)
        assert next_s(queue) > times[-1]
    assert all(a < b for a, b in pairwise(times))
    assert len(times) <= times[-1] - times[0] + 3  # at most one a second; the first may be late on a busy machine


def test_stopping_wakes_a_port_that_waits_for_a_far_tick() -> None:
    with polled(100_000.0) as (thread, queue):
        next_s(queue)
        began = time.monotonic()
        thread.stop()
        thread.join(30)
        assert time.monotonic() - began < 10.0


@dataclass
class SlowReader(InstantReader):
    """A probe that takes a second of the vat to answer."""

    def read(self, *, at_us: int, elapsed_us: int) -> Indication:
        threading.Event().wait(1.0 / SPEED)
        return super().read(at_us=at_us, elapsed_us=elapsed_us)


def test_probes_of_one_line_keep_a_grid_each_and_do_not_wait_for_each_other() -> None:
    queue: SimpleQueue[Indication | ThreadCrash] = SimpleQueue()
    polls_s = {"quick": 4.0, "slow": 20.0}
    probes = [SlowReader(ProbeConfig(id=name, port="", poll_s=poll_s)) for name, poll_s in polls_s.items()]
    thread = PortThread(probes, fast_clock(), post=queue.put)  # type: ignore[arg-type]
    thread.start()
    got = [item for item in (queue.get(timeout=30) for _ in range(40)) if isinstance(item, Indication)]
    thread.stop()
    thread.join(30)
    ticks = {name: [item.elapsed_us / SECOND_US for item in got if item.probe == name] for name in polls_s}
    assert len(ticks["quick"]) + len(ticks["slow"]) == 40
    for name, poll_s in polls_s.items():
        steps = sorted(b - a for a, b in pairwise(ticks[name]))
        assert abs(steps[len(steps) // 2] - poll_s) < poll_s / 2  # the median: a busy machine may be late, not always
    assert ticks["slow"][0] - ticks["quick"][0] > 5.0  # half a period later, whoever else is late
