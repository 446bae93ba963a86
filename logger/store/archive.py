"""Move what is old out of a store into an archive: a store of the same tables in an SQLite file of its own.

Law: a file under its final name is whole, and was read again from the disk and found to be what was copied; anything
else bears `.part`. Only then the store notes it, and only then rows are removed. A kill at any moment leaves each row
in one of the two at least, and the same call finishes the work: it goes by what the file says of itself.
"""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from shutil import disk_usage

from logger.errors import RefusedError, StoreBusyError, StoreError
from logger.store import archive_note, archive_plan, archive_removal, archive_rows
from logger.store.archive_note import Note
from logger.store.archive_plan import Plan
from logger.store.archive_rows import COLUMNS, RowDigest
from logger.store.engine import Access, connect_sqlite
from logger.store.integrity import damage
from logger.store.store import Store
from logger.structs import Struct

Step = Callable[[str], None]


def opened(file: Path, *, simulated: bool) -> Store:
    """Open an archive for reading. Raises StoreError, RefusedError if it is none."""
    store = Store.open(f"sqlite:///{file.resolve()}", simulated=simulated, read_only=True)
    if store.archive is None:
        store.close()
        raise RefusedError(f"{file} is no archive: it is left as it is")
    return store


def begun(store: Store, file: Path, *, simulated: bool) -> Note | None:
    """Return what a file holds that an earlier call made of the store; None: there is no file. Raises RefusedError."""
    if not file.exists():
        return None
    try:
        with opened(file, simulated=simulated) as archive:
            made = archive.archive
    except StoreError as error:
        raise RefusedError(f"{file} exists already and is left as it is ({error}): name another file") from error
    if made is None or made.store != store.identity:
        raise RefusedError(f"{file} is an archive of another store and is left as it is: name another file")
    return made


def make(store: Store, plan: Plan, file: Path, *, simulated: bool, at_us: int, after: Step) -> Note:
    """Write what a plan names into a new file, checked and flushed; return its note. Raises StoreError."""
    archive_plan.require_taken(store)
    part = file.with_name(f"{file.name}.part")
    try:
        with _told(file):
            part.unlink(missing_ok=True)  # of a call that was killed
            note = _write(store, plan, part, file, simulated=simulated, at_us=at_us)
            after("copied")
            _flush(part)
            verify(part, simulated=simulated)
            after("checked")
            part.rename(file)
            after("named")
    finally:
        with suppress(OSError):
            for ending in ("", "-wal", "-shm", "-journal"):
                part.with_name(part.name + ending).unlink(missing_ok=True)
    return note


@contextmanager
def _told(file: Path) -> Iterator[None]:
    try:
        yield
    except (sqlite3.OperationalError, OSError) as error:
        why = f"The archive {file} could not be made ({error})"
        raise StoreBusyError(f"{why}: check that folder and its space. Nothing was removed") from error


def _write(store: Store, plan: Plan, part: Path, file: Path, *, simulated: bool, at_us: int) -> Note:
    url = f"sqlite:///{part.resolve()}"
    Store.open(url, simulated=simulated, migrate=True, identity=store.identity, read_only=True).close()
    digest = RowDigest()
    with closing(connect_sqlite(part, Access.WRITE, busy_s=1.0)) as new:
        new.execute("PRAGMA synchronous=OFF")  # it is flushed whole before it gets its name
        new.execute("PRAGMA foreign_keys=OFF")  # what is copied refers to what is copied, and is compared
        for name, rows in archive_rows.pieces(store, COLUMNS, plan.selection):
            digest.add(name, rows)
            columns = ", ".join(f'"{column}"' for column in COLUMNS[name])
            values = ", ".join("?" * len(COLUMNS[name]))
            new.execute("BEGIN")
            new.executemany(f"INSERT INTO {name} ({columns}) VALUES ({values})", rows)  # noqa: S608 - names of ours
            new.execute("COMMIT")
        note = Note(
            file=str(file.resolve()),
            store=store.identity,
            made_at_us=at_us,
            stretches=plan.selection.stretches,
            cuts=plan.selection.cuts,
            columns=COLUMNS,
            rows=digest.rows,
            digest=digest.hex,
        )
        notes = {archive_note.OWN: note, **{earlier.key: earlier for earlier in store.moved}}
        texts = [(key, archive_note.encode(each)) for key, each in notes.items()]
        new.executemany("INSERT INTO meta (key, value) VALUES (?, ?)", texts)
        new.execute("PRAGMA journal_mode=DELETE")  # one file, with nothing beside it that could be forgotten
    return note


