"""Instruments of another hand: the package `sinstruments` serves them on real pseudo-terminals, as a process."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.config import ProbeConfig, Protocol, TextConfig
from logger.model import Reason
from logger.probe.reader import reader

TEXT = TextConfig(
    pattern=r"E (?P<mv>\S+) mV  T (?P<temperature>\S+) C",
    example="E -171,2 mV  T 20,1 C",
    query="READ?",
    query_end="\r",
    terminator="\r",
    decimal_comma=True,
)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Path]:
    """The folder in which `text` and `scpi` lead to the instruments' ports."""
    devices = [
        {
            "class": name,
            "package": "sinstrument_devices",
            "name": link,
            "transports": [{"type": "serial", "url": str(tmp_path / link)}],
        }
        for name, link in (("TextProbe", "text"), ("ScpiProbe", "scpi"))
    ]
    config = tmp_path / "instruments.json"
    config.write_text(json.dumps({"devices": devices}), encoding="utf-8")
    command = [sys.executable, "-m", "sinstruments", "-c", str(config)]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    process = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL)
    until = time.monotonic() + 30
    while not (tmp_path / "scpi").exists() and time.monotonic() < until:
        time.sleep(0.05)
    yield tmp_path
    process.terminate()
    process.wait(timeout=10)


def test_instruments_made_by_others_are_read(served: Path) -> None:
    probes = [
        ProbeConfig(id="t", port=str(served / "text"), protocol=Protocol.TEXT, text=TEXT),
        ProbeConfig(id="s", port=str(served / "scpi"), identity="0007"),
    ]
    for probe, potential_mv in zip(probes, (-171.2, 171.2), strict=True):
        reads = reader(probe, simulated=False)
        found = [reads.read(at_us=number, elapsed_us=number) for number in range(5)]
        reads.close()
        assert [(each.reason, each.temperature_c) for each in found] == [(Reason.NONE, 20.1)] * 5
        assert [each.potential_mv for each in found] == [pytest.approx(potential_mv)] * 5
