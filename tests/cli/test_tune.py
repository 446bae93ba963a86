"""`vatvigil replay --with` and `vatvigil tune`: what is printed, and what is said of what cannot be done."""

import json
import os
import pty
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from logger import recording
from logger.recording import Header
from logger.structs import replace
from tests.cli.cli_fixture import SECOND_US, VAT, House
from tests.series import EPOCH_US, calibrate, calibration, of_ph

PROBE = "marrow-probe"
# A record a minute: at or above 4.6 in minutes 5-9, 20-59 and 80 to the end at 99, by less than a jump.
EXCURSIONS = [4.65 if 5 <= n < 10 or 20 <= n < 60 or n >= 80 else 4.5 for n in range(100)]
OTHER = (
    VAT.replace("on_delay_s = 0", "on_delay_s = 360") + "\n[vat.marrow.alarm.ph-low]\nsetpoint = 4.52\nwindow_s = 0\n"
)


def recorded(
    path: Path, ph: Sequence[float | None] = EXCURSIONS, *, probe: str = PROBE, calibrated: bool = True
) -> str:
    """Write a recording; return its path."""
    made = replace(calibrate(), probe=PROBE, vat="marrow", calibration=calibration(PROBE))
    header = Header(recording=1, simulated=False, vat="marrow", probe=probe, poll_s=60.0)
    with path.open("xb") as stream:
        rows = [of_ph(ph, every_s=60.0)] if len(ph) else []
        recording.write(stream, header, [made, *rows] if calibrated else rows)
    return str(path)


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(folder=tmp_path)


@pytest.fixture
def night(tmp_path: Path) -> str:
    return recorded(tmp_path / "night.jsonl")


def other(house: House, vats: str = OTHER) -> str:
    """Write other settings; return their path."""
    (house.folder / "there").mkdir()
    return str(House(folder=house.folder / "there", vats=vats).path)


def test_two_settings_are_compared_in_a_table(house: House, night: str) -> None:
    # by hand: 3 annunciations that stand for 5 + 40 + 19 min, 1 of them a nuisance; with a delay of 6 min two, for
    # 34 + 13 min. ph-low at 4.52 with its on-delay of 10 min: 0-5 and 10-20 are too short, 60-80 stands from 70
    result = house.do("replay", night, "--with", other(house))
    assert (result.exit_code, result.stderr) == (0, "")
    lines = [" ".join(line.split()) for line in result.stdout.splitlines()]
    assert "1 h 40 min from 2026-11-24 18:00:00 UTC" in " ".join(lines)
    assert "ph-high present 3 11-24 18:05 1 h 4 min 1" in lines
    assert "other 2 * 11-24 18:26 * 47 min * 0 *" in lines
    assert lines[lines.index("ph-low present not there") + 1] == "other 1 * 11-24 19:10 * 10 min * 1 *"
    assert "no-data both 0 - - 0" in lines
    assert "* differs (2 of 13 alarms). A nuisance returned by itself within 30 min," in lines
    assert [line for line in result.stdout.splitlines() if len(line) > 80] == []


def test_a_comparison_as_json_holds_the_same(house: House, night: str) -> None:
    told = house.json("replay", night, "--with", other(house), "--nuisance-within-s", "60")
    assert (told["vat"], told["records"], told["simulated"], told["calibrated"]) == ("marrow", 100, False, True)
    first, silent, *_ = told["alarms"]
    assert first == {
        "alarm": "ph-high",
        "present": {
            "annunciations": 3,
            "first_at_us": EPOCH_US + 300 * SECOND_US,
            "standing_s": 3840.0,
            "nuisance": 0,
        },
        "other": {
            "annunciations": 2,
            "first_at_us": EPOCH_US + 1560 * SECOND_US,
            "standing_s": 2820.0,
            "nuisance": 0,
        },
        "differs": True,
    }
    owed = ["no-calibration", "calibration-overdue", "check-overdue", "cleaning-overdue", "buffer-expired", "drifted"]
    shown = ["ph-high", "early-rise", "no-data", "blind", "trust-lost", "trust-doubted", *owed, "ph-low"]
    assert [alarm["alarm"] for alarm in told["alarms"]] == shown
    assert silent["differs"] is False


