"""A command is declared once: its module holds it, its name and its line in the list of commands."""

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from logger import cli

NAMES = sorted(path.stem for path in Path(cli.__file__).parent.glob("[!_]*.py"))


@pytest.mark.parametrize("name", NAMES)
def test_each_command_is_listed_with_the_first_line_of_its_module(name: str) -> None:
    module = import_module(f"logger.cli.{name}")
    line = str(module.__doc__).partition("\n")[0]
    shown = CliRunner().invoke(cli.main, ["--help"], terminal_width=80).output
    assert isinstance(getattr(module, name), click.Command)
    assert f"  {name:<11}  {line}\n" in shown


def test_the_list_imports_no_command() -> None:
    code = """
import sys
from click.testing import CliRunner
from logger.cli import main
assert CliRunner().invoke(main, ["--help"]).exit_code == 0
print([name for name in sys.modules if name.startswith("logger.cli.")])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        (("statsu",), "No such command 'statsu'. Did you mean 'status'?"),
        (("trust",), "No such command 'trust': `vatvigil help trust` tells of it."),
        (("qqqq",), "No such command 'qqqq'."),
        (("alarms", "jurnal"), "No such command 'jurnal'. Did you mean 'journal'?"),
        (("status", "--confog", "x"), "No such option '--confog'. Did you mean '--config'?"),
        (("help", "alarm"), "there is no topic 'alarm'; did you mean 'alarms'?"),
    ],
)
def test_a_mistyped_word_is_answered_with_the_nearest(typed: tuple[str, ...], sentence: str) -> None:
    result = CliRunner().invoke(cli.main, typed, prog_name="vatvigil")
    assert result.exit_code == 2
    assert result.stderr.rstrip().endswith(sentence)
