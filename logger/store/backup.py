"""Copy an SQLite store.

Law: a file under its final name is a whole copy that passed the integrity check; anything else bears `.part` and is
removed. The copy is taken by SQLite's online backup in one read transaction, so the writer goes on. It is made in
pieces, each flushed: the writer need not wait until a whole store is on the disk, nor who wants the copying to end.
"""

import os
import re
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path

from logger import private_file
from logger.errors import StoreBusyError, StoreError
from logger.store.engine import Access, connect_sqlite
from logger.structs import Struct

_BUSY_S = 10.0
_PIECE_PAGES = 500
_OFTEN = 20_000
"""Instructions of SQLite's machine between two looks at whether the check is still wanted: some milliseconds."""


class _UnwantedError(Exception):
    """Nobody wants the copy any more."""


def _always() -> bool:
    return True


def copy_sqlite(source: Path, target: Path, *, is_wanted: Callable[[], bool] = _always) -> None:
    """Copy a store file, checked and flushed to the disk. Raises StoreError, or StoreBusyError to try again.

    `is_wanted`: asked again and again; False ends the copying with a StoreBusyError.
    """
    part = target.with_name(f"{target.name}.part")
    try:
        _copy(source, part, is_wanted)
        _check(part, is_wanted)
        _flush(part)
        part.rename(target)
        _flush(target.parent)
    except _UnwantedError:
        raise StoreBusyError(f"The backup {target} was broken off: it is made later") from None
    except (sqlite3.OperationalError, OSError) as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise StoreError(
                f"The store {source} cannot be copied ({error}): it may be damaged; keep old backups"
            ) from error
        raise StoreBusyError(f"No backup {target} could be made ({error}): check that folder and its space") from error
    except sqlite3.DatabaseError as error:
        raise StoreError(
            f"The store {source} cannot be copied ({error}): it may be damaged; keep old backups"
        ) from error
    finally:
        with suppress(OSError):
            part.unlink()


def _damaged(source: Path, error: Exception) -> StoreError:
    return StoreError(f"The store {source} cannot be copied ({error}): it may be damaged; keep old backups")


def _copy(source: Path, part: Path, is_wanted: Callable[[], bool]) -> None:
    def after_piece(*_: int) -> None:
        _flush(part)
        if not is_wanted():
            raise _UnwantedError

    part.parent.mkdir(parents=True, exist_ok=True)
    part.unlink(missing_ok=True)
    private_file.make(part)
    with closing(connect_sqlite(source, Access.READ, busy_s=_BUSY_S)) as old, closing(sqlite3.connect(part)) as new:
        old.execute("BEGIN")
        old.execute("SELECT 1 FROM sqlite_schema").fetchone()  # one snapshot: else each commit begins the copy anew
        old.backup(new, pages=_PIECE_PAGES, progress=after_piece)
        new.execute("PRAGMA journal_mode=DELETE")  # one file, with nothing beside it that could be forgotten


def _check(part: Path, is_wanted: Callable[[], bool]) -> None:
    with closing(connect_sqlite(part, Access.READ, busy_s=_BUSY_S)) as copy:
        copy.set_progress_handler(lambda: not is_wanted(), _OFTEN)
        try:
            (verdict,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode == sqlite3.SQLITE_INTERRUPT:
                raise _UnwantedError from None
            raise
    if verdict != "ok":
        raise sqlite3.DatabaseError(verdict)


def _flush(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class Keep(Struct, frozen=True, kw_only=True):
    """How many copies are kept: the newest of each of so many days, weeks and months that have one.

    Days for what was noticed at once, months for what was noticed late. Common practice, no source.
    """

    days: int = 7
    weeks: int = 4
    months: int = 12

    def of(self, copies: Sequence[Path]) -> set[Path]:
        """Return those of a store's copies, the oldest first, that are kept."""
        spans = ((self.days, "%Y-%m-%d"), (self.weeks, "%G-%V"), (self.months, "%Y-%m"))  # a week as of ISO 8601
        return {copy for most, form in spans if most for copy in _newest_of_each(copies, form)[-most:]}


def _newest_of_each(copies: Sequence[Path], form: str) -> list[Path]:
    return list({f"{_made(copy):{form}}": copy for copy in copies}.values())


def _made(copy: Path) -> datetime:
    """Return the UTC of a copy, by its name."""
    return datetime.strptime(copy.stem[-16:], "%Y%m%dT%H%M%S%z")


def newest_copy_us(source: Path, folder: Path) -> int | None:
    """Return the UTC (microseconds) of the newest copy of the store in the folder, by its name; None: there is none."""
    times = [_made(copy) for copy in copies(source, folder)]
    return round(max(times).timestamp()) * 1_000_000 if times else None


def has_changed(source: Path, folder: Path) -> bool:
    """Tell whether the store holds anything that its newest copy does not; a start of the daemon alone is nothing.

    True where it cannot be told.
    """
    made = copies(source, folder)
    try:
        return not made or _newest_rows(source) != _newest_rows(made[-1])
    except sqlite3.DatabaseError:
        return True


def _newest_rows(file: Path) -> list[tuple[object, ...]]:
    """Return what changes in a file with whatever is stored: rows are only ever added, or completed."""
    with closing(connect_sqlite(file, Access.READ, busy_s=_BUSY_S)) as database:
        return [row for statement in _NEWEST for row in database.execute(statement).fetchall()]


_NEWEST = (
    "SELECT version_num FROM store_revision",
    "SELECT probe, max(seq) FROM measurement GROUP BY probe",
    "SELECT max(id) FROM calibration",
    "SELECT max(id) FROM check_reading",
    "SELECT max(id) FROM correction",
    "SELECT max(id) FROM batch_entry",
    "SELECT max(id) FROM care_entry",
    "SELECT max(id), count(consumed_seq) FROM inbox",
    "SELECT max(id), count(delivered_at_us) FROM outbox",
    "SELECT count(*) FROM channel_delivery WHERE event_id != ''",
    "SELECT max(id) FROM journal WHERE cause != 'run-started'",
    "SELECT vat, part, content FROM watch_part ORDER BY vat, part",
)


def size_bytes(source: Path, folder: Path) -> int:
    """Return what the copies of the store in the folder take of its disk."""
    return sum(copy.stat().st_size for copy in copies(source, folder))


def copies(source: Path, folder: Path) -> list[Path]:
    """Return the copies of the store in the folder, the oldest first."""
    return _named(source, folder, ".sqlite")


def _named(source: Path, folder: Path, ending: str) -> list[Path]:
    pattern = re.compile(re.escape(source.stem) + r"-\d{8}T\d{6}Z" + re.escape(ending))
    return sorted(copy for copy in folder.iterdir() if pattern.fullmatch(copy.name)) if folder.is_dir() else []


def daily_copy(source: Path, folder: Path, *, at_us: int, keep: Keep, is_wanted: Callable[[], bool] = _always) -> Path:
    """Put a copy of the store, named by its UTC time, into the folder; thin out the others."""
    moment = datetime.fromtimestamp(at_us // 1_000_000, UTC)
    target = folder / f"{source.stem}-{moment:%Y%m%dT%H%M%SZ}.sqlite"
    for left in _named(source, folder, ".sqlite.part"):  # by a process that was killed
        left.unlink()
    copy_sqlite(source, target, is_wanted=is_wanted)
    made = copies(source, folder)
    for old in {*made} - keep.of(made) - {target}:  # a clock set back makes the newest copy the first by name
        old.unlink()
    return target
