"""Show a page again and again on a terminal, until somebody presses Ctrl-C.

Law: the screen is given back as it was. What does not fit is counted, not scrolled: the top of the page matters most.
"""

import signal
import sys
import time
from collections.abc import Callable, Sequence

import click

LOOK_S = 0.1
"""So often it is looked whether Ctrl-C was pressed."""


def watch(page: Callable[[], Sequence[str]], *, every_s: float) -> None:
    """Draw what `page` returns, at each interval anew; return at Ctrl-C. Raises click.UsageError without a terminal."""
    if not sys.stdout.isatty():
        raise click.UsageError("--watch draws over the screen, so it wants a terminal: leave it out")
    from rich.live import Live
    from rich.text import Text

    pressed: list[int] = []  # an exception could be lost in the midst of a query, so Ctrl-C only leaves a note
    before = signal.signal(signal.SIGINT, lambda number, _frame: pressed.append(number))
    try:
        with Live(screen=True, auto_refresh=False) as live:
            while not pressed:
                live.update(Text("\n".join(_fitting(page(), rows=live.console.height))), refresh=True)
                _wait(every_s, pressed)
    finally:
        signal.signal(signal.SIGINT, before)


def _wait(seconds: float, pressed: Sequence[int]) -> None:
    until = time.monotonic() + seconds
    while not pressed and time.monotonic() < until:
        time.sleep(LOOK_S)


def _fitting(lines: Sequence[str], *, rows: int) -> Sequence[str]:
    if len(lines) <= rows:
        return lines
    left = len(lines) - rows + 1
    return [*lines[: rows - 1], f"... {left} more lines: make the window higher"]
