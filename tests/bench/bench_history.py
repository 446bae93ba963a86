"""What it costs to find a day of a long log, against a reading of the whole table, and against a short log."""

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path
from statistics import median

import pytest

from logger.store import Store, history
from tests.bench.long_log import DAY, PERIOD_US, fill
from tests.store.factories import START_US

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1800)]
LOGS = {"2 months": 60 * DAY, "1 year": 365 * DAY, "5 years": 5 * 365 * DAY}
WHOLE = "SELECT min(seq), max(seq) FROM measurement WHERE vat = 'marrow' AND at_us >= ? AND at_us < ?"


def test_finding_a_day_by_its_time(tmp_path: Path) -> None:
    path, first = tmp_path / "store.sqlite", 0.0
    with Store.open(f"sqlite:///{path}", simulated=False, migrate=True) as store:
        done = 0
        for name, length in LOGS.items():
            fill(path, done + 1, length, probe="probe", vat="marrow", begin_us=START_US)
            done = length
            since = START_US + (length - 10 * DAY) * PERIOD_US
            found = took_s(partial(ends, store, since))
            read = took_s(partial(day, store, since))
            whole = took_s(partial(bare, path, since), rounds=1)
            first = first or found
            print(
                f"{name:>9} ({length:,} records): found in {1000 * found:.1f} ms, ratio to 2 months"
                f" {found / first:.2f}; read in {1000 * read:.0f} ms; whole table {1000 * whole:.0f} ms,"
                f" ratio {whole / found:.0f}"
            )


def took_s(work: Callable[[], object], *, rounds: int = 5) -> float:
    def once() -> float:
        begin = time.perf_counter()
        work()
        return time.perf_counter() - begin

    return median(once() for _ in range(rounds))


def ends(store: Store, since: int) -> None:
    (span,) = history.spans(store, vat="marrow", since_at_us=since, until_at_us=since + DAY * PERIOD_US)
    assert span.last - span.first + 1 == DAY


def day(store: Store, since: int) -> None:
    until = since + DAY * PERIOD_US
    pieces = [*history.between(store, vat="marrow", probe="probe", since_at_us=since, until_at_us=until)]
    assert sum(map(len, pieces)) == DAY


def bare(path: Path, since: int) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(WHOLE, (since, since + DAY * PERIOD_US)).fetchone()
