"""What the daemon holds, and how soon it watches, against a process that only imports the same packages."""

import subprocess
import sys
import time
from pathlib import Path
from statistics import median

import psutil
import pytest

from tests.bench.processes import configured, daemon, printed, running, stored_elapsed_us, wait_for_records
from tests.parts.mosquitto import MakeMosquitto
from tests.parts.waiting import wait_until
from tests.probe.peer import Peer

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]
STEADY_S = 30
STARTS = 5
IMPORTS = (
    "numpy",
    "msgspec",
    "click",
    "serial",
    "sqlalchemy",
    "sqlalchemy.dialects.sqlite",
    "pydantic_settings",
    "paho.mqtt.client",
    "apscheduler.schedulers.background",
)
"""What logger/ imports for `run` on SQLite, and the dialect that SQLAlchemy imports for it."""
BARE = f"import signal, {', '.join(IMPORTS)}\nprint('ready', flush=True)\nsignal.pause()\n"
MB = 2**20


def test_memory_and_start(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with Peer(tmp_path / "port") as peer:
        config = configured(tmp_path / "ours", port=peer.link, broker=broker.port, poll_s=1.0)
        pairs = [(bare_start_s(tmp_path / "bare"), daemon_start_s(config)) for _ in range(STARTS)]
        command = [sys.executable, "-c", BARE]
        with running(command, tmp_path / "bare") as bare, daemon(config) as ours:
            before = len(stored_elapsed_us(config))
            wait_for_records(config, before + STEADY_S, STEADY_S + 30)
            theirs_mb, ours_mb = (memory_mb(process) for process in (bare, ours))
    bare_s, ours_s = (median(starts) for starts in zip(*pairs, strict=True))
    print(f"\nagainst a process that imports {', '.join(IMPORTS)}")
    for name, index in (("resident (RSS)", 0), ("its own (USS)", 1)):
        print(f"{name:>16} {ours_mb[index]:6.1f} MB, bare {theirs_mb[index]:6.1f} MB, ", end="")
        print(f"ratio {ours_mb[index] / theirs_mb[index]:.2f}")
    print(f"    first record {ours_s:6.2f} s,  bare {bare_s:6.2f} s,  ratio {ours_s / bare_s:.2f}", end="")
    print(f"  (median of {STARTS} starts)")


def memory_mb(process: subprocess.Popen[bytes]) -> tuple[float, float]:
    held = psutil.Process(process.pid).memory_full_info()
    return held.rss / MB, held.uss / MB


def bare_start_s(folder: Path) -> float:
    begin = time.perf_counter()
    with running([sys.executable, "-c", BARE], folder):
        wait_until(lambda: printed(folder) == ["ready"], 30.0)
        return time.perf_counter() - begin


def daemon_start_s(config: Path) -> float:
    """Return the time from the start of the process to its first record in the store."""
    before = len(stored_elapsed_us(config))
    begin = time.perf_counter()
    with daemon(config):
        wait_for_records(config, before + 1, 30.0)
        return time.perf_counter() - begin
