"""A wall of ports: `python modbus_wall.py FOLDER PORTS UNITS` serves as many Modbus lines at FOLDER/port-N.

Each line has instruments with addresses from 1, whose readings wander a little. It prints READY once all are there.
"""

import random
import selectors
import sys
from pathlib import Path

from simulator.instrument import Reading
from simulator.modbus import ModbusUnit, RtuBus
from simulator.wire import PtyWire


def bus(units: int, chance: random.Random) -> RtuBus:
    def measure() -> Reading:
        return Reading(0.1712 + chance.gauss(0.0, 2e-4), 20.1 + chance.gauss(0.0, 0.02))

    return RtuBus([ModbusUnit(address, measure, serial=f"WALL-{address}") for address in range(1, units + 1)])


def main(folder: Path, ports: int, units: int) -> None:
    chance, ready = random.Random(1), selectors.DefaultSelector()  # noqa: S311 - noise, no secret
    wires = [PtyWire(folder / f"port-{number}") for number in range(ports)]
    for wire in wires:
        wire.plug()
        ready.register(wire.lines()[0], selectors.EVENT_READ, (wire, bus(units, chance)))
    print("READY", flush=True)
    while True:
        for key, _ in ready.select():
            wire, served = key.data
            wire.write(key.fd, served.receive(wire.read(key.fd)))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
