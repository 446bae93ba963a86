"""The commands that README and the help topics show, typed beside the real daemon."""

import os
import re
import shlex
import subprocess
import sys

import pytest

from tests.help.documents import shell_lines
from tests.parts.daemon import MakeNight, Vat

ASKS = ("calibrate", "run", "listen", "demo", "init", "help", "rehearse", "page")
"""These ask a person, run for ever, want a port or a broker: each has a test of its own."""
ATTENTION = ("check", "status", "verify")
"""Exit code 3: what they found wants attention."""
REFUSED = ("alarms ack", "alarms shelve", "calibration use", "batch start", "archive make", "archive verify")
"""They speak of what does not stand in this night, or stands already, or want no daemon: exit code 1 and a sentence."""


def commands() -> list[str]:
    """Return each command line of ours that can run beside the daemon, once."""
    shown = [of_this_night(line) for _, line in shell_lines()]
    lines = [line for line in shown if line.startswith("vatvigil ") and "--buffer" not in line]
    return list(dict.fromkeys(line for line in lines if line.split()[1] not in ASKS))


def of_this_night(line: str) -> str:
    """Return what is typed of the vat of this night: a record or a diary is kept of a vat that is there."""
    is_of_a_vat = line.startswith(("vatvigil batch", "vatvigil care"))
    return re.sub(r"\bmarrow\b(?!\.)", "north", line) if is_of_a_vat else line


def turn(line: str) -> int:
    """Return when a line is typed: the recording that others read first, then checks, before anything is marked."""
    firsts = ("--format recording", "vatvigil verify ")
    return next((number for number, first in enumerate(firsts) if first in line), len(firsts))


def codes(line: str) -> set[int]:
    """Return the exit codes that a command line may have here."""
    command = line.removeprefix("vatvigil ")
    return {0} | ({3} if command.startswith(ATTENTION) else set()) | ({1} if command.startswith(REFUSED) else set())


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_every_documented_command_does_what_it_says(night: MakeNight) -> None:
    here = night(Vat(id="north", run="normal-night", alarms=""), speed=100, poll_s=10, starts_h=6.5)
    text = here.config_file.read_text().replace("[vat.north]", 'record_bytes = "north.bytes"\n[vat.north]')
    text += "[vat.north.alarm.ph-high]\nsetpoint = 5.5\n[vat.north.alarm.ph-low]\nsetpoint = 3.0\n"
    here.config_file.write_text(text)
    (here.folder / "other.toml").write_text(text.replace("5.5", "5.4"))
    here.start_and_watch(60)
    environment = {**os.environ, "VATVIGIL_CONFIG": str(here.config_file)}
    for line in sorted(commands(), key=turn):
        words = shlex.split(line, comments=True)[1:]
        done = subprocess.run(
            [sys.executable, "-P", "-m", "logger", *words],
            cwd=here.folder,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode in codes(line), f"{line}: {done.stdout[-2000:]}{done.stderr}"
        assert "Traceback" not in done.stderr
        assert done.stdout or done.stderr or "--out" in words, f"{line} said nothing"
    assert here.stop() == 0
