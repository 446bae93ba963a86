"""The store: one writer, any number of readers.

Law: opening promises that the database is ours, at the revision of this code, and holds what the configuration says:
simulated vats or real ones, never both. Reading never writes and never waits for the writer (SQLite's write-ahead log,
PostgreSQL's snapshots).

One daemon a store: on PostgreSQL an advisory lock of the session that writes. A server that restarts forgets it, so
each new session takes it again before it writes: the store takes nothing while another session has it. That may be a
second daemon, or our own before: a server that hung may yet do what that one asked for, and must be done with it.
"""

import fcntl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from secrets import token_hex
from types import TracebackType
from typing import BinaryIO, Self

from sqlalchemy import URL, Connection, Engine, event, insert, select, text
from sqlalchemy.engine.interfaces import DBAPIConnection

from logger import private_file
from logger.errors import StoreBusyError, StoreError
from logger.store import archive_note, backup, schema
from logger.store.backup import Keep, daily_copy, newest_copy_us
from logger.store.engine import Access, make_engine, parse, shown, sqlite_path
from logger.store.inbox_look import InboxLook
from logger.store.tables import meta
from logger.store.unit_of_work import UnitOfWork, Writer

_DAEMON = 0x76617477
"""Of PostgreSQL's advisory locks, which are each database's own: "vatw", beside that of the migrations."""
_IN_USE = "another session holds it. If this goes on, a second `vatvigil run` watches with it: end one of the two"


