"""A night as a person goes through it: everything by the command line, each command a process, beside the daemon."""

import json
import subprocess
import sys
from typing import Any

import pytest

from tests.e2e import hub_listener
from tests.e2e.vat_history import check_that_a_replay_tells_the_same
from tests.parts.daemon import PATIENCE_S, MakeNight, Night, Vat

ATTENTION = 3
STANDS = hub_listener.RESTLESS.replace("setpoint = 3.757", "setpoint = 3.0").replace("deadband = 0.0", "deadband = 0.1")


def vatvigil(here: Night, *command: str, code: int = 0) -> str:
    line = [sys.executable, "-P", "-m", "logger", *command, "-c", str(here.config_file)]
    done = subprocess.run(line, cwd=here.folder, capture_output=True, text=True, check=False, timeout=PATIENCE_S)
    assert done.returncode == code, f"{command} said {done.stdout}{done.stderr}"
    return done.stdout


def said(here: Night, *command: str, code: int = 0) -> Any:  # noqa: ANN401 - JSON of each command's own form
    return json.loads(vatvigil(here, *command, "--json", code=code))


def dip(here: Night, vat: Vat) -> str:
    """Read the electrode in fresh buffers, as the simulated person does; return the file of the points."""
    file = str(here.folder / "points.toml")
    command = [sys.executable, "-P", "-m", "simulator", "dip", vat.run, "--seed", str(vat.seed), "--out", file]
    subprocess.run(command, check=True, capture_output=True)
    return file


@pytest.mark.slow
def test_a_night_by_the_command_line_alone(night: MakeNight) -> None:
    vat = Vat(run="quiet-night", alarms=STANDS)
    here = night(vat, speed=100, poll_s=10, starts_h=2.0, calibrated=False)
    vatvigil(here, "calibration", "add", vat.probe, "--from", dip(here, vat), "--wait", "0")
    here.start_and_watch()
    here.wait_for("annunciates")
    assert "ph-high" in vatvigil(here, "alarms")
    said(here, "status", code=ATTENTION)
    vatvigil(here, "alarms", "ack", vat.id, "ph-high", "--by", "tova")
    vatvigil(here, "mark", vat.id, "probe-out", "--minutes", "30", "--by", "tova")
    assert here.stop() == 0
    told = check_that_a_replay_tells_the_same(here, vat)
    assert [entry.cause.value for entry in told.entries if entry.by == "tova" and entry.alarm == "ph-high"][:2] == [
        "acknowledged",
        "suppressed",
    ]
    assert "acknowledged" in vatvigil(here, "alarms", "journal")
