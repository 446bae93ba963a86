"""Copy an SQLite store.

Law: a file under its final name is a whole copy that passed the integrity check; anything else bears `.part` and is
removed. The copy is taken by SQLite's online backup in one read transaction, so the writer goes on.
"""

import os
import re
import sqlite3
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path

from logger import private_file
from logger.errors import StoreBusyError, StoreError
from logger.store.engine import Access, connect_sqlite

_BUSY_S = 10.0


def copy_sqlite(source: Path, target: Path) -> None:
    """Copy a store file, checked and flushed to the disk. Raises StoreError, or StoreBusyError to try again."""
    part = target.with_name(f"{target.name}.part")
    try:
        _copy(source, part)
        _check(part)
        _flush(part)
        part.rename(target)
        _flush(target.parent)
    except (sqlite3.OperationalError, OSError) as error:
        raise StoreBusyError(f"No backup {target} could be made ({error}): check that folder and its space") from error
    except sqlite3.DatabaseError as error:
        raise StoreError(
            f"The store {source} cannot be copied ({error}): it may be damaged; keep old backups"
        ) from error
    finally:
        with suppress(OSError):
            part.unlink()


def _copy(source: Path, part: Path) -> None:
    part.parent.mkdir(parents=True, exist_ok=True)
    part.unlink(missing_ok=True)
    private_file.make(part)
    with closing(connect_sqlite(source, Access.READ, busy_s=_BUSY_S)) as old, closing(sqlite3.connect(part)) as new:
        old.backup(new)
        new.execute("PRAGMA journal_mode=DELETE")  # one file, with nothing beside it that could be forgotten


def _check(part: Path) -> None:
    with closing(connect_sqlite(part, Access.READ, busy_s=_BUSY_S)) as copy:
        (verdict,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
    if verdict != "ok":
        raise sqlite3.DatabaseError(verdict)


def _flush(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def newest_copy_us(source: Path, folder: Path) -> int | None:
    """Return the UTC (microseconds) of the newest copy of the store in the folder, by its name; None: there is none."""
    times = [datetime.strptime(copy.stem[-16:], "%Y%m%dT%H%M%S%z") for copy in copies(source, folder)]
    return round(max(times).timestamp()) * 1_000_000 if times else None


def copies(source: Path, folder: Path) -> list[Path]:
    """Return the copies of the store in the folder, the oldest first."""
    pattern = re.compile(re.escape(source.stem) + r"-\d{8}T\d{6}Z\.sqlite")
    return sorted(copy for copy in folder.iterdir() if pattern.fullmatch(copy.name)) if folder.is_dir() else []


def daily_copy(source: Path, folder: Path, *, at_us: int, keep: int) -> Path:
    """Put a copy of the store, named by its UTC time, into the folder; keep the newest `keep` (1 or more)."""
    moment = datetime.fromtimestamp(at_us // 1_000_000, UTC)
    target = folder / f"{source.stem}-{moment:%Y%m%dT%H%M%SZ}.sqlite"
    copy_sqlite(source, target)
    for old in {*copies(source, folder)[:-keep]} - {target}:  # a clock set back makes the newest copy the first by name
        old.unlink()
    return target