def test_settings_are_swept_in_a_table_with_the_present_one_marked(house: House, night: str) -> None:
    result = house.do("tune", "ph-high", night, "--on-delay-s", "0,360", "--nuisance-within-s", "900")
    assert (result.exit_code, result.stderr) == (0, "")
    lines = [" ".join(line.split()) for line in result.stdout.splitlines()]
    # 2 stretches are longer than 15 min; a hundred minutes hold 3 annunciations, 21.6 in 12 h
    assert lines[0] == "ph-high of marrow: 2 settings over 1 source, 1 h 40 min, 2 to detect"
    assert lines[3:5] == ["+ 360 14.4 0.0 0 6.0 6.0", ">+ 0 21.6 7.2 0 0.0 0.0"]


def test_a_sweep_as_json_holds_every_setting(house: House, night: str, tmp_path: Path) -> None:
    again = recorded(tmp_path / "again.jsonl", [4.5] * 50)
    options = ("--setpoint", "4.55,4.62", "--on-delay-s", "0,360", "--nuisance-within-s", "900")
    told = house.json("tune", "ph-high", night, again, *options)
    assert [(s["name"], s["records"], s["to_detect"]) for s in told["sources"]] == [(night, 100, 2), (again, 50, 0)]
    assert (told["limit"], len(told["settings"])) == (4.6, 5)
    (present,) = (s for s in told["settings"] if s["present"])
    assert {name: present[name] for name in ("setpoint", "annunciations", "nuisance", "delays_s", "missed")} == {
        "setpoint": 4.6,
        "annunciations": 3,
        "nuisance": 1,
        "delays_s": [0.0, 0.0],
        "missed": 0,
    }
    assert present["nuisance_per_night"] == pytest.approx(12 * 60 / 150)


def test_a_cell_is_what_a_replay_under_its_setting_tells(house: House, night: str) -> None:
    settings = house.json("tune", "ph-high", night, "--on-delay-s", "360")["settings"]
    compared = house.json("replay", night, "--with", other(house))["alarms"][0]
    told = {s["on_delay_s"]: s["annunciations"] for s in settings}
    assert told == {0.0: compared["present"]["annunciations"], 360.0: compared["other"]["annunciations"]}


def test_the_widest_table_fits_80_columns(house: House, night: str) -> None:
    options = "--setpoint 4.625,4.75 --deadband 0.025,0.05 --on-delay-s 0,86400 --off-delay-s 600 --window-s 600,86400"
    result = house.do("tune", "ph-high", night, *options.split())
    assert [line for line in result.stdout.splitlines() if len(line) > 80] == []
    assert len(result.stdout.splitlines()) > 17


def test_simulated_runs_say_that_they_are_simulated_and_know_their_faults(house: House) -> None:
    options = ("--run", "unplugged", "--seed", "1-2", "--on-delay-s", "0,900")
    result = house.do("tune", "no-data", *options)
    assert result.stderr == "SIMULATED: nothing here is a measurement of a real vat.\n"
    # unplugged 2.0-2.5 h and 5.0-5.1 h, that is twice a seed: 300 s of delay find all, 900 s miss the short one
    rows = [line.split() for line in result.stdout.splitlines() if re.match(r"\s*[>+]*\s+\d", line)]
    assert [(row[-6], row[-3]) for row in rows] == [("0", "0"), ("300", "0"), ("900", "2")]
    assert "since a fault began" in result.stdout


def test_the_stored_log_and_periods_of_it_are_sources(house: House) -> None:
    with house.watch() as watching:
        watching.take([144.9], first_us=EPOCH_US - 10 * SECOND_US)
        watching.calibrate(EPOCH_US)
        watching.take([144.9] * 20 + [130.0] * 20 + [144.9] * 20, first_us=EPOCH_US)
    period = "2026-11-24T18:01:00Z/2026-11-24T18:05:00Z"
    told = house.json("tune", "ph-high", "--stored", "--period", period, "--on-delay-s", "60")
    assert [(s["name"], s["records"]) for s in told["sources"]] == [
        ("the stored log of marrow", 61),
        (f"marrow {period}", 24),
    ]
    compared = house.json("replay", "--period", period, "--with", str(house.path))
    assert (compared["records"], compared["calibrated"]) == (24, True)


