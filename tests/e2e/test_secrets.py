"""No secret in what the daemon or any command says, stores, sends or is called: greps for each of them everywhere."""

import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import psutil
import pytest
from click.testing import CliRunner

from logger.cli import main
from tests.channels.factories import script
from tests.e2e.test_hook import CALM
from tests.parts.daemon import MakeNight, Night
from tests.parts.mosquitto import MakeMosquitto, Subscriber, free_port
from tests.parts.postgres import Postgres
from tests.parts.receiver import Receiver

PASSWORD = "nightroot-9d1c-under-the-stairs"  # noqa: S105 - only a test's
ARGUMENT = "--token=ringroot-77aa-behind-the-door"
TOKEN = "medlarroot-31bb-in-the-loft"  # noqa: S105 - only a test's
SECRETS = (PASSWORD, ARGUMENT, ARGUMENT.partition("=")[2], TOKEN)
CHATTY = 'echo "curl: (7) failed to reach https://bell.example/?$1"; exit 1'
"""A hook that says its arguments when it fails, as many programs do."""
COMMANDS: Sequence[Sequence[str]] = (
    ("check", "--json"),
    ("check",),
    ("status", "--json"),
    ("status",),
    ("alarms", "--json", "--all"),
    ("alarms", "journal", "--json"),
    ("calibration", "list", "--json"),
    ("uncertainty", "marrow", "--json"),
    ("export", "marrow"),
    ("replay", "marrow", "--json"),
)


def run(here: Night, *arguments: str) -> str:
    """Run a command in this process; return all that it says."""
    done = CliRunner().invoke(main, [*arguments, "-c", str(here.config_file)], catch_exceptions=False)
    return f"{done.output}{done.stderr}"


def everything_said(here: Night) -> dict[str, str]:
    return {" ".join(arguments): run(here, *arguments) for arguments in COMMANDS}


def leaks(places: dict[str, str]) -> list[tuple[str, str]]:
    assert [place for place, text in places.items() if not text] == []
    return [(place, secret) for place, text in places.items() for secret in SECRETS if secret in text]


def addresses(failing: Receiver, silent: Receiver) -> str:
    """Return push services and a dead man's switch whose addresses hold a secret, so as to be told of in the log."""
    push = [f"json://{TOKEN}@127.0.0.1:{port}/{TOKEN}?+X-Key={TOKEN}" for port in (failing.port, silent.port)]
    dead_man = f'[dead_man]\nurl = "http://127.0.0.1:{failing.port}/{TOKEN}"\nevery_s = 10\n'
    return f"[push]\nurls = {push}\nretries = 0\ntimeout_s = 20\n{dead_man}"


def title_of(process: psutil.Process) -> str:
    """Return what every user of the machine, or its administrator, can see of a process."""
    try:
        return " ".join(process.cmdline()) + process.name() + json.dumps(process.environ())
    except psutil.NoSuchProcess:
        return ""


@pytest.mark.parametrize(
    "right", [pytest.param(True, id="right password"), pytest.param(False, id="wrong password", marks=pytest.mark.slow)]
)
def test_passwords_arguments_and_addresses_are_nowhere_but_where_they_were_put(
    night: MakeNight,
    mosquitto: MakeMosquitto,
    receiver: Receiver,
    other_receiver: Receiver,
    tmp_path: Path,
    *,
    right: bool,
) -> None:
    receiver.status, other_receiver.silent = 500, True
    broker = mosquitto(passwords={"watch": PASSWORD if right else "another", "hub": "hub"})
    login = 'username = "watch"\npassword_file = "../secret"\n'
    (tmp_path / "secret").write_text(PASSWORD + "\n")
    here = night(CALM, speed=100, poll_s=5, starts_h=1.0, broker=broker.port, mqtt=login)
    hook = f'\n[hook]\ncommand = ["{script(here.folder, CHATTY)}", "{ARGUMENT}"]\nafter_s = 0\nretries = 0\n'
    here.config_file.write_text(here.config_file.read_text() + hook + addresses(receiver, other_receiver))
    here.options = ("--verbose",)
    with Subscriber(port=broker.port, username="hub", password="hub") as hub:  # noqa: S106 - only a test's
        here.start_and_watch(records=5)
        here.until(lambda: ("Connected" if right else "refuses user 'watch'") in here.log, "word of the broker")
        here.until(lambda: "The second way out failed" in here.log, "word of the hook")
        here.until(lambda: "Push service 1 (json) failed" in here.log, "word of the service")
        here.until(lambda: other_receiver.tries > 0, "a push that goes on")
        assert here.process is not None
        process = psutil.Process(here.process.pid)
        title = "".join(map(title_of, [process, *process.children(recursive=True)]))
        assert "push_sender.py" in title
        places = everything_said(here)
        if right:  # else nobody is told of anything, and the switch is rightly not fed
            here.until(lambda: "The dead man's switch could not be fed" in here.log, "word of the switch")
        messages = "".join(message.topic + message.payload for message in hub.received)
    assert here.stop() == 0
    places |= {"title": title, "log": here.log, "broker": broker.log}
    places |= {"messages": messages} if right else {}
    places["store"] = (here.folder / "night.db").read_bytes().decode("latin-1")
    assert "The second way out said" in here.log
    assert leaks(places) == []


@pytest.mark.slow
def test_the_password_of_a_database_is_in_no_word_of_any_command(
    night: MakeNight, postgres: Postgres, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    here = night(CALM, calibrated=False, broker=free_port())
    (tmp_path / "right").write_text(postgres.url("postgres"))
    (tmp_path / "wrong").write_text(postgres.url("postgres").replace(postgres.password, PASSWORD))
    (tmp_path / "odd").write_text(f"postgresql://watch:{PASSWORD}/x@127.0.0.1:{postgres.port}/db")
    text = here.config_file.read_text()
    said: dict[str, str] = {}
    for name in ("right", "wrong", "odd"):
        here.config_file.write_text(text.replace('path = "night.db"', f'url_file = "../{name}"'))
        said |= {f"{name} {words}": run(here, *words.split()) for words in ("check", "status --json")}
        if name != "right":
            command = [sys.executable, "-P", "-m", "logger", "run", "--verbose", "-c", str(here.config_file)]
            done = subprocess.run(command, capture_output=True, check=False, text=True, timeout=60)
            said[f"{name} run"] = done.stdout + done.stderr
            assert (done.returncode, "Traceback" in done.stderr) == (1, False)
    assert "password authentication failed" in said["wrong run"]
    said["log"] = f"of all: {caplog.text}"
    assert leaks(said) == []
    assert [place for place, words in said.items() if postgres.password in words] == []
