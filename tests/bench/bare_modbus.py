"""The least a program can do: `python bare_modbus.py FOLDER PORTS UNITS PERIOD_S` only reads the wall, on time.

A thread a port, one request a unit and period; prints `time.monotonic_ns()` and the unit of each tick.
"""

import os
import sys
import time
from pathlib import Path
from threading import Event, Thread

import serial
from pymodbus.framer import FramerRTU

REPLY_BYTES = 13
"""Of four registers."""


def frame(unit: int) -> bytes:
    body = bytes([unit, 3, 0, 0, 0, 4])
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def poll(port: Path, number: int, units: int, period_s: float) -> None:
    line = serial.Serial(str(port), timeout=0.2, write_timeout=1.0)
    never, begin = Event(), time.monotonic()
    dues = [begin + unit * period_s / units for unit in range(units)]
    while True:
        unit = min(range(units), key=dues.__getitem__)
        never.wait(max(0.0, dues[unit] - time.monotonic()))
        os.write(1, f"{number}-{unit + 1} {time.monotonic_ns()}\n".encode())  # one line whole, whatever threads do
        line.write(frame(unit + 1))
        line.read(REPLY_BYTES)
        dues[unit] += period_s


def main(folder: Path, ports: int, units: int, period_s: float) -> None:
    threads = [Thread(target=poll, args=(folder / f"port-{n}", n, units, period_s)) for n in range(ports)]
    for thread in threads:
        thread.start()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4]))
