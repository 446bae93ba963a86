"""Check the revision of a store, and migrate it to the newest one.

Law: only who asked for it migrates. One transaction brings the whole schema up, or nothing changes; an SQLite file
that holds data is copied beside itself first, and that copy is never overwritten. Alembic is imported only here, only
when the revisions differ: the daemon must not pay for it.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, column, inspect, select, table

from logger.errors import StoreError
from logger.store import tables
from logger.store.backup import copy_sqlite

HEAD = "0007"
"""Revision that this code reads and writes; the newest file in `migrations/versions` has it."""

VERSION_TABLE = "store_revision"
MIGRATIONS = Path(__file__).parent / "migrations"
_LOCK = 0x76617476  # "vatv": any number that no other program on the server takes


def check(connection: Connection, where: str) -> None:
    """Raise StoreError unless the store is at HEAD."""
    present = revision(connection)
    if present == HEAD:
        return
    if present is None:
        _refuse_foreign(connection, where)
        raise StoreError(f"The store {where} is empty: `vatvigil run` makes its tables")
    raise StoreError(
        f"The store {where} has revision {present}, this version of vatvigil works with {HEAD}: `vatvigil run` "
        "migrates an older store, after a backup, and `vatvigil archive upgrade` an archive; a newer store needs the "
        "newer vatvigil"
    )


def revision(connection: Connection) -> str | None:
    """Return the revision found in the database, None if there is none."""
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    return connection.scalar(select(column("version_num")).select_from(table(VERSION_TABLE)))


def _refuse_foreign(connection: Connection, where: str) -> None:
    others = sorted({*inspect(connection).get_table_names()} & {*tables.metadata.tables})
    if others:
        raise StoreError(
            f"The database {where} holds tables of another program ({', '.join(others)}): name an empty database"
        )


def migrate(engine: Engine, where: str, *, path: Path | None, head: str = HEAD, location: Path = MIGRATIONS) -> None:
    """Bring the store to `head`; `path` is the file of an SQLite store. Raises StoreError."""
    with engine.begin() as connection:
        _lock(connection)
        present = revision(connection)
        if present == head:
            return
        if present is None:
            _refuse_foreign(connection, where)
        with _copied(path, present):
            _upgrade(connection, where, head=head, location=location)


@contextmanager
def _copied(path: Path | None, present: str | None) -> Iterator[None]:
    """Keep a copy of an SQLite file with data; not if the block fails, for then the store stays as it was."""
    if path is None or present is None:
        yield
        return
    copy = _free_name(path, present)
    copy_sqlite(path, copy)
    try:
        yield
    except BaseException:
        copy.unlink()  # else a service that is restarted again and again would fill the disk
        raise


def _lock(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":  # SQLite took its write lock at the start
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")


def _free_name(path: Path, present: str) -> Path:
    """Return a name beside the store that says the old revision and that no file has."""
    number = 0
    while (name := path.with_name(f"{path.name}.{present}{f'-{number}' if number else ''}.backup")).exists():
        number += 1
    return name


def _upgrade(connection: Connection, where: str, *, head: str, location: Path) -> None:
    from alembic.command import upgrade  # noqa: PLC0415 - see the law
    from alembic.config import Config  # noqa: PLC0415
    from alembic.util import CommandError  # noqa: PLC0415

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", str(location).replace("%", "%%"))
    try:
        upgrade(config, head)
    except CommandError as error:
        raise StoreError(
            f"The store {where} cannot be brought to revision {head} ({error}): it was written by a newer vatvigil; "
            "install that one, or put a backup in its place"
        ) from error
