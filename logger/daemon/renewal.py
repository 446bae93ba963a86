"""Begin a store anew in place of one that is damaged or lost, with what is known: from memory, or from a backup.

Law: what is damaged is set aside and never changed; what it takes to go on is put into the new store in its first
transactions, so that a further restart finds it there. What was lost is told, with the span of it.

A new store is begun at once, and no backup is copied into its place: that would take long, and hide from a person that
something was lost. `vatvigil restore` does it when somebody wants the old records back in one store.
"""

import logging
from collections.abc import Iterable, Mapping
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

from logger.config import Config
from logger.daemon import clock as clocks
from logger.daemon import restore
from logger.daemon.clock import Clock
from logger.daemon.cycle import CycleResult
from logger.errors import RefusedError, StoreDamagedError, StoreError
from logger.model import Carry, Event, WatchState
from logger.store import Store, queries
from logger.store.backup import copies, copy_sqlite
from logger.store.engine import parse, sqlite_path
from logger.store.integrity import damage, set_aside
from logger.store.store import lock_file
from logger.structs import Struct, field, replace
from logger.units import SECOND_US
from logger.watch import pipeline, renewed, system
from logger.watch.pipeline import Watch

log = logging.getLogger(__name__)

LOOK_S = 3.0
"""How long a running watch looks for damage in a file that somebody has touched: the daily backup looks longer."""


class Known(Struct, frozen=True, kw_only=True):
    """What a watch goes on with: of each probe the state and the number of its newest record, and of the system."""

    clock: Clock
    states: Mapping[str, tuple[WatchState, int]]
    system: Carry
    identity: str
    """Of the store."""
    waiting: tuple[CycleResult, ...] = ()
    """What was not stored yet."""
    unsent: tuple[Event, ...] = ()
    """What the broker does not have yet."""
    delivered: Mapping[str, int] = field(default_factory=dict)
    """Events that the broker has, though no row says so, with the time."""
    told: str = ""
    """What became of the store, and of what was in it."""

    def carries(self) -> Iterable[Carry]:
        """Return everything that is or was carried and may still be stored."""
        yield from (state.carry for state, _ in self.states.values())
        yield from (outcome.carry for batch in self.waiting for outcome in batch.outcomes)


def file_of(config: Config) -> Path | None:
    """Return the file of the store; None: a server has it."""
    return sqlite_path(parse(config.store_url))


def lost(config: Config) -> str:
    """Say that there is no store where one was; empty: there is one, or never was."""
    path = file_of(config)
    if path is None or (path.exists() and path.stat().st_size):
        return ""
    before = path.with_name(f"{path.name}.lock").exists() or _newest_first(config)
    if not before:
        return ""
    return f"There is no store {path} any more" if not path.exists() else f"The store {path} is empty"


def damage_behind(config: Config, error: Exception) -> str:
    """Say what is wrong with the file behind an error that was met when it was opened; empty: nothing."""
    path = file_of(config)
    if isinstance(error, StoreDamagedError):
        return str(error)
    found = damage(path) if path is not None and path.exists() else ""
    return f"The store {path} is damaged ({found})" if found else ""


def renew(config: Config, why: str, memory: Known | None = None) -> Known:
    """Set the store aside, begin another one, and return what the watch goes on with. Raises StoreError."""
    path = file_of(config)
    if path is None:
        raise StoreError(f"{why}: only a store in a file is begun anew")
    log.error("%s; another one is begun", why)
    now_us = clocks.of(config.simulation).read().at_us
    aside = set_aside(path, "damaged", at_us=now_us)
    with _Backup.newest(config) as backup:
        known = memory or backup.known(config) or _nothing(config, now_us)
        with (
            Store.open(config.store_url, simulated=config.simulated, migrate=True, identity=known.identity) as store,
            store.begin() as work,
        ):
            if backup.store is not None:
                with backup.store.reading() as connection:
                    work.copy_references(connection)
            for carry in known.carries():
                work.refer(carry.electrode)
            for vat in config.vats:
                if vat.probe in known.states:
                    work.resume_batch(vat.id, known.states[vat.probe][0].carry.batch)
            work.commit()
    kept = f"It is kept as {aside}" if aside else "Nothing of it was found"
    where = "from memory, as they were" if memory else backup.words
    text = f"{why}. {kept}; a new one was begun at {_utc(now_us)}. Alarms, calibrations and the batch go on {where}"
    return replace(known, told=text)


def look_again(config: Config, why: str, memory: Known) -> Known:
    """Return what a running watch goes on with after somebody touched its file: in that file, if it is sound."""
    path = file_of(config)
    found = why if path is None or not path.exists() else _damage(path)
    if found:
        return renew(config, why if found == why else f"{why} ({found})", memory)
    return replace(memory, told=f"{why}. What is left of it is sound and goes on; what was stored last may be missing")


class Restored(Struct, frozen=True, kw_only=True):
    """What became of a restore."""

    backup: Path
    newest_at_us: int
    """UTC of the newest record in it; 0: it has none."""
    aside: Path | None
    """Where the store that was in force is kept; None: there was none."""


