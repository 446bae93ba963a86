"""The far end of a Modbus line: the simulator's instruments on a real pseudo-terminal, in a thread, with its faults."""

import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from simulator.instrument import Reading
from simulator.modbus import ModbusUnit, RtuBus
from simulator.wire import PtyWire
from simulator.wire_faults import WireFaultInjector, parse_wire_fault

BEGIN_S = time.monotonic()


def told_mv(now_s: float) -> float:
    """Return the potential that says when it was measured."""
    return (now_s - BEGIN_S) % 1000.0


def timed() -> Reading | None:
    return Reading(told_mv(time.monotonic()) / 1000.0, 20.25)


def steady() -> Reading | None:
    return Reading(0.1712, 20.25)


@contextmanager
def served(
    folder: Path,
    *kinds: str,
    addresses: Sequence[int] = (1,),
    measure: Callable[[], Reading | None] = steady,
) -> Iterator[str]:
    """Serve instruments with these addresses; yield the port."""
    wire, stop = PtyWire(folder / "bus"), threading.Event()
    wire.plug()
    bus = RtuBus([ModbusUnit(address, measure, serial=f"S-{address}") for address in addresses])
    disturber = WireFaultInjector([parse_wire_fault(kind) for kind in kinds], seed=1)
    thread = threading.Thread(target=_serve, args=(wire, bus, disturber, stop))
    thread.start()
    try:
        yield wire.name
    finally:
        stop.set()
        thread.join()
        wire.unplug()


def _serve(wire: PtyWire, bus: RtuBus, disturber: WireFaultInjector, stop: threading.Event) -> None:
    due: list[tuple[float, bytes]] = []
    heard_s = last_s = time.monotonic()
    (line,) = wire.lines()
    while not stop.is_set():
        if wire.ready(0.002):
            data = os.read(line, 4096)
            if time.monotonic() - heard_s > 0.02:
                bus.note_silence()
            heard_s = time.monotonic()
            reply, late_s = disturber.apply(data, bus.receive(data))
            last_s = max(last_s, heard_s + late_s)  # an instrument answers in order
            due.append((last_s, reply))
        for moment in [each for each in due if each[0] <= time.monotonic()]:
            wire.write(line, moment[1])
            due.remove(moment)
