"""Hand the statements of a cycle to the driver as text, on a connection that stays open between transactions.

Law: what the driver refuses leaves here in the words of `engine.py`, as from everywhere else; a connection that was
lost, or on which a transaction did not end well, is not used again. One thread at a time has it.

SQLAlchemy's work on a statement costs ten times the database's own, and taking a connection from its pool as much as a
row: `tests/bench/bench_store.py`. The rare statements go its way, in the same transaction.
"""

from collections.abc import Callable, Iterable, Sequence
from threading import Lock
from typing import Any, Self, cast

from sqlalchemy import Connection, Delete, Engine, Insert, Update
from sqlalchemy.engine.interfaces import DBAPIConnection

from logger.errors import StoreBusyError
from logger.store.engine import name_error
from logger.structs import Struct


class Prepared(Struct, frozen=True):
    """A statement as the driver takes it, and the names of its values in their order."""

    text: str
    names: tuple[str, ...]

    @classmethod
    def of(cls, engine: Engine, statement: Insert | Update | Delete, names: Iterable[str] | None = None) -> Self:
        """Compile a statement; `names`: the columns that an insert fills, where they are not all."""
        compiled = statement.compile(engine, column_keys=None if names is None else [*names])
        return cls(str(compiled), tuple(compiled.positiontup or ()))


class Driver:
    """The connection that writes, and its transaction. Every method may raise StoreBusyError."""

    __slots__ = (
        "_bare",
        "_busy_s",
        "_connection",
        "_engine",
        "_is_closed",
        "_is_open",
        "_is_sqlite",
        "_lock",
        "_where",
    )

    _connection: Connection
    _bare: DBAPIConnection
    """The driver's own, below `_connection`."""

    def __init__(self, engine: Engine, *, where: str, busy_s: float) -> None:
        """Prepare; nothing connects yet."""
        self._engine, self._where, self._busy_s = engine, where, busy_s
        self._is_sqlite = engine.dialect.name == "sqlite"
        self._lock = Lock()
        self._is_open = self._is_closed = False

    def begin(self) -> Connection:
        """Begin a transaction that has the write lock; return its connection, for what is not run here."""
        if not self._lock.acquire(timeout=self._busy_s):
            raise StoreBusyError("Another thread of this program writes to the store; it is tried again")
        try:
            if not self._is_open:
                self._connect()
            if self._is_sqlite:  # PostgreSQL's driver begins with the first statement
                self._do(lambda: self._bare.cursor().execute("BEGIN IMMEDIATE"))
        except BaseException:
            self.end(is_sound=False)
            raise
        return self._connection

    def run(self, statement: Prepared, rows: Iterable[Sequence[Any]]) -> None:
        """Run a statement once for each row of values, which stand in the order of its names.

        PEP 249 speaks of a sequence of rows; both drivers take what yields them one by one.
        """
        self._do(lambda: cast("Any", self._bare.cursor()).executemany(statement.text, rows))

    def commit(self) -> None:
        """Make durable what was run here and elsewhere on the connection."""
        if self._connection.in_transaction():  # SQLAlchemy believes that it began it
            self._connection.commit()
        else:
            self._do(self._bare.commit)

    def end(self, *, is_sound: bool) -> None:
        """Let the next transaction begin; `is_sound`: this one was committed, and the connection can be used again."""
        try:
            if not is_sound or self._is_closed:
                self._drop()
        finally:
            self._lock.release()

    def close(self) -> None:
        """Close the connection, at the end of a transaction that runs."""
        self._is_closed = True
        self.release()

    def release(self) -> None:
        """Let the next transaction connect anew."""
        if self._lock.acquire(blocking=False):
            self.end(is_sound=False)

    def _connect(self) -> None:
        self._connection = self._engine.connect()
        self._is_open = True
        bare = self._connection.connection.dbapi_connection
        if bare is None:
            raise StoreBusyError(f"The store {self._where} takes no write now: its connection was lost")
        self._bare = bare

    def _drop(self) -> None:
        if self._is_open:
            self._is_open = False
            self._connection.close()  # rolls back

    def _do(self, work: Callable[[], object]) -> None:
        try:
            work()
        except Exception as error:
            named, is_lost = name_error(self._where, error)
            if is_lost:
                self._connection.invalidate()
            if named is not None:
                raise named from error
            raise
