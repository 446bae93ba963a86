"""Draw a curve for a command, as wide as the terminal and with the characters that it knows.

Law: without the package that draws, the words stand alone and a sentence says why.
"""

import shutil
import sys
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from logger.report.curve import Curve
    from logger.report.local_time import LocalTime

WIDEST, PIPED = 120, 80


def _width() -> int:
    """Return how wide to draw: as the terminal, within bounds, for a picture bears longer lines than text."""
    return min(WIDEST, shutil.get_terminal_size((PIPED, 24)).columns) if sys.stdout.isatty() else PIPED


def is_ascii() -> bool:
    """Tell whether standard output knows ASCII only, as in the C locale."""
    try:
        "⣿·│".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return True
    return False


def draw(curve: "Curve", clock: "LocalTime") -> None:
    """Print the picture; where the package that draws is missing or broken, say so."""
    try:
        from logger.report import terminal_plot
    except ImportError as missing:
        click.echo(f"No picture: {str(missing).splitlines()[0]}", err=True)
        return
    style = terminal_plot.PlotStyle(width=_width(), clock=clock, is_ascii=is_ascii())
    click.echo("\n".join(terminal_plot.lines(curve, style)))
