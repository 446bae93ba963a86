"""Read the store for the page, over and over, and say so when it is away.

Law: the newest that could be read is kept and shown with its age, never as if it were of now. A store that was away is
opened anew; so is a file that another one took the place of, which would go on showing the old one's night.
"""

import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from logger.config import Config
from logger.errors import StoreError
from logger.report.overview import Overview
from logger.report.status import gather
from logger.store import Store

KEPT_S = 1.0
"""Real seconds for which what was read is given to all who ask. Common practice, no source."""
ANSWER_S = 5.0
"""How long a server may take to answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What is known of all vats, and when (UTC, microseconds) that was read; None: nothing could be read yet."""

    overview: Overview | None
    read_us: int | None
    trouble: str
    """Why the store cannot be read now; empty: it can."""
    trouble_since_us: int | None


@dataclass(slots=True)
class Source:
    """A store that is read by many threads."""

    config: Config
    now_us: Callable[[], int]
    """UTC now, microseconds."""
    _store: Store | None = None
    _file: os.stat_result | None = None
    _look: Look = field(default_factory=lambda: Look(overview=None, read_us=None, trouble="", trouble_since_us=None))
    _looked_s: float = -KEPT_S
    _opening: threading.Lock = field(default_factory=threading.Lock)
    _looking: threading.Lock = field(default_factory=threading.Lock)

    def look(self) -> Look:
        """Return what is known of all vats; who asks while it is read gets the same."""
        with self._looking:
            if time.monotonic() - self._looked_s >= KEPT_S:
                self._look = self._read()
                self._looked_s = time.monotonic()
            return self._look

    def _read(self) -> Look:
        now_us, before = self.now_us(), self._look
        try:
            with self.reading() as store:
                overview = gather(self.config, store, at_us=now_us)
        except StoreError as error:
            since_us = before.trouble_since_us or now_us
            return Look(overview=before.overview, read_us=before.read_us, trouble=str(error), trouble_since_us=since_us)
        return Look(overview=overview, read_us=now_us, trouble="", trouble_since_us=None)

    @contextmanager
    def reading(self) -> Iterator[Store]:
        """Give the store to read from. Raises StoreError; the next one opens it anew then."""
        store = self._opened()
        try:
            yield store
        except StoreError:
            self._drop(store)
            raise

    def close(self) -> None:
        """Close the store."""
        if self._store is not None:
            self._drop(self._store)

    def _opened(self) -> Store:
        with self._opening:
            if self._store is not None and not self._is_same_file(self._store):
                self._store.close()
                self._store = None
            if self._store is None:
                config = self.config
                self._store = Store.open(
                    config.store_url, simulated=config.simulated, read_only=True, answer_s=ANSWER_S
                )
                self._file = _stat(self._store)
            return self._store

    def _is_same_file(self, store: Store) -> bool:
        if store.path is None:
            return True
        now = _stat(store)
        return now is not None and self._file is not None and os.path.samestat(now, self._file)

    def _drop(self, store: Store) -> None:
        with self._opening:
            if self._store is store:
                self._store = None
            store.close()


def _stat(store: Store) -> os.stat_result | None:
    try:
        return None if store.path is None else store.path.stat()
    except OSError:
        return None
