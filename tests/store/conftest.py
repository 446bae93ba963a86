"""Both databases under every test of the store, and small series to put into them."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.store import Store

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
def store(store_url: str, opened: Opener) -> Store:
    """A new store of real vats."""
    return opened(store_url)