def upgrade(file: Path, *, simulated: bool) -> None:
    """Bring an archive of an older version to this revision, with a copy beside it. Raises StoreError."""
    url = f"sqlite:///{file.resolve()}"
    with closing(connect_sqlite(file, Access.READ, busy_s=1.0)) as connection:
        if not connection.execute("SELECT 1 FROM meta WHERE key = ?", (archive_note.OWN,)).fetchone():
            raise RefusedError(f"{file} is no archive: it is left as it is")
    try:
        Store.open(url, simulated=simulated, migrate=True, read_only=True).close()
    finally:
        with closing(connect_sqlite(file, Access.READ, busy_s=1.0)) as connection:
            connection.execute("PRAGMA query_only=OFF")
            connection.execute("PRAGMA journal_mode=DELETE")


def verify(file: Path, *, simulated: bool) -> Note:
    """Return what an archive says of itself, once every row of it was read. Raises StoreError if it is not so."""
    if found := damage(file):
        raise StoreError(f"The archive {file} is damaged ({found}): take another copy of it")
    with opened(file, simulated=simulated) as archive:
        note = archive.archive
        assert note is not None  # noqa: S101 - `opened` has seen to it
        digest = archive_rows.digest(archive_rows.pieces(archive, note.columns))
    if (digest.hex, digest.rows) != (note.digest, dict(note.rows)):
        raise StoreError(f"The archive {file} does not hold what was put into it: take another copy of it")
    return note


def finish(store: Store, file: Path, note: Note, *, simulated: bool, after: Step) -> None:
    """Remove from the store what an archive has that was verified (`make`, `verify`). Raises StoreError."""
    with _told(file):
        _flush(file)
        _flush(file.parent)  # an earlier call may have been killed between the two
    archive_removal.note(store, note)
    after("noted")
    with opened(file, simulated=simulated) as archive:
        archive_removal.remove(store, archive, note, after=after)


class Shrunk(Struct, frozen=True, kw_only=True):
    """How large the file of a store was and is (bytes), and why it is no smaller; empty: it is as small as can be."""

    before: int
    now: int
    why_not: str = ""


def shrink(store: Store) -> Shrunk:
    """Give the space of removed rows back to the disk; a store that cannot be shrunk uses it again for new rows.

    SQLite does it by a transaction like any other (https://www.sqlite.org/lang_vacuum.html): a kill leaves the store as
    it was, or small. Nothing may be written through the store afterwards: its file is shorter than it was left.
    """
    if store.path is None:
        return Shrunk(before=0, now=0, why_not="the server uses the space again by itself")
    with closing(connect_sqlite(store.path, Access.WRITE, busy_s=10.0)) as connection:
        pages, free, page = (
            connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "freelist_count", "page_size")
        )
        before = pages * page
        wanted = 2 * (pages - free) * page  # a copy, and then the write-ahead log
        if free and disk_usage(store.path.parent).free < wanted:
            return Shrunk(before=before, now=before, why_not=f"that takes {wanted / 1e6:.0f} MB of free disk meanwhile")
        os.environ["SQLITE_TMPDIR"] = str(store.path.parent.resolve())  # /tmp may be memory
        try:
            connection.execute("VACUUM")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.OperationalError as error:
            return Shrunk(before=before, now=store.path.stat().st_size, why_not=str(error))
    return Shrunk(before=before, now=store.path.stat().st_size)


def _flush(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)  # what is read next comes from the disk
    finally:
        os.close(descriptor)
