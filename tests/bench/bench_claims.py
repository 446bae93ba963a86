"""How often a claim comes too early, how late it comes and whether it lasts: persons, meters and vats of which all is
known, through the real pipeline.

    .venv/bin/python -m tests.bench.bench_claims --set tuning --vats 400 --only right,wrong -j 2
    .venv/bin/python -m tests.bench.bench_claims --set tuning --vats 400 --only right --person asked

Tables: `right` (every person, the errors as they are believed), `wrong` (each error twice as large, and all), `creep`
(a reference that creeps), `withdrawn` (what becomes of claims in the three days after them), `coverage` (the 95 %
interval of readings). The set `judged` is looked at once. `pytest -m bench` takes the same from CLAIM_SET, CLAIM_VATS,
CLAIM_ONLY and CLAIM_WORKERS.
"""

import argparse
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product
from typing import TypeVar

import pytest

from tests.bench.claim_coverage import coverage_cases, coverage_table, covered
from tests.bench.claim_errors import RIGHT, WRONG, Scales
from tests.bench.claim_runs import PERSONS, Case, Ran, run
from tests.bench.claim_sets import SETS
from tests.bench.claim_tables import Row, Rows, creep_table, early_table, withdrawn_table

pytestmark = [pytest.mark.bench, pytest.mark.timeout(14400)]
FOLLOWED_H = 72.0
CREEPS = (0.5, 1.0)
"""pH a day by which the reading falls."""
COMING = ("asked", "08 and 20 h", "08, 20 h and asked")
"""Persons whose vats creep, and whose claims are followed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is run."""

    set: str
    only: tuple[str, ...]
    persons: tuple[str, ...]
    vats: int
    workers: int


Out = TypeVar("Out")
Case_ = tuple[tuple[str, str], Case]
"""A case and its row of the table."""


def right_cases(asked: Asked) -> Iterator[Case_]:
    yield from _cases(asked, tuple(PERSONS), {"right": RIGHT})


def wrong_cases(asked: Asked) -> Iterator[Case_]:
    yield from _cases(asked, tuple(PERSONS), WRONG)


def withdrawn_cases(asked: Asked) -> Iterator[Case_]:
    errors = {"right": RIGHT, "all x2": WRONG["all x2"]}
    yield from _cases(asked, ("08 and 20 h", "08, 20 h and asked"), errors, followed_h=FOLLOWED_H)
    for rate in CREEPS:
        creeping = {f"-{rate:g} a day": RIGHT}
        yield from _cases(asked, ("08, 20 h and asked",), creeping, creep=-rate, followed_h=FOLLOWED_H)


def creep_cases(asked: Asked) -> Iterator[Case_]:
    for after_spot, rate in product((False, True), CREEPS):
        errors = {f"-{rate:g} {'after spot' if after_spot else 'random'}": RIGHT}
        yield from _cases(asked, COMING, errors, creep=-rate, after_spot=after_spot)


def _cases(asked: Asked, persons: tuple[str, ...], errors: dict[str, Scales], **more: float | bool) -> Iterator[Case_]:
    for (label, scales), person in product(errors.items(), persons):
        if person in (asked.persons or persons):
            for number in range(asked.vats):
                yield (person, label), Case(set=asked.set, number=number, person=person, scales=scales, **more)  # type: ignore[arg-type]


TABLES: dict[str, tuple[Callable[[Asked], Iterator[Case_]], Callable[[Rows], Iterator[str]]]] = {
    "right": (right_cases, early_table),
    "wrong": (wrong_cases, early_table),
    "creep": (creep_cases, creep_table),
    "withdrawn": (withdrawn_cases, withdrawn_table),
}
NAMES = (*TABLES, "coverage")


def table(name: str, asked: Asked) -> Iterator[str]:
    """Run the cases of a table and yield its lines."""
    began = time.monotonic()
    runs, lines = _coverage(asked) if name == "coverage" else _claims(name, asked)
    took = time.monotonic() - began
    yield f"{name}, set {asked.set}, {asked.vats} vats a row: {runs} runs in {took:.0f} s, {runs / took:.1f} a second"
    yield from lines


def _claims(name: str, asked: Asked) -> tuple[int, list[str]]:
    """Return how many cases were run, and the lines of their table."""
    make, show = TABLES[name]
    named, rows = list(make(asked)), dict[Row, list[Ran]]()
    for (row, _), ran in zip(named, _all(run, [case for _, case in named], asked.workers), strict=True):
        if ran.begins:
            rows.setdefault(row, []).append(ran)
    return len(named), list(show(rows))


def _coverage(asked: Asked) -> tuple[int, list[str]]:
    cases = [case for case in coverage_cases(asked.set, asked.vats) if case.person in (asked.persons or PERSONS)]
    return len(cases), list(coverage_table(_all(covered, cases, asked.workers)))


def _all(function: Callable[[Case], Out], cases: list[Case], workers: int) -> list[Out]:
    if workers == 1:
        return [function(case) for case in cases]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(function, cases, chunksize=8))


def from_environment() -> dict[str, str]:
    """Return what the environment says, or what is usual: some minutes."""
    usual = {"set": "tuning", "only": "right,creep", "person": "asked", "vats": "300", "workers": "1"}
    return {name: os.environ.get(f"CLAIM_{name.upper()}", value) for name, value in usual.items()}


def asked_for(said: dict[str, str]) -> Asked:
    """Return what is run."""
    return Asked(
        set=said["set"],
        only=tuple(word for word in said["only"].split(",") if word),
        persons=tuple(word.strip() for word in said["person"].split(";") if word),
        vats=int(said["vats"]),
        workers=min(int(said["workers"]), 2),
    )


@pytest.mark.parametrize("name", NAMES)
def test_claims(name: str) -> None:
    asked = asked_for(from_environment())
    if name not in asked.only:
        pytest.skip(f"CLAIM_ONLY does not name {name}")
    print("\n".join(table(name, asked)))


def main() -> None:
    """Print the tables that were asked for."""
    parser = argparse.ArgumentParser(description="How early, how late, how lasting claims are.")
    parser.add_argument("--set", default="tuning", choices=SETS)
    parser.add_argument("--vats", default="300", help="vats a row")
    parser.add_argument("--only", default=",".join(NAMES), help="tables, by commas")
    parser.add_argument("--person", default="", help=f"by semicolons: {'; '.join(PERSONS)}")
    parser.add_argument("-j", "--workers", default="1", help="processes, 2 at most")
    asked = asked_for(vars(parser.parse_args()))
    for name in asked.only:
        print(*table(name, asked), sep="\n", end="\n\n", flush=True)


if __name__ == "__main__":
    main()
