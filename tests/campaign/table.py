"""The table of a campaign: what was done how often, and what came of it.

`CAMPAIGN_RESULTS` names a file that takes a line for each trial as it ends: what ran counts, whatever breaks off later,
and a campaign may run in pieces. `python -m tests.campaign.table FILE` adds the lines up.
"""

import json
import os
import random
import sys
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.campaign.witness import Count

IS_LONG = os.environ.get("CAMPAIGN") == "long"
SEED = int(os.environ.get("CAMPAIGN_SEED", "7"))


def trials(short: int, long: int) -> int:
    """Return how often something is done: in CI, and by the documented command."""
    return long if IS_LONG else short


def chance(name: str) -> random.Random:
    """Return the source of chance of a row: the same for a seed."""
    return random.Random(f"{SEED} {name}")  # noqa: S311 - instants and choices, no secrets


@dataclass(slots=True)
class Row:
    """One line."""

    fault: str
    trials: int = 0
    lost: int = 0
    doubled: int = 0
    unheard: int = 0
    hung: int = 0
    ended: int = 0
    """Ends of the daemon that nobody asked for."""


KINDS = ("lost", "doubled", "unheard", "hung", "ended")
ROWS: dict[str, Row] = {}


def note(fault: str, trials: int = 1, count: Count | None = None, *, ended: int = 0) -> None:
    """Add trials of a fault and what came of them. Raises AssertionError where that is anything."""
    found = count or Count()
    new = Row(fault, trials, found.lost, found.doubled, found.unheard, found.hung, ended)
    add(ROWS, new)
    if "CAMPAIGN_RESULTS" in os.environ:
        with Path(os.environ["CAMPAIGN_RESULTS"]).open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(new)) + "\n")
    assert not found.why, f"{fault}: {found.why}"
    assert not ended, f"{fault}: the daemon ended"


def add(rows: dict[str, Row], new: Row) -> None:
    """Add what is new to the row of its fault."""
    row = rows.setdefault(new.fault, Row(new.fault))
    for kind in ("trials", *KINDS):
        setattr(row, kind, getattr(row, kind) + getattr(new, kind))


def lines(rows: Iterable[Row]) -> list[str]:
    """Return the table."""
    heads = ("fault", "trials", *KINDS)
    table = ["| " + " | ".join(heads) + " |", "|---|" + "---|" * (len(heads) - 1)]
    return table + ["| " + " | ".join(str(getattr(row, head)) for head in heads) + " |" for row in rows]


if __name__ == "__main__":
    kept: dict[str, Row] = {}
    for name in sys.argv[1:]:
        for line in Path(name).read_text(encoding="utf-8").splitlines():
            add(kept, Row(**json.loads(line)))
    print("\n".join(lines(kept.values())))
