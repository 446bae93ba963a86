"""From `vatvigil init` to a believed reading, by the commands that it prints, with real processes."""

import json
import os
import shlex
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.slow
PATIENCE_S = 60.0


def test_the_commands_that_init_prints_lead_to_a_believed_reading(tmp_path: Path) -> None:
    folder = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    environ = {**os.environ, "PATH": folder, "OPENBLAS_NUM_THREADS": "1"}

    def do(command: str, code: int = 0) -> str:
        parts = shlex.split(command)
        done = subprocess.run(parts, cwd=tmp_path, env=environ, capture_output=True, text=True, check=False)
        assert done.returncode == code, done.stdout + done.stderr
        return done.stdout

    printed = do("vatvigil init --defaults --simulated --name 'Kübel 3' --zone Europe/Lisbon")
    lines = [line.strip() for line in printed.splitlines() if line.startswith("    ")]
    serve, dip, add, check, run, _, status = lines
    with (
        subprocess.Popen(shlex.split(serve), cwd=tmp_path, env=environ, stdout=subprocess.PIPE) as simulator,
        (tmp_path / "log").open("wb") as log,
    ):
        try:
            assert simulator.stdout is not None
            simulator.stdout.readline()
            for command in (dip, add, check):
                do(command)
            with subprocess.Popen(shlex.split(run), cwd=tmp_path, env=environ, stdout=log, stderr=log) as daemon:
                try:
                    newest = _believed(lambda: do(f"{status} --json", 3))
                finally:
                    daemon.terminate()
        finally:
            simulator.terminate()
    assert newest["ph"] == pytest.approx(5.3, abs=0.1)  # normal-night begins there
    assert newest["verdict"].startswith("Believed: ")


def _believed(status: Callable[[], str]) -> dict[str, Any]:
    """Return the newest reading once there is a believed one."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        newest = json.loads(status())["vats"][0]["newest"]
        if newest is not None and newest["believed"]:
            return dict(newest)
        time.sleep(0.5)
    raise AssertionError("no reading was believed in time")
