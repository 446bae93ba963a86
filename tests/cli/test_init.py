"""`vatvigil init`: what it writes loads, and what would not is not written."""

import json
import os
import stat
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from _pytest.monkeypatch import MonkeyPatch
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.cli import main
from logger.cli._init_file import defaults, written
from logger.cli.init import init
from logger.config import AlarmKind, Priority, QuietConfig, TargetConfig
from logger.settings import load
from logger.settings.profiles import PROFILES, Profile
from logger.structs import replace
from tests.examples import examples
from tests.parts.mosquitto import Mosquitto


def run(*options: str, answers: str = "") -> Result:
    return CliRunner().invoke(init, options, input=answers, catch_exceptions=False)


def answered(*answers: str) -> str:
    return "".join(f"{answer}\n" for answer in answers)


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
    assert config.people.quiet == QuietConfig(begin_min=22 * 60, end_min=7 * 60)
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
def test_a_normal_night_raises_no_alarm_but_asks_for_a_confirmation(out: Path, seed: int, poll_s: int) -> None:
    run("--defaults", "--simulated", "--out", str(out))
    out.write_text(out.read_text(encoding="utf-8").replace("poll_s = 10\n", f"poll_s = {poll_s}\n"), encoding="utf-8")
    arguments = ["replay", "--run", "normal-night", "--seed", str(seed), "--config", str(out), "--json"]
    result = CliRunner().invoke(main, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    told = [json.loads(line) for line in result.stdout.splitlines()]
    assert sum("measurement" in each for each in told) == pytest.approx(14 * 3600 / poll_s, rel=0.02)
    alarms = [each["transition"] for each in told if "transition" in each and each["transition"]["annunciates"]]
    assert [one for one in alarms if one["alarm"] != AlarmKind.UNCONFIRMED or one["priority"] == Priority.HIGH] == []


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


ALL = answered(
    "real", "9", "4", "Kübel  drei", "4,3", "19", "31", "/dev/absent", "y", "Europe/Lisbn", "Europe/Lisbon", "22-7",
    "21:30 to 6:15", "-", "",
)  # fmt: skip
"""Every question answered, four of them wrong at first."""


def test_every_answer_is_checked_when_it_is_given_and_stands_in_the_file(out: Path) -> None:
    result = run("--out", str(out), answers=ALL)
    config = load(out, environ={})
    vat = config.vats[0]
    assert (vat.id, vat.name, config.probes[0].port) == ("kuebel-drei", "Kübel drei", "/dev/absent")
    setpoints = {alarm.id: alarm.setpoint for alarm in vat.alarms}
    assert (setpoints["ph-low"], setpoints["temperature-low"], setpoints["temperature-high"]) == (2.5, 19, 31)
    assert vat.target is not None
    assert vat.target.ph == 4.3
    assert next(alarm.above_ph for alarm in vat.alarms if alarm.kind is AlarmKind.STALL) == 4.3
    quiet = QuietConfig(begin_min=21 * 60 + 30, end_min=6 * 60 + 15)
    assert (config.people.zone, config.people.quiet) == ("Europe/Lisbon", quiet)
    for reason in (
        "'9' is none of these; write its number or its name.",
        "In commands and topics it is kuebel-drei.",
        "There is no such port; check the cable and the path.",
        "'Europe/Lisbn' is no time zone;",
        "'22' is no time of day, such as 22:00.",
    ):
        assert reason in result.output


def test_a_figure_is_checked_against_the_rest_of_the_configuration(out: Path) -> None:
    answers = answered("", "Vat", "four", "20", "4.4", "40", "12", "8", "30", "/dev/absent", "y", "", "", "", "")
    result = run("--out", str(out), "--real", answers=answers)
    assert result.exit_code == 0
    assert "'four' is no number, such as 4.6 or 4,6." in result.output
    assert "target.ph = 20.0: this must lie between 0 and 14;" in " ".join(result.output.split())
    setpoints = {alarm.id: alarm.setpoint for alarm in load(out, environ={}).vats[0].alarms}
    assert (setpoints["temperature-low"], setpoints["temperature-high"]) == (12, 30)


def test_questions_are_asked_only_for_what_no_option_says(out: Path) -> None:
    options = ["--out", str(out), "--real", "--profile", "vinegar", "--zone", "UTC", "--quiet", "-", "--broker", "-"]
    result = run(*options, answers=answered("The cellar", "", "", "/dev/ttyUSB7", "y", ""))
    config = load(out, environ={})
    assert (config.vats[0].id, config.probes[0].port, config.people.quiet) == ("the-cellar", "/dev/ttyUSB7", None)
    asked = [line.partition(" [")[0] for line in result.output.splitlines() if "]: " in line]
    assert asked == [
        "Name of the vat",
        "Wake somebody when it is as cold as (C)",
        "Wake somebody when it is as warm as (C)",
        "Port of the probe",
        "Keep this port and go on?",
    ]


def test_whoever_is_interrupted_goes_on_where_they_were(out: Path) -> None:
    stopped = run("--out", str(out), answers=answered("real", "kombucha", "Kübel drei", "4,3"))
    kept = out.with_name("vatvigil.toml.answers")
    assert (stopped.exit_code, out.exists()) == (1, False)
    assert f"Your answers are kept in {kept}: the next `vatvigil init` offers them again." in " ".join(
        stopped.stderr.split()
    )
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    result = run("--out", str(out), answers=answered("", "", "", "", "", "", "/dev/absent", "y", "", "", "", ""))
    assert "Your answers of before are offered again" in result.output
    vat = load(out, environ={}).vats[0]
    assert (vat.id, vat.target and vat.target.ph, kept.exists()) == ("kuebel-drei", 4.3, False)


def test_the_address_of_a_push_service_has_a_file_of_its_own(out: Path) -> None:
    pytest.importorskip("apprise")
    options = [
        "--out",
        str(out),
        "--real",
        "--profile",
        "vinegar",
        "--name",
        "V",
        "--port",
        "/dev/absent",
        "--zone",
        "UTC",
    ]
    options += ["--temperature-low", "19", "--temperature-high", "31", "--quiet", "-", "--broker", "-"]
    result = run(*options, answers=answered("secret-bell", "json://secret-bell.example"))
    assert result.exit_code == 0
    assert "push.urls: number 1 is no address of a service" in " ".join(result.output.split())
    file = out.with_name("vatvigil.push_urls")
    assert (file.read_text(), stat.S_IMODE(file.stat().st_mode)) == ("json://secret-bell.example", 0o600)
    push = load(out, environ={}).push
    assert push is not None
    assert push.urls == ("json://secret-bell.example",)
    assert "secret" not in out.read_text() + result.output


def test_nothing_is_kept_where_nothing_was_answered(out: Path) -> None:
    stopped = run("--out", str(out))
    assert (stopped.exit_code, list(out.parent.iterdir())) == (1, [])
    assert "Stopped; nothing is written." in stopped.stderr


def test_a_simulated_probe_beside_a_real_one_has_files_of_its_own(tmp_path: Path, monkeypatch: MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("--defaults", "--broker", "localhost").exit_code == 0
    result = run("--defaults", "--simulated", "--broker", "localhost")
    real, simulated = (load(tmp_path / name, environ={}) for name in ("vatvigil.toml", "simulated.toml"))
    assert (real.simulated, simulated.simulated, real.store_url == simulated.store_url) == (False, True, False)
    assert real.mqtt is not None
    assert simulated.mqtt is not None
    assert real.mqtt.client_id != simulated.mqtt.client_id
    assert f"--link {tmp_path}/simulated-probe" in result.output
    assert "calibration add vat-1-probe --from dip.toml --made-at yesterday -c simulated.toml" in result.output


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
    result = run("--defaults", "--out", str(out), "--ph-low", "20")
    assert (result.exit_code, out.exists()) == (2, False)
    assert "--ph-low: vat.vat-1.alarm.ph-low.setpoint = 20.0: this must lie between -2 and 16" in result.output


@settings(max_examples=examples(60), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=20), ph=st.floats())
def test_whatever_is_answered_the_file_loads_or_is_not_written(out: Path, text: str, ph: float) -> None:
    out.unlink(missing_ok=True)
    result = run("--defaults", "--out", str(out), f"--name={text}", f"--port={text}", f"--ph-low={ph!r}")
    assert out.exists() == (result.exit_code == 0)
    if out.exists():
        assert load(out, environ={}).vats[0].name == " ".join(text.split())


@given(name=st.text(st.characters(codec="utf-8"), min_size=1, max_size=20))
def test_every_name_is_quoted_so_that_toml_reads_it_back(name: str) -> None:
    text = written(replace(defaults(Profile.VINEGAR, simulated=False), vat="v", name=name))
    assert tomllib.loads(text)["vat"]["v"]["name"] == name


def test_it_is_a_command_of_the_program(tmp_path: Path) -> None:
    environ = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-P", "-m", "logger", "init", "--defaults"]
    done = subprocess.run(command, cwd=tmp_path, env=environ, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert load(tmp_path / "vatvigil.toml", environ={}).vats[0].id == "vat-1"


@pytest.mark.slow
def test_the_broker_is_tried_with_user_and_password_which_has_a_file_of_its_own(
    out: Path, mosquitto: Callable[..., Mosquitto]
) -> None:
    broker = mosquitto(passwords={"hub": "right"})
    options = ["--out", str(out), "--real", "--profile", "vinegar", "--name", "V", "--port", "/dev/absent"]
    options += ["--temperature-low", "19", "--temperature-high", "31", "--zone", "UTC", "--quiet", "-"]
    wrong, right = ["hub", "wrong", "n"], ["", "", "right", ""]
    result = run(*options, answers=answered(f"127.0.0.1:{broker.port}", *wrong, *right))
    assert result.exit_code == 0
    told = " ".join(result.output.split())
    assert "refuses user 'hub': Not authorized; check mqtt.username and the password." in told
    assert "The broker accepts the connection." in told
    password_file = out.with_name("vatvigil.mqtt_password")
    assert (password_file.read_text(), stat.S_IMODE(password_file.stat().st_mode)) == ("right", 0o600)
    mqtt = load(out, environ={}).mqtt
    assert mqtt is not None
    assert (mqtt.username, mqtt.password) == ("hub", "right")
    assert "right" not in out.read_text() + result.output
