"""Every command that README, DEVELOPERS and the help topics show is one that the programs take."""

import re
import shlex
import subprocess
from contextlib import suppress
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from logger.cli import main
from simulator.__main__ import main as simulator
from tests.help.documents import PROJECT, shell_lines, spans

FILES = ("night.jsonl", "north.jsonl", "north.bytes", "other.toml", "vatvigil.toml")
"""That the examples speak of."""
VATVIGIL = ("vatvigil", ".venv/bin/vatvigil", "/opt/vatvigil/bin/vatvigil")
WORDS = {"N": "2", "COMMAND": "status", "TOPIC": "alarms"}
"""What stands for a word of the user's."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in FILES:
        (tmp_path / name).touch()
    monkeypatch.chdir(tmp_path)


def programs(line: str) -> list[tuple[click.Command, list[str]]]:
    """Return each of our programs in a line of a shell, with its arguments."""
    found: list[tuple[click.Command, list[str]]] = []
    for command in re.split(r" && | \| ", line):
        words = shlex.split(command, comments=True)
        ours = next((at for at, word in enumerate(words) if word in VATVIGIL and "-u" not in words[at - 1 : at]), None)
        if words[:3] == ["python", "-m", "simulator"]:
            found.append((simulator, words[3:]))
        elif words[:4] == ["python", "-P", "-m", "logger"]:
            found.append((main, words[4:]))
        elif ours is not None and words[0] in ("sudo", *VATVIGIL):
            found.append((main, words[ours + 1 :]))
    return found


def parse(command: click.Command, arguments: list[str], parent: click.Context | None = None) -> None:
    """Parse a command line down to its last command, and run nothing. Raises click.UsageError."""
    context = command.make_context(command.name, list(arguments), parent=parent)
    rest = [*context._protected_args, *context.args]  # noqa: SLF001 - click has no public name for what a group leaves
    if isinstance(command, click.Group) and rest:
        _, below, arguments = command.resolve_command(context, rest)
        assert below is not None
        parse(below, arguments, context)


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(("name", "line"), shell_lines())
def test_a_command_line_is_one_that_a_shell_and_our_programs_take(name: str, line: str) -> None:
    del name
    subprocess.run(["/bin/sh", "-n", "-c", line], check=True)
    for command, arguments in programs(line):
        parse(command, arguments)


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(("name", "span"), sorted(set(spans())))
def test_a_command_in_a_sentence_is_there_with_its_options(name: str, span: str) -> None:
    del name
    words = [WORDS.get(word, word) for word in shlex.split(span)[1:]]
    # A sentence may leave out what it does not speak of; -h prints and ends.
    with suppress(click.MissingParameter, click.exceptions.NoArgsIsHelpError, click.exceptions.Exit):
        parse(main, words)


def test_files_of_this_folder_that_a_command_line_names_are_there() -> None:
    named = [word for _, line in shell_lines() for word in re.findall(r"(?:config_examples|tests)/[\w./-]*", line)]
    assert [path for path in named if not (PROJECT / path).exists()] == []


def test_an_unknown_topic_names_the_nearest_and_a_command_its_own_help() -> None:
    nearest = CliRunner().invoke(main, ["help", "alarm"])
    command = CliRunner().invoke(main, ["help", "status"])
    assert (nearest.exit_code, command.exit_code) == (2, 2)
    assert "did you mean 'alarms'?" in nearest.output
    assert "`vatvigil status -h` explains it" in command.output


def test_help_alone_lists_the_topics() -> None:
    shown = CliRunner().invoke(main, ["help"])
    assert shown.exit_code == 0
    assert "  alarms           which alarms there are" in shown.output
