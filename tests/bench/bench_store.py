"""How near storing comes to the bare driver: the same rows into the same schema, both durable."""

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from logger.model import Outcome
from logger.store import Store, rows
from tests.store.factories import measurements, outcome

pytestmark = pytest.mark.bench
ROUNDS = 5


def best_s(work: Callable[[int], None]) -> float:
    def once(number: int) -> float:
        start = time.perf_counter()
        work(number)
        return time.perf_counter() - start

    return min(once(number) for number in range(ROUNDS))


@pytest.mark.parametrize("count", [1, 360, 8_640, 60_480], ids=["a record", "an hour", "a day", "a week"])
def test_storing_against_bare_executemany(count: int, tmp_path: Path) -> None:
    url, path = f"sqlite:///{tmp_path / 'store.sqlite'}", tmp_path / "bare.sqlite"
    steps = [outcome(measurements(1 + number * count, count)) for number in range(ROUNDS)]
    with Store.open(f"sqlite:///{path}", simulated=False, migrate=True) as empty, empty.begin() as unit:
        unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
        unit.commit()
    with Store.open(url, simulated=False, migrate=True) as store:
        with store.begin() as unit:
            run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
            unit.commit()
        ours = best_s(lambda number: append(store, steps[number], run))
    tuples = [list(rows.measurement_rows(step, run)) for step in steps]
    with closing(sqlite3.connect(path, isolation_level=None)) as bare:
        bare.execute("PRAGMA synchronous=FULL")
        bare.execute("PRAGMA foreign_keys=ON")
        theirs = best_s(lambda number: insert(bare, tuples[number]))
    print(
        f"\n{count} rows a commit: store {count / ours:,.0f}/s, bare {count / theirs:,.0f}/s, ratio {theirs / ours:.2f}"
    )


def append(store: Store, step: Outcome, run: int) -> None:
    with store.begin() as unit:
        unit.append(step, run=run)
        unit.commit()


def insert(bare: sqlite3.Connection, tuples: list[tuple[object, ...]]) -> None:
    bare.execute("BEGIN IMMEDIATE")
    bare.executemany(f"INSERT INTO measurement VALUES ({', '.join('?' * len(tuples[0]))})", tuples)  # noqa: S608 - marks
    bare.execute("COMMIT")
