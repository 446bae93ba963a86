"""What the benches start: the daemon, bare processes to compare it with, an instrument that crosses a setpoint."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from statistics import median, quantiles

from logger.model import Command, CommandKind
from logger.store import Store
from tests.parts.waiting import wait_until
from tests.probe.peer import Peer, Reply
from tests.series import EPOCH_US, calibration, millivolts

PATIENCE_S = 20.0
PROBE, VAT = "bench-probe", "bench"
POTENTIAL = b"MEAS:VOLT:DC?"
SETPOINT_PH = 4.6
_CONFIG = """
[store]
path = "{store}"
[mqtt]
host = "127.0.0.1"
port = {broker}
[probe.{probe}]
port = "{port}"
poll_s = {poll_s}
timeout_s = {timeout_s}
limits = {{ rate_mv_per_s = 1000 }}
[vat.{vat}]
probe = "{probe}"
alarm.ph-high = {{ setpoint = {setpoint}, deadband = 0.05, window_s = 0, on_delay_s = 0 }}
alarm.ph-low = {{ setpoint = 3.0 }}
alarm.warm = {{ kind = "temperature-high", setpoint = 24 }}
alarm.cool = {{ kind = "temperature-low", setpoint = 16 }}
alarm.temperature-high = {{ setpoint = 30 }}
alarm.temperature-low = {{ setpoint = 10 }}
"""
"""Eight alarms with no-data and blind, which are there without being written. The rate test lets the crossing pass."""


class Swinging(Peer):
    """An instrument whose potential goes to and fro across the setpoint, staying for `HOLD` replies on each side."""

    HOLD = 2

    def __init__(self, link: Path) -> None:
        super().__init__(link)
        self.crossed_ns: list[int] = []
        """When the reply was written that crossed upwards, `time.monotonic_ns`."""
        self._levels = [b"%.5E\n" % (millivolts(SETPOINT_PH + side) / 1000.0) for side in (-0.1, 0.1)]
        self._replies = 0

    def _answer(self, query: bytes) -> None:
        if query == POTENTIAL:
            high, within = divmod(self._replies, self.HOLD)
            self.standing[query] = Reply(self._levels[high % 2])
            self._replies += 1
            if high % 2 and not within:
                self.crossed_ns.append(time.monotonic_ns())
        super()._answer(query)


def configured(folder: Path, *, port: Path, broker: int, poll_s: float) -> Path:
    """Write a configuration, and make its store with a calibration that waits in the inbox."""
    folder.mkdir()
    store = folder / "store.sqlite"
    timeout_s = min(1.0, poll_s / 4)
    names = {"probe": PROBE, "vat": VAT, "setpoint": SETPOINT_PH, "store": store, "port": port}
    config = folder / "vatvigil.toml"
    config.write_text(_CONFIG.format(broker=broker, poll_s=poll_s, timeout_s=timeout_s, **names))
    with Store.open(f"sqlite:///{store}", simulated=False, migrate=True) as made, made.begin() as work:
        line = work.add_calibration(calibration(PROBE))
        asked = Command(id=0, at_us=EPOCH_US, kind=CommandKind.CALIBRATE, vat="", probe=PROBE, calibration=line)
        work.add_command(asked)
        work.commit()
    return config


@contextmanager
def daemon(config: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Run the daemon on a configuration; in the end it must stop in good order."""
    with running([sys.executable, "-P", "-m", "logger", "run", "--config", str(config)], config.parent) as process:
        yield process
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0, (config.parent / "output").read_text()


@contextmanager
def running(command: Sequence[str], folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Run a process, what it prints in `folder`/output; it is killed if it is still there at the end."""
    folder.mkdir(exist_ok=True)
    with (folder / "output").open("wb") as output:
        process = subprocess.Popen(command, stdout=output, stderr=output, env={**os.environ, "PYTHONUNBUFFERED": "1"})
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def printed(folder: Path) -> list[str]:
    """Return the lines that the process of that folder printed so far."""
    return (folder / "output").read_text().splitlines()


def stored_elapsed_us(config: Path) -> list[int]:
    """Return the watch time of each record in the daemon's store."""
    with closing(sqlite3.connect(f"file:{config.parent / 'store.sqlite'}?mode=ro", uri=True)) as store:
        return [elapsed for (elapsed,) in store.execute("SELECT elapsed_us FROM measurement ORDER BY seq")]


def wait_for_records(config: Path, count: int = 1, seconds: float = PATIENCE_S) -> None:
    """Wait until so many records are stored."""
    wait_until(
        lambda: len(stored_elapsed_us(config)) >= count,
        seconds,
        lambda: f"{len(stored_elapsed_us(config))} records; the daemon says\n{(config.parent / 'output').read_text()}",
    )


def spread(values: Sequence[float]) -> tuple[float, float]:
    """Return median and 95th percentile."""
    return median(values), quantiles(values, n=20, method="inclusive")[-1]
