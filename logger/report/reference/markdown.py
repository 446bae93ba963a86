"""Markdown that is readable as it stands: tables with padded columns, lists folded to 100 columns."""

import textwrap
from collections.abc import Iterable, Sequence
from typing import Final

WIDTH: Final = 100


def table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a Markdown table with padded columns."""
    lines = [list(header), *(list(row) for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(header))]
    lines.insert(1, ["-" * width for width in widths])
    padded = ([cell.ljust(width) for cell, width in zip(line, widths, strict=True)] for line in lines)
    return "\n".join(f"| {' | '.join(line)} |" for line in padded)


def items(entries: Iterable[str]) -> str:
    """Return a Markdown list, each entry folded."""
    return "\n".join(
        textwrap.fill(f"- {entry}", WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
        for entry in entries
    )
