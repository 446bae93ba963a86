"""Write logs of months and years straight into an SQLite store: millions of records in a minute."""

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from logger.store.tables import measurement

DAY = 8640
"""Records of a day."""
PERIOD_US = 10_000_000
RUN_EACH = 7 * DAY
"""Records a run of the daemon."""


def fill(
    path: Path,
    first: int,
    last: int,
    *,
    probe: str,
    vat: str,
    begin_us: int,
    more: Mapping[str, str] | None = None,
) -> None:
    """Write believed records `first` to `last`, 10 s apart; record 0 would be at UTC `begin_us`. pH falls by waves.

    `more`: by column, what else stands in the rows: SQL of `n`.
    """
    values = {
        "probe": f"'{probe}'",
        "seq": "n",
        "at_us": f"{begin_us} + n * {PERIOD_US}",
        "elapsed_us": f"n * {PERIOD_US}",
        "potential_mv": "100 + n % 170 / 10.0",
        "temperature_c": "20 + n % 7 / 10.0",
        "ph": "4 + 1.5 / (1 + n / 100000.0) + n % 13 / 400.0",
        "u": "0.05",
        "quality": "1",
        "previous_spike": "1",
        "vat": f"'{vat}'",
        "run": f"1 + n / {RUN_EACH}",
        **(more or {}),
    }
    names = [column.name for column in measurement.columns if column.name in values or not column.nullable]
    chosen = ", ".join(values.get(name, "0") for name in names)
    counted = f"SELECT {first} UNION ALL SELECT n + 1 FROM number WHERE n < {last}"  # noqa: S608 - whole numbers
    made = f"WITH RECURSIVE number(n) AS ({counted}) SELECT {chosen} FROM number"  # noqa: S608 - what stands above
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        runs = [(number, begin_us, 0, "0", "") for number in range(1 + first // RUN_EACH, 2 + last // RUN_EACH)]
        connection.executemany("INSERT OR IGNORE INTO run VALUES (?, ?, ?, ?, ?)", runs)
        connection.execute(f"INSERT INTO measurement ({', '.join(names)}) {made}")
