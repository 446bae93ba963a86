"""When a reading is believed: faults that must be told, healthy nights that must not be, true rises, claims.

Printed by `pytest -m bench -n 0 -s tests/bench/bench_trust.py`, and for one fault in some seconds by

    .venv/bin/python -m tests.bench.bench_trust --set tuning --only offset,crack --seeds 2 --table faults

From the environment:
- TRUST_SET: tuning or judged. Look at the judged set once, with the last version (`trust_sets.py`).
- TRUST_ONLY: parts of labels, with commas between them; cases without any cause stand beside them.
- TRUST_SEEDS: cases a row, default 1; 5 of tuning and 7 of judged go through every hour of onset.
- TRUST_NIGHTS: healthy nights under each cause, default 4, and 32 times as many plain ones; 32 is the full set.
- TRUST_WORKERS: 1 or 2.
The command line has the same as options. Nothing is asserted but that it ran: the figures are the outcome.
"""

import argparse
import os
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import pytest

from tests.bench.trust_runs import Ran, run
from tests.bench.trust_sets import (
    NONE,
    SETS,
    Case,
    TrustSet,
    chosen_only,
    claim_cases,
    fault_cases,
    night_cases,
    rise_cases,
)
from tests.bench.trust_tables import claim_table, fault_table, night_table, rise_table

pytestmark = [pytest.mark.bench, pytest.mark.timeout(7200)]
PLAIN = 32
"""So many plain nights to a night under each cause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is run of a set."""

    set: TrustSet
    only: tuple[str, ...]
    seeds: int
    nights: int
    workers: int

    @property
    def plain_nights(self) -> int:
        """Return how many nights without any cause; few beside some causes that were chosen."""
        return self.nights * (1 if self.only and NONE.name not in self.only else PLAIN)


Cases = Callable[[Asked], Iterator[Case]]
Table = Callable[[Iterable[Ran]], Iterator[str]]
TABLES: dict[str, tuple[Cases, Table]] = {
    "faults": (lambda asked: fault_cases(asked.set, asked.seeds), fault_table),
    "nights": (lambda asked: night_cases(asked.set, asked.nights, asked.plain_nights), night_table),
    "rises": (lambda asked: rise_cases(asked.set, asked.seeds), rise_table),
    "claims": (lambda asked: claim_cases(asked.set, asked.seeds), claim_table),
}


def table(name: str, asked: Asked) -> Iterator[str]:
    """Run the cases of a table and yield its lines."""
    make, lines = TABLES[name]
    began, cases = time.monotonic(), chosen_only(make(asked), asked.only)
    if not cases:
        return
    ran = all_ran(cases, asked.workers)
    yield f"{name}, set {asked.set.name}: {len(cases)} cases in {time.monotonic() - began:.0f} s"
    yield from lines(ran)


def all_ran(cases: list[Case], workers: int) -> list[Ran]:
    """Run all cases, in their order."""
    if workers == 1:
        return [run(case) for case in cases]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(run, cases, chunksize=4))


def from_environment() -> dict[str, str]:
    """Return what the environment says, or what is usual: the whole bench in some minutes."""
    usual = {"set": "tuning", "only": "", "seeds": "1", "nights": "4", "workers": "1"}
    return {name: os.environ.get(f"TRUST_{name.upper()}", value) for name, value in usual.items()}


def asked_for(said: dict[str, str]) -> Asked:
    """Return what is run."""
    return Asked(
        set=SETS[said["set"]],
        only=tuple(word for word in said["only"].split(",") if word),
        seeds=int(said["seeds"]),
        nights=int(said["nights"]),
        workers=min(int(said["workers"]), 2),
    )


@pytest.mark.parametrize("name", TABLES)
def test_trust(name: str) -> None:
    print("\n".join(table(name, asked_for(from_environment()))))


def main() -> None:
    """Print the tables that were asked for."""
    parser = argparse.ArgumentParser(description="When a reading is believed.")
    for name, value in from_environment().items():
        parser.add_argument(f"--{name}", default=value, choices=SETS if name == "set" else None)
    parser.add_argument("--table", default=",".join(TABLES), help="faults,nights,rises,claims")
    said = vars(parser.parse_args())
    names = [name for name in said.pop("table").split(",") if name]
    for name in names:
        lines = list(table(name, asked_for(said)))
        print(*lines, sep="\n", end="\n\n" if lines else "", flush=True)


if __name__ == "__main__":
    main()
