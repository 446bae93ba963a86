"""What it costs to find a day of a long log, against a reading of the whole table, and against a short log."""

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from statistics import median

import pytest

from logger.store import Store, history
from logger.store.tables import measurement
from tests.store.factories import PERIOD_US, START_US

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1800)]
DAY = 8640
LOGS = {"2 months": 60 * DAY, "1 year": 365 * DAY, "5 years": 5 * 365 * DAY}
RUN_EACH = 7 * DAY
"""Records a run of the daemon."""
WHOLE = "SELECT min(seq), max(seq) FROM measurement WHERE vat = 'marrow' AND at_us >= ? AND at_us < ?"


def test_finding_a_day_by_its_time(tmp_path: Path) -> None:
    path, first = tmp_path / "store.sqlite", 0.0
    with Store.open(f"sqlite:///{path}", simulated=False, migrate=True) as store:
        done = 0
        for name, length in LOGS.items():
            extend(path, done, length)
            done = length
            since = START_US + (length - 10 * DAY) * PERIOD_US
            found = took_s(lambda since=since: ends(store, since))
            read = took_s(lambda since=since: sum(map(len, day(store, since))))
            whole = took_s(lambda since=since: bare(path, since), rounds=1)
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


def day(store: Store, since: int) -> list[object]:
    until = since + DAY * PERIOD_US
    pieces = [*history.between(store, vat="marrow", probe="probe", since_at_us=since, until_at_us=until)]
    assert sum(map(len, pieces)) == DAY
    return [*pieces]


def bare(path: Path, since: int) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(WHOLE, (since, since + DAY * PERIOD_US)).fetchone()


def extend(path: Path, done: int, length: int) -> None:
    """Write records up to that number, a run a week."""
    values = {
        "probe": "'probe'",
        "seq": "n",
        "at_us": f"{START_US} + n * {PERIOD_US}",
        "elapsed_us": f"n * {PERIOD_US}",
        "potential_mv": "100 + n % 170 / 10.0",
        "temperature_c": "20 + n % 7 / 10.0",
        "ph": "4 + n % 13 / 100.0",
        "u": "0.05",
        "quality": "1",
        "previous_spike": "1",
        "vat": "'marrow'",
        "run": f"1 + n / {RUN_EACH}",
    }
    names = [column.name for column in measurement.columns if column.name in values or not column.nullable]
    chosen = ", ".join(values.get(name, "0") for name in names)
    counted = f"SELECT {done + 1} UNION ALL SELECT n + 1 FROM number WHERE n < {length}"  # noqa: S608 - whole numbers
    made = f"WITH RECURSIVE number(n) AS ({counted}) SELECT {chosen} FROM number"  # noqa: S608 - what stands above
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        runs = [(number, START_US, 0, "0", "") for number in range(1 + done // RUN_EACH, 2 + length // RUN_EACH)]
        connection.executemany("INSERT OR IGNORE INTO run VALUES (?, ?, ?, ?, ?)", runs)
        connection.execute(f"INSERT INTO measurement ({', '.join(names)}) {made}")
