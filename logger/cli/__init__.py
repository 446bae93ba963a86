"""Commands: parse, call, print. No rule of the trade lives here.

Each command is imported when it is called for, so that the daemon does not carry what only a report needs.
"""

import importlib
import os
import sys
from collections.abc import Mapping

import click

_COMMANDS: Mapping[str, str] = {
    "init": "write a commented configuration",
    "ports": "list the serial ports, who holds them and who may use them",
    "listen": "show what a probe says, and suggest a description of its lines",
    "check": "try the configuration, probes, store and broker",
    "run": "watch: the daemon",
    "status": "what the daemon knows now",
    "alarms": "list, acknowledge, shelve",
    "rehearse": "the good-night test: does an alarm reach you?",
    "mark": "say what was done at a vat",
    "calibrate": "calibrate a probe, guided",
    "verify": "check a probe in a buffer, or beside another instrument",
    "uncertainty": "what the doubt of a reading is made of",
    "calibration": "put a calibration in force, list them",
    "electrode": "the condition of an electrode over its life",
    "correction": "correct the log by how a calibration was found, and take it back",
    "replay": "a recording or a stored period through the same pipeline",
    "decode": "recorded bytes through the decoder once more",
    "tune": "try settings of an alarm on the past",
    "export": "the log as CSV or as a recording",
    "demo": "a night in a minute, no configuration needed",
    "help": "read about a topic: alarms, calibrating, mqtt, probes ...",
}
"""Name of each command (a module of this package that holds a click command of that name) and what it does."""


class _Lazy(click.Group):
    """Imports a command's module when it is called for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's interface
        """Return the names in the order in which a user meets them."""
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's interface
        """Import and return a command."""
        if cmd_name not in _COMMANDS:
            return None
        command = getattr(importlib.import_module(f"logger.cli.{cmd_name}"), cmd_name)
        if not isinstance(command, click.Command):
            raise TypeError(f"logger.cli.{cmd_name} holds no command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - click's
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


@click.command(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="vatvigil")
def main() -> None:
    """Watch a fermenting vat through the night by its pH.

    Begin with `vatvigil demo`, or with `vatvigil init` and a probe; `vatvigil help` is the reference. pH alone does not
    make food safe: follow a tested recipe, local rules and a licensed process authority. This is no safety interlock.

    Exit codes: 0 done, 1 it could not be done, 2 wrong configuration or command line, 3 something needs attention.
    """
    _open_closed_streams()


def _open_closed_streams() -> None:
    """Let what was closed before we began lead nowhere: else a print fails, or a port or file gets its number."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: PTH123, SIM115 - open to the end