class Store:
    """An open store. Threads may share it; write transactions then wait for each other."""

    __slots__ = (
        "_is_claimed",
        "_lock",
        "_reader",
        "_writer",
        "archive",
        "identity",
        "inbox_look",
        "moved",
        "path",
        "where",
    )

    def __init__(self, reader: Engine, *, where: str, path: Path | None) -> None:
        """Use `Store.open`."""
        self._lock: BinaryIO | None = None
        self._is_claimed = False
        self._reader = reader
        self.inbox_look = InboxLook(reader)
        self._writer: Writer | None = None
        self.where = where
        """The URL as it may be printed."""
        self.path = path
        """The file of an SQLite store, None for PostgreSQL."""
        self.identity = ""
        """Tells this store from every other (its copies have it too); empty: no daemon has made it one yet."""
        self.archive: archive_note.Note | None = None
        """What it holds if it is an archive, which takes no write; None: it is none."""
        self.moved: tuple[archive_note.Note, ...] = ()
        """What was moved out of it into archives."""

    @classmethod
    def open(
        cls,
        url: str,
        *,
        simulated: bool,
        migrate: bool = False,
        read_only: bool = False,
        busy_s: float = 2.0,
        answer_s: float = 0.0,
        identity: str = "",
    ) -> Self:
        """Open the store at an SQLAlchemy URL.

        `simulated`: what the configuration watches; it must be what the store was made for. `migrate`: make the store
        if it is missing, bring an old one to this revision after a backup, unless a daemon watches with it. `busy_s`:
        how long (seconds) a write waits for another process before StoreBusyError; `answer_s`: how long anything waits
        for a server to answer, 0: without end; `identity`: of a store that is made now, empty: one of its own. Raises
        StoreError, which says what to do.
        """
        parsed = parse(url)
        path, where = sqlite_path(parsed), shown(parsed)
        if path is not None:
            _require(path, where, create=migrate)
        reader = make_engine(parsed, Access.READ, busy_s=busy_s, answer_s=answer_s)
        store = cls(reader, where=where, path=path)
        try:
            if migrate:
                store._migrate_and_mark(parsed, simulated=simulated, busy_s=busy_s, identity=identity)
            if not read_only:
                engine = make_engine(parsed, Access.WRITE, busy_s=busy_s, answer_s=answer_s)
                store._writer = Writer(engine, path, where=where, busy_s=busy_s)
            store._check(simulated=simulated)
        except BaseException:
            store.close()
            raise
        return store

    def begin(self) -> UnitOfWork:
        """Return a write transaction for a `with` block; it rolls back unless `commit()` is called in the block."""
        if self._writer is None:
            raise StoreError(f"The store {self.where} was opened for reading only")
        return UnitOfWork(self._writer)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection with one short read transaction, which sees one state of the database."""
        with self._reader.connect() as connection:
            yield connection

    def backup(
        self, folder: Path, *, at_us: int, keep: Keep | None = None, is_wanted: Callable[[], bool] = lambda: True
    ) -> Path:
        """Put a checked copy, named by its UTC time, into the folder; thin out the others; return its path.

        `is_wanted`: False ends the copying soon. Raises StoreError (PostgreSQL: use pg_dump), StoreBusyError if it may
        work later.
        """
        if self.path is None:
            raise StoreError(f"The store {self.where} is backed up with pg_dump, not by vatvigil")
        return daily_copy(self.path, folder, at_us=at_us, keep=keep or Keep(), is_wanted=is_wanted)

    def has_changed(self, folder: Path) -> bool:
        """Tell whether it holds anything that its newest copy in the folder does not."""
        return self.path is None or backup.has_changed(self.path, folder)

    def is_backed_up(self, folder: Path, *, since_at_us: int) -> bool:
        """Tell whether the folder holds a copy of that UTC (microseconds) or later."""
        newest_us = None if self.path is None else newest_copy_us(self.path, folder)
        return newest_us is not None and newest_us >= since_at_us

    def claim(self) -> None:
        """Be the only daemon on the store until it is closed. Raises StoreError if another one is."""
        if self._lock is not None or self._is_claimed:
            return
        if self.path is None:
            self._claim_server()
            return
        self._lock = lock_file(self.path)

    def _claim_server(self) -> None:
        """Let each session that writes to a server's database lock it first, and have one do so now."""
        if self._writer is None:
            raise StoreError(f"The store {self.where} was opened for reading only")
        event.listen(self._writer.engine, "connect", self._lock_session)
        self._writer.driver.release()  # a session from before has not locked it
        self._writer.engine.dispose()
        self._is_claimed = True
        try:
            self._writer.engine.connect().close()
        except StoreBusyError as busy:
            raise (self._in_use_error() if _IN_USE in str(busy) else busy) from busy

    def _lock_session(self, connection: DBAPIConnection, _record: object) -> None:
        """Hold the daemon's lock for as long as this session lasts. Raises StoreBusyError if another one has it."""
        cursor = connection.cursor()
        cursor.execute(f"SELECT pg_try_advisory_lock({_DAEMON})")
        row = cursor.fetchone()
        cursor.close()
        connection.rollback()  # an open transaction would hold up the server's vacuum; the lock stays
        if not (row and row[0]):
            raise StoreBusyError(f"The store {self.where} takes no write now: {_IN_USE}")

    def _in_use_error(self) -> StoreError:
        return _in_use(self.where)

    def elsewhere(self, vat: str, since_us: int, until_us: int) -> list[str]:
        """Say where that is which was stored of a vat (empty: of the watch) in a span of UTC and is not here."""
        moved = archive_note.words(self.moved, vat, since_us, until_us)
        return [*moved, *archive_note.own_words(self.archive, vat, until_us)]

    def doubt(self) -> None:
        """Note that work may have been done that is done again: rows that are there already are passed over."""
        if self._writer is not None:
            self._writer.in_doubt = True

    def settled(self) -> None:
        """Note that all work of commits that seemed to fail was done again: no row need be looked for any more."""
        if self._writer is not None:
            self._writer.in_doubt = False

    def close(self) -> None:
        """Close every connection; the last one of SQLite moves the log into the file."""
        if self._lock is not None:
            self._lock.close()
        self.inbox_look.close()
        self._reader.dispose()
        if self._writer is not None:
            self._writer.driver.close()
            self._writer.engine.dispose()

    def __enter__(self) -> Self:
        """Return the store, to be closed at the end of the block."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the store."""
        self.close()

    def _migrate_and_mark(self, url: URL, *, simulated: bool, busy_s: float, identity: str) -> None:
        """Migrate, and mark a store that is not marked yet."""
        engine = make_engine(url, Access.CREATE, busy_s=busy_s)
        try:
            with self._claimed_if_old(engine):
                schema.migrate(engine, self.where, path=self.path)
            with engine.begin() as connection:
                present = connection.scalars(select(meta.c.key)).all()
                marks = {"simulated": _mark(simulated=simulated), "identity": identity or token_hex(8)}
                missing = [{"key": key, "value": value} for key, value in marks.items() if key not in present]
                if missing:
                    connection.execute(insert(meta), missing)
        finally:
            engine.dispose()

    @contextmanager
    def _claimed_if_old(self, engine: Engine) -> Iterator[None]:
        """Claim a store while it is migrated: an older daemon that watches with it would lose its tables."""
        with engine.connect() as connection:
            is_old = schema.revision(connection) not in (None, schema.HEAD)
        if is_old and self.path is None:
            with self.reading() as session:
                if not session.scalar(text(f"SELECT pg_try_advisory_lock({_DAEMON})")):
                    raise self._in_use_error()
                session.rollback()
                yield
                session.invalidate()  # and with it the lock
            return
        if is_old:
            self.claim()
        yield

    def _check(self, *, simulated: bool) -> None:
        with self.reading() as connection:
            schema.check(connection, self.where)
            marks = {row.key: row.value for row in connection.execute(select(meta))}
        self.identity, mark = marks.get("identity", ""), marks.get("simulated")
        self.archive, self.moved = archive_note.own(marks), archive_note.moved(marks)
        if self.archive is not None and self._writer is not None:
            raise StoreError(f"{self.where} is an archive, which is only read: name the store itself")
        if mark != _mark(simulated=simulated):
            kinds = ("simulated", "real") if mark == "true" else ("real", "simulated")
            raise StoreError(
                f"The store {self.where} was made for {kinds[0]} vats, the configuration watches {kinds[1]} ones: "
                "name another store in the configuration"
            )


def lock_file(path: Path) -> BinaryIO:
    """Be the only one that works on a store in a file until the lock is closed. Raises StoreError if another one does.

    The lock is a file of its own, so that one can be had on a store that is damaged.
    """
    file = path.with_name(f"{path.name}.lock")
    try:
        lock = private_file.opened(file, "ab")
    except OSError as error:
        raise StoreError(
            f"The lock {file} of the store cannot be opened ({error.strerror}): it and its folder must belong to"
            " the user that runs the daemon"
        ) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        lock.close()
        raise _in_use(path) from error
    return lock


def _in_use(where: object) -> StoreError:
    return StoreError(
        f"Another `vatvigil run` watches with the store {where}: end that one, or give this one a store of its own"
    )


def _require(path: Path, where: str, *, create: bool) -> None:
    if not path.parent.is_dir():
        raise StoreError(f"The store {where} cannot be there: make the folder {path.parent} first")
    if not create and not path.exists():
        raise StoreError(f"There is no store {where}: `vatvigil run` makes it; or correct [store] in the configuration")


def _mark(*, simulated: bool) -> str:
    return "true" if simulated else "false"
