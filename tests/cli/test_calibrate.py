"""`vatvigil calibrate` without a person: points from a file, and what is refused before the bench."""

import fcntl
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.cli_fixture import House, answering
from tests.parts.simulator import Start

FILE = """made_at = 2026-10-01T08:00:00Z
by = "tova"
[[point]]
buffer_ph = 6.865
potential_mv = 6.1
temperature_c = 25.0
[[point]]
buffer_ph = 4.005
potential_mv = 174.2
temperature_c = 25.0
"""
MORE = "[simulation]\n"


@pytest.fixture
def house(tmp_path: Path) -> House:
    (tmp_path / "dip.toml").write_text(FILE)
    return House(folder=tmp_path)


def test_points_from_a_file_go_the_way_of_calibration_add(house: House) -> None:
    with answering(house):
        result = house.do("calibrate", "marrow-probe", "--points", str(house.folder / "dip.toml"), "--wait", "20")
    assert (result.exit_code, result.stderr) == (0, "")
    assert "in force" in result.stdout
    (told,) = house.json("calibration", "list", "marrow-probe")["calibrations"]
    # Two points by hand: 168.1 mV over 2.86 pH is 58.7762 mV a pH, 99.352 % of 59.1593 (CODATA).
    assert (round(told["slope"], 5), told["in_force"], told["method"]) == (0.99352, True, "bracketing")


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (("marow-probe",), 1, "no probe 'marow-probe'; did you mean 'marrow-probe'?"),
        (("marrow-probe", "--buffers", "gbt-phtalate"), 1, "no buffer 'gbt-phtalate'; did you mean 'gbt-phthalate'?"),
        (("marrow-probe", "--buffers", " , "), 1, "no buffer is named"),
        (("marrow-probe", "--resume"), 1, "no session was cut off within the last hour"),
        (("marrow-probe", "--method", "spline"), 2, "'spline' is not one of"),
        (("marrow-probe", "--points", "absent.toml"), 1, "it cannot be read (No such file or directory)"),
        (("marrow-probe",), 1, "marrow-probe cannot be read: /dev/absent: there is no such port"),
    ],
)
def test_what_cannot_be_begun_is_refused_with_what_to_do(
    house: House, arguments: tuple[str, ...], code: int, sentence: str
) -> None:
    result = house.do("calibrate", *arguments)
    assert result.exit_code == code
    assert sentence in " ".join(result.stderr.split())


def test_a_second_session_with_the_probe_is_refused(house: House) -> None:
    house.do("calibration", "add", "marrow-probe", "--from", str(house.folder / "dip.toml"))  # makes the store
    with (house.folder / "log.sqlite.marrow-probe.sitting").open("ab") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        for arguments in (("calibrate", "marrow-probe"), ("verify", "marrow-probe", "--buffer", "gbt-phthalate")):
            result = house.do(*arguments)
            assert result.exit_code == 1
            assert "somebody works with marrow-probe already" in " ".join(result.stderr.split())


def test_where_nobody_can_answer_it_ends_and_changes_nothing(tmp_path: Path, simulator: Start) -> None:
    house = House(folder=tmp_path, port=simulator("quiet-night").port, more=MORE)
    command = [sys.executable, "-P", "-m", "logger", "calibrate", "marrow-probe", "-c", str(house.path)]
    ended = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False)
    assert ended.returncode == 1
    assert "Stopped: nothing was changed, the calibration in force stays." in ended.stdout
    assert "\x1b" not in ended.stdout
    assert house.json("calibration", "list", "marrow-probe")["calibrations"] == []


def answer(running: subprocess.Popen[str]) -> None:
    """Press Enter."""
    assert running.stdin is not None
    running.stdin.write("\n")
    running.stdin.flush()


def answer_until(running: subprocess.Popen[str], wanted: str) -> str:
    """Put it into the one buffer, take it when it is stable (again, if it moved just then); return what was said."""
    assert running.stdout is not None
    seen = ""
    while wanted not in seen:
        line = running.stdout.readline()
        assert line, f"it ended before {wanted!r}:\n{seen}"
        seen += line
        if "Buffer 1 of 1" in line or "STABLE: press Enter" in line:
            answer(running)
    return seen


@pytest.mark.slow
def test_where_the_input_ends_at_the_question_it_is_stored_and_says_how_to_use_it(
    tmp_path: Path, simulator: Start
) -> None:
    probe = simulator("quiet-night", speed=20.0)
    house = House(folder=tmp_path, port=probe.port, more="[simulation]\nspeed = 20\n")
    probe.hear("dip 4.003 25")
    command = [sys.executable, "-P", "-m", "logger", "calibrate", "marrow-probe", "-c", str(house.path)]
    with subprocess.Popen(
        [*command, "--buffers", "gbt-phthalate"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as running:
        assert running.stdin is not None
        assert running.stdout is not None
        seen = answer_until(running, "One buffer sets only the offset")
        answer(running)
        running.stdin.close()
        seen += running.stdout.read()
        assert running.wait(60) == 1
    told = " ".join(seen.split())
    assert "It wants y or n; Enter alone is neither." in told
    assert "Calibration 1 is stored, not in force. To put it in force later: vatvigil calibration use 1" in told
    (one,) = house.json("calibration", "list", "marrow-probe")["calibrations"]
    assert (one["accepted"], one["in_force"], one["never_used"]) == (False, False, True)


@pytest.mark.slow
def test_answers_from_a_pipe_do_too(tmp_path: Path, simulator: Start) -> None:
    probe = simulator("quiet-night", speed=20.0)
    house = House(folder=tmp_path, port=probe.port, more="[simulation]\nspeed = 20\n")
    probe.hear("dip 4.003 25")
    command = [sys.executable, "-P", "-m", "logger", "calibrate", "marrow-probe", "-c", str(house.path)]
    with subprocess.Popen(
        [*command, "--buffers", "gbt-phthalate", "--yes"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as running:
        seen = answer_until(running, "Now keep the bulb wet")
        answer(running)
        assert running.wait(60) == 0
    assert "One buffer sets only the offset" in " ".join(seen.split())
    (told,) = house.json("calibration", "list", "marrow-probe")["calibrations"]
    assert (told["accepted"], len(told["points"])) == (True, 1)
