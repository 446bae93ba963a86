"""What can and cannot be opened, and what the refusal says."""

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.store import Store
from tests.store.conftest import Opener


def test_a_new_store_keeps_its_mark(store_url: str, opened: Opener) -> None:
    opened(store_url, simulated=True).close()
    opened(store_url, simulated=True, migrate=False)
    opened(store_url, simulated=True)


@pytest.mark.parametrize(("made", "words"), [(True, "simulated vats, the configuration watches real"),
                                             (False, "real vats, the configuration watches simulated")])  # fmt: skip
def test_simulated_and_real_vats_never_share_a_store(store_url: str, opened: Opener, made: bool, words: str) -> None:  # noqa: FBT001 - a parameter
    opened(store_url, simulated=made).close()
    for migrate in (True, False):
        with pytest.raises(StoreError, match=f"made for {words} ones: name another store in the configuration"):
            opened(store_url, simulated=not made, migrate=migrate)


def test_only_who_migrates_makes_a_store(sqlite_url: str, opened: Opener, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"There is no store /.*store.sqlite: `vatvigil run` makes it"):
        opened(sqlite_url, migrate=False)
    assert list(tmp_path.iterdir()) == []


def test_an_empty_database_is_named_as_such(postgres_url: str, opened: Opener) -> None:
    with pytest.raises(StoreError, match="is empty: `vatvigil run` makes its tables"):
        opened(postgres_url, migrate=False)


def test_a_missing_folder_is_named(tmp_path: Path, opened: Opener) -> None:
    with pytest.raises(StoreError, match=r"make the folder .*nowhere first"):
        opened(f"sqlite:///{tmp_path / 'nowhere' / 'store.sqlite'}")


def test_a_file_that_is_no_database_is_left_alone(sqlite_url: str, tmp_path: Path, opened: Opener) -> None:
    (tmp_path / "store.sqlite").write_text("turnips, 3 kg; salt, 2 %\n" * 100)
    for migrate in (True, False):
        with pytest.raises(StoreError, match="no SQLite database: name another file"):
            opened(sqlite_url, migrate=migrate)
    assert (tmp_path / "store.sqlite").read_text().startswith("turnips")


@pytest.mark.parametrize("migrate", [True, False])
def test_tables_of_another_program_are_left_alone(
    sqlite_url: str, tmp_path: Path, opened: Opener, migrate: bool  # noqa: FBT001 - a parameter
) -> None:  # fmt: skip
    with closing(sqlite3.connect(tmp_path / "store.sqlite")) as other:
        other.execute("CREATE TABLE run (distance_km)")
    with pytest.raises(StoreError, match=r"holds tables of another program \(run\): name an empty database"):
        opened(sqlite_url, migrate=migrate)


@pytest.mark.parametrize(
    "url", ["", "turnips", "mysql://u:hush@h/d", "sqlite://", "sqlite:///:memory:", "sqlite:///a.sqlite?cache=hush"]
)
def test_an_unusable_url_is_refused_without_its_secrets(url: str) -> None:
    with pytest.raises(StoreError, match=r"write sqlite:///folder/file\.sqlite") as refusal:
        Store.open(url, simulated=False)
    assert "hush" not in str(refusal.value)


def test_a_wrong_password_is_refused_without_showing_it(postgres_url: str, opened: Opener) -> None:
    user, _, rest = postgres_url.partition("@")
    with pytest.raises(StoreError, match=r"(?i)password authentication failed") as refusal:
        opened(f"{user.rpartition(':')[0]}:hush@{rest}")
    assert "hush" not in str(refusal.value)


def test_a_missing_database_is_named(postgres_url: str, opened: Opener) -> None:
    with pytest.raises(StoreError, match='database "nowhere" does not exist'):
        opened(f"{postgres_url.rpartition('/')[0]}/nowhere")


def test_a_store_up_to_date_is_opened_without_alembic_and_the_orm(sqlite_url: str, opened: Opener) -> None:
    opened(sqlite_url).close()
    code = (
        "import sys; from logger.store import Store, queries, history; "
        f"Store.open({sqlite_url!r}, simulated=False, migrate=True).close(); "
        "print([name for name in ('alembic', 'sqlalchemy.orm', 'psycopg') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_a_closed_store_is_one_file(sqlite_url: str, tmp_path: Path, opened: Opener) -> None:
    opened(sqlite_url).close()
    assert [path.name for path in tmp_path.iterdir()] == ["store.sqlite"]
    Store.open(sqlite_url, simulated=False, read_only=True).close()
    assert [path.name for path in tmp_path.iterdir()] == ["store.sqlite"]


def test_every_connection_of_sqlite_is_durable_and_checks_references(sqlite_url: str, opened: Opener) -> None:
    expected = {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "busy_timeout": 200,
        "recursive_triggers": 1,
    }
    with opened(sqlite_url).begin() as unit:
        found = {name: unit._connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in expected}  # noqa: SLF001 - looks inside
    assert found == expected


def test_a_lock_that_cannot_be_opened_is_told(sqlite_url: str, opened: Opener, tmp_path: Path) -> None:
    store = opened(sqlite_url)
    (tmp_path / "store.sqlite.lock").mkdir()
    with pytest.raises(StoreError, match=r"The lock .*store\.sqlite\.lock .* cannot be opened .* must belong to"):
        store.claim()
