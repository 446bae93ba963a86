"""Share among commands: the configuration option, errors as sentences, tables for 80 columns, JSON.

Exit codes: 0 done; 1 it could not be done (the sentence on standard error says why); 2 the configuration or the command
line is wrong; 3 (`check`, `status`, `verify`) something needs attention.
"""

import os
import sys
from collections.abc import Callable, Iterable, Sequence
from functools import wraps
from math import isnan
from pathlib import Path
from shutil import get_terminal_size
from textwrap import fill, wrap
from typing import Any, ParamSpec, TypeVar

import click
import msgspec

from logger.config import Config
from logger.errors import ConfigurationError, VatvigilError
from logger.structs import replace

P = ParamSpec("P")
R = TypeVar("R")

ATTENTION = 3
CAUTION = (
    "pH alone does not make food safe: follow a tested recipe, local rules and a licensed process authority. "
    "This is no safety interlock."
)
WIDTH = 80
"""Columns of text where no terminal says that it has fewer."""
WIDEST_WORD = 24
"""A word up to this long stays whole in a table."""
SIMULATED = "SIMULATED: nothing here is a measurement of a real vat."

config_option = click.option(
    "--config",
    "-c",
    "config_path",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("vatvigil.toml"),
    envvar="VATVIGIL_CONFIG",
    show_default=True,
    help="The configuration file (also by the environment variable VATVIGIL_CONFIG).",
)


archive_option = click.option(
    "--archive",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Read this archive (`vatvigil archive`) in place of the store.",
)


class Between(click.FloatRange):
    """A number between two ends; not NaN, which no comparison finds outside."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:  # noqa: ANN401 - click's own
        """Return the number. Raises click.BadParameter."""
        number = super().convert(value, param, ctx)
        if isnan(number):
            self.fail(f"{value} is not in the range {self._describe_range()}.", param, ctx)
        return number


json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, for scripts.")


def sentences(command: Callable[P, R]) -> Callable[P, R]:
    """Turn an expected failure into its sentence on standard error and an exit code."""

    @wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except ConfigurationError as error:
            complain(f"Configuration: {error}")
            sys.exit(2)
        except VatvigilError as error:
            complain(f"Error: {error}")
            sys.exit(1)

    return wrapped


def complain(text: str) -> None:
    """Print on standard error: folded between words on a terminal, each line whole for a script."""
    click.echo(folded(text) if sys.stderr.isatty() else text, err=True)


def folded(text: str, *, indent: int = 0) -> str:
    """Return a text for the screen; what must be copied whole (paths, ids) is not broken."""
    width, margin = screen_width(), " " * indent
    return "\n".join(
        fill(
            line,
            width,
            initial_indent=margin,
            subsequent_indent=margin,
            break_long_words=False,
            break_on_hyphens=False,
        )
        for line in text.splitlines()
    )


def command_line(text: str, *, indent: int = 4) -> str:
    """Return a command to be copied: on a terminal in lines that a shell joins again, for a script in one."""
    margin = " " * indent
    if not sys.stdout.isatty():
        return margin + text
    parts = wrap(text, screen_width() - indent - 2, break_long_words=False, break_on_hyphens=False)
    return " \\\n".join(margin + part for part in parts)


def screen_width() -> int:
    """Return the columns for text: those of the terminal, at most 80, for longer lines are hard to read."""
    return min(WIDTH, get_terminal_size((WIDTH, 24)).columns) if sys.stdout.isatty() else WIDTH


def load_config(path: Path) -> Config:
    """Return the configuration. Raises ConfigurationError."""
    from logger import settings

    return settings.load(path, environ=os.environ)


def reading_from(config: Config, archive: Path | None) -> Config:
    """Return a configuration with an archive in the place of its store; None: as it is."""
    return config if archive is None else replace(config, store_url=f"sqlite:///{archive.resolve()}")


def print_json(content: object) -> None:
    """Print content as one indented JSON document; NaN as null."""
    click.echo(msgspec.json.format(msgspec.json.encode(content), indent=2).decode())


def print_table(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a table that fits the terminal (80 columns where there is none)."""
    from rich.box import Box
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    line_below_the_head = Box(
        "    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True
    )  # any terminal has these characters
    table = Table(title=title, title_justify="left", box=line_below_the_head, pad_edge=False)
    cells = list(rows)
    for number, column in enumerate(columns):
        words = " ".join([column, *(row[number] for row in cells)]).split()
        widest = min(max(map(len, words)), WIDEST_WORD)  # rich would break words of the narrow columns otherwise
        table.add_column(column, overflow="fold", min_width=widest)
    for row in cells:
        table.add_row(*(escape(cell) for cell in row))
    width = None if sys.stdout.isatty() else 80
    Console(width=width, highlight=False).print(table)


def warn_if_simulated(*, simulated: bool) -> None:
    """Say on standard error that what follows is simulated."""
    if simulated:
        click.echo(SIMULATED, err=True)
