"""`vatvigil init`: what it writes loads, and what would not is not written."""

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.cli import main
from logger.cli.init import InitAnswers, init, list_ports, written
from logger.config import AlarmKind, Priority, TargetConfig
from logger.settings import load
from logger.settings.profiles import PROFILES, Profile
from tests.examples import examples


def run(*options: str, answers: str = "") -> Result:
    return CliRunner().invoke(init, options, input=answers, catch_exceptions=False)


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "vatvigil.toml"


def test_the_defaults_load_and_watch_everything_but_a_ph_that_every_vat_begins_above(out: Path) -> None:
    result = run("--defaults", "--out", str(out))
    config = load(out, environ={})
    setpoints = {alarm.id: alarm.setpoint for alarm in config.vats[0].alarms if alarm.kind.has_value}
    # The defaults for a wild lactic ferment; common practice, no source.
    assert setpoints == {
        "ph-low": 3.0,
        "rate-of-change": 0.5,
        "rise": 0.1,
        "early-rise": 0.15,
        "cool": 16,
        "warm": 24,
        "temperature-low": 10,
        "temperature-high": 30,
        "slow-start": 66,
        "no-start": 84,
        "stall": 0.006,
        "fall-broke-off": 25,
        "deadline-warning": 72,
        "likely-late": 50,
        "deadline": 120,
    }
    kinds = {alarm.kind for alarm in config.vats[0].alarms}
    assert kinds == set(AlarmKind.of_vats()) - {AlarmKind.PH_HIGH, AlarmKind.DISAGREEMENT}
    assert config.vats[0].target == TargetConfig()
    assert (result.exit_code, config.simulated, config.mqtt) == (0, False, None)
    assert f"{out} written.\npH alone does not make food safe" in result.output


@pytest.mark.parametrize("profile", list(Profile))
def test_each_kind_of_ferment_loads_and_ph_high_is_a_comment_that_says_what_arms_it(
    out: Path, profile: Profile
) -> None:
    assert run("--defaults", "--profile", profile.value, "--out", str(out)).exit_code == 0
    written_alarms = {alarm.id: alarm for alarm in load(out, environ={}).vats[0].alarms}
    assert written_alarms.keys() >= PROFILES[profile].keys()
    assert "ph-high" not in written_alarms
    before, mark, after = out.read_text(encoding="utf-8").partition("# [vat.vat-1.alarm.ph-high]\n")
    assert "above-target" in before.splitlines()[-1]
    commented, _, rest = after.partition("\n\n")
    out.write_text(before + (mark + commented).replace("# ", "", 1).replace("\n# ", "\n") + "\n\n" + rest)
    added = {alarm.id: alarm for alarm in load(out, environ={}).vats[0].alarms}
    assert added.keys() == {*written_alarms, "ph-high"}
    high = added["ph-high"]
    assert (high.priority, high.reminder_s) == (Priority.HIGH, 900)
    assert high.setpoint is not None
    assert high.armed_ph == round(high.setpoint - 0.1, 1)


