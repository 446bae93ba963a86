"""The migrations make exactly the tables of the code, keep every row, and can fail without harm."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, inspect

from logger.errors import StoreError
from logger.store import Store, history, queries, schema
from logger.store.engine import Access, make_engine, parse, sqlite_path
from logger.store.tables import metadata
from tests.store.conftest import Opener
from tests.store.factories import calibration, entry, event, measurements, outcome

AFTER = f"{int(schema.HEAD) + 1:04}"
NEXT = f'''"""Add the machine's name to a run."""
import sqlalchemy as sa
from alembic import op

revision = "{AFTER}"
down_revision = "{schema.HEAD}"


def upgrade() -> None:
    op.add_column("run", sa.Column("host", sa.Text(), server_default="attic", nullable=False))
'''


only_sqlite = pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)  # PostgreSQL has tools of its own


@pytest.fixture
def newer(tmp_path: Path) -> Path:
    """The migrations, with one more."""
    folder = tmp_path / "migrations 100%"
    shutil.copytree(schema.MIGRATIONS, folder, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "versions" / f"{AFTER}_host.py").write_text(NEXT)
    return folder


@pytest.fixture
def filled(store: Store) -> Store:
    with store.begin() as unit:
        run = unit.start_run(at_us=1, elapsed_us=2, version="0", config_hash="")
        unit.add_calibration(calibration())
        unit.add_events([event("a")])
        unit.append(outcome(measurements(1, 50), entries=[entry()]), run=run)
        unit.commit()
    store.close()
    return store


def migrate(url: str, location: Path, *, head: str = AFTER) -> None:
    engine = make_engine(parse(url), Access.CREATE, busy_s=1)
    try:
        schema.migrate(engine, "it", path=sqlite_path(parse(url)), head=head, location=location)
    finally:
        engine.dispose()


def connect(url: str) -> Engine:
    return make_engine(parse(url), Access.READ, busy_s=1)


def columns(url: str, table: str) -> set[str]:
    engine = connect(url)
    with engine.connect() as connection:
        found = {column["name"] for column in inspect(connection).get_columns(table)}
    engine.dispose()
    return found


def backups(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if "backup" in path.name)


@pytest.mark.usefixtures("store")
def test_migrations_make_exactly_the_tables_of_the_code(store_url: str) -> None:
    engine = connect(store_url)
    with engine.connect() as connection:
        options = {"version_table": schema.VERSION_TABLE, "compare_type": True, "compare_server_default": True}
        differences = compare_metadata(MigrationContext.configure(connection, opts=options), metadata)
    engine.dispose()
    assert differences == []


def test_the_code_names_the_newest_revision() -> None:
    config = Config()
    config.set_main_option("script_location", str(schema.MIGRATIONS))
    assert ScriptDirectory.from_config(config).get_heads() == [schema.HEAD]


@pytest.mark.usefixtures("filled")
def test_an_old_store_is_brought_up_with_every_row(store_url: str, newer: Path, tmp_path: Path) -> None:
    migrate(store_url, newer)
    assert "host" in columns(store_url, "run")
    engine = connect(store_url)
    with engine.connect() as connection:
        counts = {table: connection.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar() for table in  # noqa: S608 - the names stand here
                  ("run", "calibration", "measurement", "journal", "outbox")}  # fmt: skip
        host = connection.exec_driver_sql("SELECT host FROM run").scalar()
    engine.dispose()
    assert counts == {"run": 1, "calibration": 1, "measurement": 50, "journal": 1, "outbox": 1}
    assert host == "attic"
    assert backups(tmp_path) == ([f"store.sqlite.{schema.HEAD}.backup"] if store_url.startswith("sqlite") else [])


@pytest.mark.usefixtures("filled")
@only_sqlite
def test_the_copy_made_before_a_migration_is_the_old_store(
    newer: Path, tmp_path: Path, sqlite_url: str, opened: Opener
) -> None:
    migrate(sqlite_url, newer)
    with opened(f"sqlite:///{tmp_path}/store.sqlite.{schema.HEAD}.backup", migrate=False) as old:
        [span] = history.spans(old)
        assert (span.first, span.last) == (1, 50)
        assert queries.entries(old, limit=9) == [entry()]


@pytest.mark.usefixtures("filled")
@only_sqlite
def test_an_older_copy_is_never_overwritten(store_url: str, newer: Path, tmp_path: Path) -> None:
    (tmp_path / f"store.sqlite.{schema.HEAD}.backup").write_text("older")
    migrate(store_url, newer)
    assert backups(tmp_path) == [f"store.sqlite.{schema.HEAD}-1.backup", f"store.sqlite.{schema.HEAD}.backup"]
    assert (tmp_path / f"store.sqlite.{schema.HEAD}.backup").read_text() == "older"


@pytest.mark.usefixtures("filled")
def test_a_migration_that_fails_changes_nothing(store_url: str, newer: Path, tmp_path: Path) -> None:
    before = columns(store_url, "run")
    with (newer / "versions" / f"{AFTER}_host.py").open("a") as script:
        script.write('    raise ZeroDivisionError("halfway")\n')
    for _ in range(2):
        with pytest.raises(ZeroDivisionError):
            migrate(store_url, newer)
    assert columns(store_url, "run") == before
    assert backups(tmp_path) == []
    Store.open(store_url, simulated=False, migrate=True).close()


@pytest.mark.usefixtures("filled")
def test_a_store_of_a_newer_version_is_left_alone(store_url: str, newer: Path, tmp_path: Path) -> None:
    migrate(store_url, newer)
    kept = backups(tmp_path)
    with pytest.raises(StoreError, match=f"has revision {AFTER}, this version of vatvigil works with {schema.HEAD}"):
        Store.open(store_url, simulated=False)
    with pytest.raises(StoreError, match="was written by a newer vatvigil"):
        Store.open(store_url, simulated=False, migrate=True)
    assert backups(tmp_path) == kept


@pytest.mark.usefixtures("filled")
def test_a_store_up_to_date_is_not_copied(store_url: str, tmp_path: Path) -> None:
    Store.open(store_url, simulated=False, migrate=True).close()
    assert backups(tmp_path) == []


def test_a_wholly_copied_old_store_passes_the_integrity_check(
    sqlite_url: str, newer: Path, tmp_path: Path, opened: Opener
) -> None:
    opened(sqlite_url).close()
    migrate(sqlite_url, newer)
    with closing(sqlite3.connect(tmp_path / f"store.sqlite.{schema.HEAD}.backup")) as copy:
        assert copy.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
