"""The pace of a port: every second while somebody works on the probe, else on its own grid; none is read twice."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from queue import SimpleQueue

from logger.clock import Clock
from logger.config import ProbeConfig
from logger.model import Indication
from logger.ports import Crashed, PortThread

SPEED = 50.0
"""A second of the vat is 20 ms here."""
SECOND_US = 1_000_000


class InstantLine:
    """A probe that answers at once."""

    def read(self, probe: ProbeConfig, *, at_us: int, elapsed_us: int) -> Indication:
        return Indication(probe=probe.id, at_us=at_us, elapsed_us=elapsed_us, potential_mv=1.0, temperature_c=25.0)

    def close(self) -> None:
        pass


def fast_clock() -> Clock:
    begin = time.monotonic_ns() // 1000

    def steady_us() -> int:
        return round((time.monotonic_ns() // 1000 - begin) * SPEED)

    return Clock(wall_us=steady_us, steady_us=steady_us, started_us=0, speed=SPEED)


@contextmanager
def polled(poll_s: float) -> Iterator[tuple[PortThread, "SimpleQueue[Indication | Crashed]"]]:
    queue: SimpleQueue[Indication | Crashed] = SimpleQueue()
    probe = ProbeConfig(id="probe", port="", poll_s=poll_s)
    thread = PortThread(InstantLine(), probe, fast_clock(), post=queue.put)  # type: ignore[arg-type]
    thread.start()
    yield thread, queue
    thread.stop()
    thread.join(30)
    assert not thread.is_alive()


def next_s(queue: "SimpleQueue[Indication | Crashed]") -> float:
    item = queue.get(timeout=30)
    assert isinstance(item, Indication)
    return item.elapsed_us / SECOND_US


def test_an_attended_probe_is_read_every_second_at_once() -> None:
    with polled(100.0) as (thread, queue):
        first = next_s(queue)
        thread.attend(attended=True)
        times = [next_s(queue) for _ in range(10)]
    assert times[0] - first < 50.0  # far before the next tick of the slow grid
    steps = [b - a for a, b in pairwise([first, *times])]
    assert min(steps) > 0.0
    assert sorted(steps)[5] < 3.0  # a busy machine may be late, not always


def test_afterwards_it_is_read_on_the_old_grid_again() -> None:
    with polled(20.0) as (thread, queue):
        next_s(queue)
        thread.attend(attended=True)
        for _ in range(5):
            next_s(queue)
        thread.attend(attended=False)
        slow = [next_s(queue) for _ in range(8)][-4:]
    assert slow[-1] - slow[0] > 2 * 20.0  # four ticks are 60 s apart; the first may be late on a busy machine


def test_a_probe_that_is_read_faster_than_every_second_stays_so() -> None:
    with polled(0.5) as (thread, queue):
        thread.attend(attended=True)
        times = [next_s(queue) for _ in range(20)]
    assert sorted(b - a for a, b in pairwise(times))[10] < 1.0


def test_changing_the_pace_from_another_thread_all_the_time_neither_doubles_nor_stops_the_readings() -> None:
    stop = threading.Event()

    def fidget(thread: PortThread) -> None:
        attended = False
        while not stop.wait(0.003):
            attended = not attended
            thread.attend(attended=attended)

    with polled(2.0) as (thread, queue):
        other = threading.Thread(target=fidget, args=(thread,))
        other.start()
        times = [next_s(queue) for _ in range(50)]
        stop.set()
        other.join(30)
        thread.attend(attended=False)
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
