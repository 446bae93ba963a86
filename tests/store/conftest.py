"""Both databases under every test of the store, and small series to put into them."""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import make_url

from logger.store import Store
from tests.parts.postgres import Postgres

Opener = Callable[..., Store]


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a store that is not made yet."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store.sqlite'}"
    return str(request.getfixturevalue("postgres_url"))


@pytest.fixture
def sqlite_url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'store.sqlite'}"


@pytest.fixture
def opened() -> Iterator[Opener]:
    """Open stores that are closed after the test."""
    stores: list[Store] = []

    def open_store(url: str, *, simulated: bool = False, migrate: bool = True, busy_s: float = 0.2) -> Store:
        stores.append(Store.open(url, simulated=simulated, migrate=migrate, busy_s=busy_s))
        return stores[-1]

    yield open_store
    for store in stores:
        store.close()


@pytest.fixture
def store(request: pytest.FixtureRequest, store_url: str, opened: Opener) -> Store:
    """A new store of real vats: a copy of one whose tables were made once."""
    url = make_url(store_url)
    if url.drivername == "sqlite":
        shutil.copy(request.getfixturevalue("made_sqlite"), str(url.database))
    else:
        cluster: Postgres = request.getfixturevalue("postgres")
        cluster.execute(f"DROP DATABASE {url.database}")
        cluster.execute(f"CREATE DATABASE {url.database} TEMPLATE {request.getfixturevalue('made_postgres')}")
    return opened(store_url)


@pytest.fixture(scope="session")
def made_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of an empty store."""
    file = tmp_path_factory.mktemp("made") / "store.sqlite"
    Store.open(f"sqlite:///{file}", simulated=False, migrate=True).close()
    return file


@pytest.fixture(scope="session")
def made_postgres(postgres: Postgres) -> str:
    """The name of a database that is an empty store."""
    postgres.execute("CREATE DATABASE made")
    Store.open(postgres.url("made"), simulated=False, migrate=True).close()
    return "made"
