"""The table of a campaign: what was done how often, and what came of it."""

import os
import random
from dataclasses import dataclass

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


ROWS: dict[str, Row] = {}


def note(fault: str, trials: int = 1, count: Count | None = None, *, ended: int = 0) -> None:
    """Add trials of a fault and what came of them. Raises AssertionError where that is anything."""
    row, found = ROWS.setdefault(fault, Row(fault)), count or Count()
    row.trials += trials
    row.ended += ended
    for kind in ("lost", "doubled", "unheard", "hung"):
        setattr(row, kind, getattr(row, kind) + getattr(found, kind))
    assert not found.why, f"{fault}: {found.why}"
    assert not ended, f"{fault}: the daemon ended"


def lines() -> list[str]:
    """Return the table."""
    heads = ("fault", "trials", "lost", "doubled", "unheard", "hung", "ended")
    table = ["| " + " | ".join(heads) + " |", "|---|" + "---|" * (len(heads) - 1)]
    return table + ["| " + " | ".join(str(getattr(row, head)) for head in heads) + " |" for row in ROWS.values()]