def test_progress_is_shown_to_a_terminal_alone(house: House, night: str) -> None:
    ours, theirs = pty.openpty()
    command = [sys.executable, "-P", "-m", "logger", "tune", "ph-high", night, "--on-delay-s", "60", "--json"]
    process = subprocess.run([*command, "-c", str(house.path)], stdout=subprocess.PIPE, stderr=theirs, check=True)
    os.close(theirs)
    shown = os.read(ours, 10_000).decode()
    os.close(ours)
    assert "100%" in shown
    assert json.loads(process.stdout)["alarm"] == "ph-high"


@pytest.mark.parametrize(
    ("arguments", "code", "why"),
    [
        ("tune ph-hihg NIGHT --setpoint 4.7", 1, "has no alarm 'ph-hihg'; did you mean 'ph-high'?"),
        ("tune ph-high NIGHT", 2, "give values to try, by --setpoint"),
        ("tune ph-high NIGHT --setpoint 4.6", 1, "nothing to try but the present setting of ph-high"),
        ("tune ph-high --setpoint 4.7", 2, "give a recording, --run NAME, --stored or --period"),
        ("tune ph-high NIGHT --setpoint 4.7,a", 2, "'4.7,a' is not numbers with commas between them"),
        ("tune ph-high NIGHT --setpoint 4.7,nan", 2, "no finite number"),
        ("tune ph-high NIGHT --setpoint 400", 1, "vat.marrow.alarm.ph-high.setpoint = 400"),
        ("tune ph-high --run quiet-night --seed 3-1 --setpoint 4.7", 2, "'3-1' must be seeds"),
        ("tune ph-high --run quiet-night --seed x --setpoint 4.7", 2, "'x' is not seeds such as"),
        ("tune ph-high --period 2026-11-24T18:00:00Z --setpoint 4.7", 2, "is not FROM/TO"),
        ("tune ph-high --period 2026-11-24T18:00:00Z/2026-11-24T18:00:00Z --setpoint 4.7", 2, "ends before it begins"),
        ("tune ph-high --stored --setpoint 4.7", 1, "There is no store"),
        ("tune ph-high NIGHT --vat squash --setpoint 4.7", 2, "--vat must name one of"),
        ("tune ph-high STRANGE --setpoint 4.7", 1, "is of probe p2, and vat marrow is watched by marrow-probe"),
        ("tune ph-high BARE --setpoint 4.7", 1, "holds no calibration of marrow-probe, so no pH is claimed"),
        ("tune ph-high EMPTY --setpoint 4.7", 1, "holds no record"),
        ("replay STRANGE", 1, "is of probe p2, and vat marrow is watched by marrow-probe"),
        ("replay EMPTY --with OTHER", 1, "holds no record"),
        ("replay NIGHT --with ELSEWHERE", 1, "the other configuration has no vat marrow, only squash"),
        ("replay NIGHT --with ABSENT", 2, "absent.toml"),
        ("replay NIGHT --with OTHER --store x.db", 2, "a comparison is not stored"),
        ("replay NIGHT --stored --with OTHER", 2, "give one of: a RECORDING, --run NAME, --stored, --period"),
    ],
)
def test_what_cannot_be_done_is_said_with_what_to_do(
    house: House, night: str, arguments: str, code: int, why: str
) -> None:
    folder = house.folder
    (folder / "elsewhere").mkdir()
    named = {
        "NIGHT": night,
        "STRANGE": recorded(folder / "strange.jsonl", probe="p2"),
        "BARE": recorded(folder / "bare.jsonl", calibrated=False),
        "EMPTY": recorded(folder / "empty.jsonl", []),
        "OTHER": other(house),
        "ELSEWHERE": str(House(folder=folder / "elsewhere", vats=VAT.replace("vat.marrow", "vat.squash")).path),
        "ABSENT": str(folder / "absent.toml"),
    }
    result = house.do(*(named.get(part, part) for part in arguments.split()))
    assert (result.exit_code, result.stdout) == (code, "")
    assert why in " ".join(result.stderr.split())


def test_a_recording_without_a_calibration_is_compared_and_says_so(house: House) -> None:
    bare = recorded(house.folder / "bare.jsonl", calibrated=False)
    result = house.do("replay", bare, "--with", other(house))
    assert result.exit_code == 0
    assert "No calibration is in force in it, so no pH is claimed" in result.stdout
