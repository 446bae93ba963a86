"""A store as the first revision left it, and its migration by the program in a process of its own."""

import gzip
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from tests.campaign.witness import Rows

DUMP = Path(__file__).parents[1] / "store" / "stores" / "revision-0001.sql.gz"
RECORDS = "SELECT seq, at_us, potential_mv, reason FROM measurement ORDER BY seq"
_MIGRATE = """\
import sys
from logger.store import Store
print("ready", flush=True)
Store.open(sys.argv[1], simulated=False, migrate=True).close()
"""


def rows(file: Path, statement: str) -> Rows:
    """Return what a SELECT finds."""
    with closing(sqlite3.connect(file)) as store:
        return store.execute(statement).fetchall()


def make(folder: Path) -> Path:
    """Make the store, with a write-ahead log as it has."""
    folder.mkdir()
    file = folder / "log.sqlite"
    with closing(sqlite3.connect(file)) as store:
        store.executescript(gzip.decompress(DUMP.read_bytes()).decode())
        store.execute("PRAGMA journal_mode=WAL")
    return file


def begin_to_migrate(file: Path, prefix: tuple[str, ...] = ()) -> subprocess.Popen[bytes]:
    """Return the process; it says a line when it has imported all and begins. `prefix`: before its command line."""
    command = [*prefix, sys.executable, "-P", "-c", _MIGRATE, f"sqlite:///{file}"]
    return subprocess.Popen(command, cwd=file.parent, stdout=subprocess.PIPE)


def migrate(file: Path, prefix: tuple[str, ...] = ()) -> int:
    """Migrate the store; return the exit code."""
    with begin_to_migrate(file, prefix) as process:
        return process.wait()
