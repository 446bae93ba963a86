"""Tell whether an SQLite file is a sound database, and set aside one that is not.

Law: a file is set aside only for what SQLite itself says of its content (CORRUPT, NOTADB, a failed check), never for a
disk that reports errors, is full, read-only or not there: what lies behind those may be whole. Nothing is deleted: the
file, its write-ahead log and its index are renamed together.
"""

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from logger.errors import StoreBusyError, StoreDamagedError
from logger.store import schema, tables
from logger.store.engine import Access, connect_sqlite

PARTS = ("", "-wal", "-shm")
_BROKEN = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_OFTEN = 100_000
_REVISION = f"SELECT version_num FROM {schema.VERSION_TABLE}"  # noqa: S608 - a name of ours


def damage(path: Path, *, within_s: float | None = None) -> str:
    """Say what is wrong with the content of a file; empty: nothing, or nothing that was found in so many seconds.

    Raises StoreBusyError if it cannot be looked at.
    """
    end = None if within_s is None else time.monotonic() + within_s
    try:
        with closing(connect_sqlite(path, Access.READ, busy_s=2.0)) as connection:
            if end is not None:
                connection.set_progress_handler(lambda: time.monotonic() > end, _OFTEN)
            (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
            missing = _missing(connection)
    except StoreDamagedError as error:
        return str(error)
    except sqlite3.DatabaseError as error:
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF  # none: of text that is none
        if code in _BROKEN:
            return str(error)
        if code == sqlite3.SQLITE_INTERRUPT:
            return ""
        raise StoreBusyError(f"The store {path} cannot be checked ({error})") from error
    return missing if verdict == "ok" else str(verdict).splitlines()[-1]


def _missing(connection: sqlite3.Connection) -> str:
    """Say which of the tables of this revision is gone, as when its name in the file was garbled; empty: none."""
    names = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    if schema.VERSION_TABLE not in names:
        return ""  # no store of ours, or one that is not made yet
    (revision,) = connection.execute(_REVISION).fetchone() or ("",)
    gone = sorted({*tables.metadata.tables} - names) if revision == schema.HEAD else []
    return f"its table {gone[0]} is gone" if gone else ""


def set_aside(path: Path, why: str, *, at_us: int) -> Path | None:
    """Rename a store to a free name that says why and when; return that, None: there was nothing. StoreBusyError."""
    present = [part for part in PARTS if _beside(path, part).exists()]
    if not present:
        return None
    name = next(name for name in _names(path, why, at_us) if not any(_beside(name, part).exists() for part in PARTS))
    try:
        for part in present:
            _beside(path, part).rename(_beside(name, part))
        _flush(path.parent)
    except OSError as error:
        raise StoreBusyError(f"The store {path} cannot be set aside as {name} ({error.strerror})") from error
    return name


def _names(path: Path, why: str, at_us: int) -> Iterator[Path]:
    moment = datetime.fromtimestamp(at_us // 1_000_000, UTC)
    number = 0
    while True:
        yield path.with_name(f"{path.name}.{why}-{moment:%Y%m%dT%H%M%SZ}{f'-{number}' if number else ''}")
        number += 1


def _beside(path: Path, part: str) -> Path:
    return path.with_name(path.name + part)


def _flush(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
