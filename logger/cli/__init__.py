"""Parse, call, print: the commands. No rule of the trade lives here.

A command NAME is the module NAME.py of this package: the first line of its docstring is its line in `vatvigil --help`,
and it holds a click command called NAME. It is imported when it is called for, so that the daemon does not carry what
only a report needs.
"""

import ast
import importlib
import os
import sys
from pathlib import Path

import click

from logger.help import TOPICS

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: its threads, of no use here, cost 5 % of a start

_ORDER = (
    *("init", "ports", "listen", "check", "run", "status", "night", "show", "page"),
    *("alarms", "rehearse", "mark", "batch"),
    *("calibrate", "verify", "uncertainty", "calibration", "electrode", "care", "correction"),
    *("replay", "decode", "tune", "export", "restore", "archive", "demo", "help"),
)
"""The order in which a user meets them; what is not named here comes last."""


class _Lazy(click.Group):
    """Imports a command's module when it is called for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's interface
        """Return the names in the order in which a user meets them."""
        names = sorted(path.stem for path in Path(__file__).parent.glob("[!_]*.py"))
        return sorted(names, key=lambda name: _ORDER.index(name) if name in _ORDER else len(_ORDER))

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return a command."""
        if cmd_name not in self.list_commands(ctx):
            return None
        command = getattr(importlib.import_module(f"logger.cli.{cmd_name}"), cmd_name)
        if not isinstance(command, click.Command):
            raise TypeError(f"logger.cli.{cmd_name} holds no command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command that is called for; of a mistyped one say what may be meant."""
        try:
            return super().resolve_command(ctx, args)
        except click.NoSuchCommand as unknown:
            name = unknown.command_name
            message = f"No such command {name!r}: `vatvigil help {name}` tells of it." if name in TOPICS else None
            raise click.NoSuchCommand(name, message, self.list_commands(ctx), ctx) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, _help_line(name)) for name in self.list_commands(ctx)])


def _help_line(name: str) -> str:
    """Return the first line of a command's module, which is read and not imported."""
    source = Path(__file__).with_name(f"{name}.py").read_text(encoding="utf-8")
    return (ast.get_docstring(ast.parse(source)) or "").partition("\n")[0]


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