@pytest.mark.parametrize(
    ("seed", "poll_s"),
    [(1, 60), *(pytest.param(seed, 10, marks=pytest.mark.slow) for seed in range(1, 6))],
)
def test_a_normal_night_raises_no_alarm_of_what_is_written(out: Path, seed: int, poll_s: int) -> None:
    run("--defaults", "--simulated", "--out", str(out))
    out.write_text(out.read_text(encoding="utf-8").replace("poll_s = 10\n", f"poll_s = {poll_s}\n"), encoding="utf-8")
    arguments = ["replay", "--run", "normal-night", "--seed", str(seed), "--config", str(out), "--json"]
    result = CliRunner().invoke(main, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    told = [json.loads(line) for line in result.stdout.splitlines()]
    assert sum("measurement" in each for each in told) == pytest.approx(14 * 3600 / poll_s, rel=0.02)
    assert [each["transition"] for each in told if "transition" in each and each["transition"]["annunciates"]] == []


def test_the_file_says_what_it_cannot_do(out: Path) -> None:
    run("--defaults", "--out", str(out))
    header = out.read_text(encoding="utf-8").partition("[store]")[0]
    for caution in ("not a safety interlock", "pH alone does not make food safe", "licensed process authority"):
        assert caution in header


def test_options_stand_in_the_file(out: Path) -> None:
    options = {
        "--vat": "north-2",
        "--name": 'North "two" \\ Söhne',
        "--port": "socket://127.0.0.1:4001",
        "--profile": "kombucha",
        "--ph-low": "3.1",
        "--temperature-high": "25",
        "--temperature-low": "15",
        "--store": "night.sqlite",
        "--broker": "hub.example",
        "--broker-port": "1884",
    }
    result = run("--defaults", "--simulated", "--out", str(out), *(part for pair in options.items() for part in pair))
    assert result.exit_code == 0
    config = load(out, environ={})
    vat, mqtt = config.vats[0], config.mqtt
    assert (vat.id, vat.name, config.probes[0].port) == ("north-2", options["--name"], options["--port"])
    setpoints = {alarm.id: alarm.setpoint for alarm in vat.alarms}
    assert [setpoints[name] for name in ("ph-low", "temperature-high", "temperature-low")] == [3.1, 25, 15]
    assert "# setpoint = 4.2\n" in out.read_text(encoding="utf-8")  # of ph-high: what a kombucha is to reach
    assert (mqtt and mqtt.host, mqtt and mqtt.port) == ("hub.example", 1884)
    assert (config.store_url, config.simulated) == (f"sqlite:///{out.parent}/night.sqlite", True)


def test_questions_are_asked_only_for_what_no_option_says(out: Path) -> None:
    answers = "pickles\nvinegar\ncellar\nThe cellar\n/dev/ttyUSB7\n2.4\n\n\n\n\n"
    result = run("--out", str(out), "--store", "log.sqlite", answers=answers)
    config = load(out, environ={})
    assert (config.vats[0].id, config.vats[0].name, config.probes[0].port) == ("cellar", "The cellar", "/dev/ttyUSB7")
    setpoints = {alarm.id: alarm.setpoint for alarm in config.vats[0].alarms}
    assert (setpoints["ph-low"], setpoints["temperature-high"]) == (2.4, 36)  # as answered, and the profile's
    questions = [line for line in result.output.splitlines() if "]: " in line]
    assert [question.split()[0] for question in questions[:3]] == ["Kind", "Kind", "Id"]  # pickles are no kind
    assert "File of the log" not in result.output


def test_a_file_that_is_there_is_kept_unless_forced(out: Path) -> None:
    out.write_text("precious")
    refused = run("--defaults", "--out", str(out))
    assert (refused.exit_code, out.read_text()) == (1, "precious")
    assert f"Error: {out} is there already; choose another --out, or overwrite it with --force" in refused.output
    assert run("--defaults", "--force", "--out", str(out)).exit_code == 0
    assert load(out, environ={}).vats[0].id == "vat-1"


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    out = tmp_path / "nowhere" / "vatvigil.toml"
    result = run("--defaults", "--out", str(out))
    assert result.exit_code == 1
    assert f"Error: {out} cannot be written (No such file or directory); choose another --out" in result.output


def test_an_answer_that_cannot_be_used_writes_nothing(out: Path) -> None:
    result = run("--defaults", "--out", str(out), "--vat", "North", "--ph-low", "20")
    assert (result.exit_code, out.exists()) == (2, False)
    assert "nothing was written, an answer cannot be used:" in result.output
    assert "vat.North: this name cannot be used; use a-z, 0-9 and -" in result.output
    assert "vat.North.alarm.ph-low.setpoint = 20.0: this must lie between -2 and 16" in result.output


@settings(max_examples=examples(60), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=20), ph=st.floats())
def test_whatever_is_answered_the_file_loads_or_is_not_written(out: Path, text: str, ph: float) -> None:
    out.unlink(missing_ok=True)
    result = run(
        "--defaults", "--out", str(out), "--name", text, "--port", text, "--vat", text or "v", f"--ph-low={ph!r}"
    )
    assert out.exists() == (result.exit_code == 0)
    if out.exists():
        assert load(out, environ={}).vats[0].name == text


@given(name=st.text(st.characters(codec="utf-8"), min_size=1, max_size=20))
def test_every_name_is_quoted_so_that_toml_reads_it_back(name: str) -> None:
    text = written(
        InitAnswers(
            vat="v",
            name=name,
            port="p",
            profile=Profile.VINEGAR,
            ph_low=3.0,
            temperature_high=30.0,
            temperature_low=10.0,
            store="s",
            broker="",
            broker_port=1883,
            simulated=False,
        )
    )
    assert tomllib.loads(text)["vat"]["v"]["name"] == name


def test_ports_are_named_by_their_lasting_names(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-invented_0007").symlink_to(device)
    assert str(by_id / "usb-invented_0007") in list_ports(by_id)
    assert str(device) not in list_ports(by_id)


def test_it_is_a_command_of_the_program(tmp_path: Path) -> None:
    environ = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-P", "-m", "logger", "init", "--defaults"]
    done = subprocess.run(command, cwd=tmp_path, env=environ, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert load(tmp_path / "vatvigil.toml", environ={}).vats[0].id == "vat-1"
