"""The demonstration is an acceptance test: what happens to the vat must be told, in order, by whoever listens."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from logger.cli._common import CAUTION, SIMULATED

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]

TOLD = (
    "somebody stirs the vat",
    "the heater of the room fails",
    "ALARM no-data (high): ",
    "no-data returned: ",
    "ALARM temperature-low (medium): ",
    "the person presses Acknowledge on the hub: temperature-low, occurrence 1",
    "temperature-low acknowledged",
    "temperature-low returned: ",
    "ALARM trust-lost (high): Trust in the probe is lost: ",
    "ALARM ph-low (medium): pH 4.4",
    "Not confirmed: trust in the probe is lost, so look at the vat itself",
    "trust-lost returned: its reading is back where the vat was and stayed there",
    "The night is over",
)
ALARMS = ["no-data", "temperature-low", "trust-lost", "ph-low"]


def night(folder: Path, *options: str) -> str:
    """Run the demo in a folder and return what it printed, on one line."""
    command = [sys.executable, "-P", "-m", "logger", "demo", *options]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=200)
    logs = "".join(log.read_text() for log in folder.rglob("*.log"))
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}\n{logs}"
    assert max(map(len, done.stdout.splitlines())) <= 80 + len(str(folder))
    files = (file for file in folder.rglob("*") if file.is_file())
    assert {file.name: file.stat().st_mode & 0o077 for file in files if file.stat().st_mode & 0o077} == {}
    return re.sub(r"\s+", " ", done.stdout)


def assert_told(said: str) -> None:
    places = [said.find(sentence) for sentence in TOLD]
    assert -1 not in places, (TOLD[places.index(-1)], said)
    assert places == sorted(places), said
    heard = re.findall(r"alarms: ([a-z, -]+) What was stored", said)[0].split(", ")
    assert [alarm for alarm in heard if alarm != "blind"] == ALARMS  # a wild signal may leave it blind before
    assert said.count("ALARM") == len(heard)
    assert SIMULATED in said
    assert CAUTION in said


def test_the_night_is_told_as_it_happens(tmp_path: Path) -> None:
    assert_told(night(tmp_path))


def test_the_night_needs_no_broker_of_its_own(tmp_path: Path) -> None:
    pytest.importorskip("amqtt", reason="the embedded broker is missing: pip install 'vatvigil[demo]'")
    said = night(tmp_path, "--embedded")
    assert "(embedded)" in said
    assert_told(said)
