"""README, DEVELOPERS and the help topics, cut into the examples that stand in them."""

import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

from logger import help as topics

PROJECT = Path(__file__).parents[2]
TEXTS = {
    "README": (PROJECT / "README.md").read_text(encoding="utf-8"),
    "DEVELOPERS": (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8"),
    **{topic: topics.source(topic) for topic in topics.TOPICS},
}
"""Each document as it is written, by its name."""
SYSTEM = ("cat", "useradd", "install", "systemctl", "journalctl", "sudo")
PROGRAMS = (
    *("vatvigil", "python", "python3", "/opt/vatvigil/bin/pip"),
    *(".venv/bin/pip", ".venv/bin/pytest", ".venv/bin/python", ".venv/bin/ruff"),
    *SYSTEM,
)
"""How a block of command lines begins."""


def blocks() -> Iterator[tuple[str, str]]:
    """Yield (document, lines) of each indented block, its indentation taken off."""
    for name, text in TEXTS.items():
        block: list[str] = []
        for before, line in pairwise(["", *text.splitlines(), ""]):
            if line.startswith("    ") and (block or not before.strip()):
                block.append(line)
            elif block:
                indent = min(len(each) - len(each.lstrip()) for each in block)
                yield name, "\n".join(each[indent:] for each in block)
                block = []


def shell_lines() -> list[tuple[str, str]]:
    """Return (document, line) of each command line in a block."""
    found = [(name, block) for name, block in blocks() if block.split()[0] in PROGRAMS]
    return [(name, line) for name, block in found for line in block.splitlines()]


def snippets() -> list[tuple[str, str]]:
    """Return (document, text) of each block of a configuration."""
    return [(name, block) for name, block in blocks() if re.match(r"\[[a-z.-]+\]", block)]


def spans() -> list[tuple[str, str]]:
    """Return (document, command) of each command that stands in a sentence."""
    return [(name, span) for name, text in TEXTS.items() for span in re.findall(r"`(vatvigil [^`\n]+)`", text)]