def put_in_force(config: Config, backup: Path | None) -> Restored:
    """Put a backup (None: the newest) in the place of the store, which is kept. Raises RefusedError or StoreError."""
    path = file_of(config)
    if path is None:
        raise RefusedError("the store is a server's: restore it by the server's own means (pg_restore)")
    chosen = backup or next(iter(_newest_first(config)), None)
    if chosen is None:
        raise RefusedError("there is no backup in backup_dir: name the file of one")
    if not chosen.is_file():
        raise RefusedError(f"there is no file {chosen}")
    if found := damage(chosen):
        raise RefusedError(f"the backup {chosen} is damaged ({found}): take an older one")
    new = path.with_name(f"{path.name}.restoring")
    with closing(lock_file(path)):
        try:
            copy_sqlite(chosen, new)
            newest_at_us = _adjust(new, config)
            aside = set_aside(path, "replaced", at_us=clocks.of(config.simulation).read().at_us)
            new.rename(path)
        finally:
            new.unlink(missing_ok=True)
    return Restored(backup=chosen, newest_at_us=newest_at_us, aside=aside)


def _adjust(file: Path, config: Config) -> int:
    """Bring a copy of a backup to this revision, and let it know what it is; return the UTC of its newest record."""
    with Store.open(f"sqlite:///{file}", simulated=config.simulated, migrate=True) as store:
        known = _Backup(store, file).of_store(store, config)
        with store.begin() as work:
            restore.remember(work, config, known.states, known.system)
            work.commit()
        return max((end.at_us for p in config.probes if (end := queries.last_position(store, p.id))), default=0)


def _damage(path: Path) -> str:
    """Say what is wrong with a file that is not open here any more; what indexes its log may be of another log."""
    path.with_name(f"{path.name}-shm").unlink(missing_ok=True)  # it is made again from the log
    return damage(path, within_s=LOOK_S)


class _Backup:
    """The newest backup that can be read, if there is one."""

    def __init__(self, store: Store | None, file: Path | None) -> None:
        self.store, self._file = store, file
        self.words = "as at a first start, for no backup could be read: calibrate each probe"

    @classmethod
    def newest(cls, config: Config) -> Self:
        """Open it for reading."""
        for file in _newest_first(config):
            try:
                return cls(Store.open(f"sqlite:///{file}", simulated=config.simulated, read_only=True), file)
            except StoreError as error:
                log.warning("The backup %s cannot be used: %s", file, error)
        return cls(None, None)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.store is not None:
            self.store.close()

    def known(self, config: Config) -> Known | None:
        """Return what it knows, as of now; None: there is none, or it cannot be read."""
        if self.store is None:
            return None
        try:
            return self.of_store(self.store, config)
        except StoreError as error:
            log.warning("The backup %s cannot be used: %s", self._file, error)
            self.store.close()
            self.store = None
            return None

    def of_store(self, store: Store, config: Config) -> Known:
        """Return what a store knows that is a backup, as of now."""
        clock = restore.clock(store, config, clocks.of(config.simulation))
        now = clock.read()
        ends = [end.at_us for probe in config.probes if (end := queries.last_position(store, probe.id))]
        since_us = max(ends, default=0)
        unknown_s = max(0, now.at_us - since_us) // SECOND_US + 1 if since_us <= now.at_us else 1_000_000
        states = {}
        for vat in config.vats:
            watched = restore.watched(store, config, vat)
            carry = renewed.from_backup(
                watched.state.carry, vat, unknown_s=unknown_s, elapsed_us=now.elapsed_us, at_us=now.at_us
            )
            states[vat.probe] = (replace(watched.state, carry=carry), watched.seq + unknown_s)
        own = restore.system_carry(store, config)
        own = renewed.from_backup(
            own, system.vat_of(config), unknown_s=unknown_s, elapsed_us=now.elapsed_us, at_us=now.at_us
        )
        self.words = (
            f"from the backup {self._file}, as they were at {_utc(since_us)}: what was stored and asked since is not"
            " known to the watch. `vatvigil restore` puts that backup in force. Check each probe: until then nothing"
            " is claimed"
        )
        return Known(clock=clock, states=states, system=own, identity=store.identity)


def _nothing(config: Config, now_us: int) -> Known:
    states = {}
    for vat in config.vats:
        watch = Watch(vat=vat, probe=config.probe(vat.probe))
        state = pipeline.fresh(watch)
        carry = renewed.from_nothing(state.carry, vat, at_us=now_us)
        states[vat.probe] = (replace(state, carry=carry), 0)
    own = renewed.from_nothing(system.fresh(), system.vat_of(config), at_us=now_us)
    return Known(clock=clocks.of(config.simulation), states=states, system=own, identity="")


def _newest_first(config: Config) -> list[Path]:
    path = file_of(config)
    if path is None or config.backup_dir is None:
        return []
    return copies(path, config.backup_dir)[::-1]


def _utc(at_us: int) -> str:
    return f"{datetime.fromtimestamp(at_us // SECOND_US, UTC):%Y-%m-%d %H:%M} UTC"
