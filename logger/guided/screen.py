"""Show a session: as a picture that is drawn over on a terminal, as lines one after another elsewhere.

Law: as wide as the terminal, 80 columns at most; what is said stays, what is shown changes. A key and its word are
never torn apart. Nothing is told by colour alone.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from textwrap import wrap
from types import TracebackType
from typing import Self, TextIO

import click
from rich.console import Console
from rich.live import Live
from rich.text import Text

from logger.guided.view import ScreenLine, Tone
from logger.guided.words import NO_BREAK

WIDTH = 80
_STYLES = {Tone.PLAIN: "", Tone.GOOD: "bold green", Tone.WAIT: "yellow", Tone.BAD: "bold red"}


class Screen(ABC):
    """Shows a session inside its `with` block."""

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(  # noqa: B027 - a screen that is only printed to has nothing to give back
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End; the terminal is as it was."""

    @abstractmethod
    def say(self, lines: Sequence[str]) -> None:
        """Print lines that stay."""

    @abstractmethod
    def show(self, picture: Sequence[ScreenLine], brief: str) -> None:
        """Show the picture of now, or what matters of it if it has changed."""


class Terminal(Screen):
    """A terminal."""

    def __init__(self, stream: TextIO) -> None:
        """Draw on a stream that is a terminal."""
        self._console = Console(file=stream, highlight=False, soft_wrap=True)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)

    def __enter__(self) -> Self:
        """Begin to draw."""
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the picture away, give the cursor back."""
        self._live.stop()

    def say(self, lines: Sequence[str]) -> None:
        """Print above the picture, at once; the picture is taken away first, for each print would draw it once more.

        What stood in it is over: a person must not answer it.
        """
        if lines:
            self._live.update(Text(""), refresh=True)
            self._console.print(Text("\n".join(folded(lines, self._width))))

    def show(self, picture: Sequence[ScreenLine], brief: str) -> None:  # noqa: ARG002 - the other screen's
        """Draw over what was drawn."""
        folded_lines = [(line, one.tone) for one in picture for line in folded([one.text], self._width)]
        self._live.update(Text("\n").join(Text(line, _STYLES[tone]) for line, tone in folded_lines), refresh=True)

    @property
    def _width(self) -> int:
        return min(WIDTH, self._console.width)


class Plain(Screen):
    """A pipe, a file, a terminal that cannot be drawn on."""

    def __init__(self, stream: TextIO) -> None:
        """Print on a stream."""
        self._stream, self._last = stream, ""

    def say(self, lines: Sequence[str]) -> None:
        """Print."""
        for line in folded(lines):
            click.echo(line, file=self._stream)

    def show(self, picture: Sequence[ScreenLine], brief: str) -> None:  # noqa: ARG002 - the other screen's
        """Print what matters when it says something else than before, its figures aside."""
        text_only = brief.partition(": ")[2]
        if text_only and text_only != self._last:
            self.say([f"  {brief}"])
        self._last = text_only


def fitting(stream: TextIO) -> Screen:
    """Return the screen that fits a stream."""
    return Terminal(stream) if stream.isatty() else Plain(stream)


def folded(lines: Sequence[str], width: int = WIDTH) -> list[str]:
    """Return the lines folded, each under its own indent; what no-break spaces hold together is not torn apart."""
    folded_lines = []
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip(" -")))
        folded_lines += wrap(line, width, subsequent_indent=indent, break_on_hyphens=False) or [""]
    return [line.replace(NO_BREAK, " ") for line in folded_lines]
