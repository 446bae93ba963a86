"""Start the daemon: build every part on the store, with what an earlier run left there; begin anew if that is lost.

Law: only the store is touched before the loop runs. A store that is damaged is set aside and another one begun; what a
person can mend (a lock, a configuration) ends the start with a sentence.
"""

import gc
import logging
import signal
from collections.abc import Callable
from importlib.metadata import version
from queue import SimpleQueue

from logger.channels import Channels, DeadMansSwitch
from logger.config import Config
from logger.daemon import clock as clocks
from logger.daemon import renewal, restore, told_file
from logger.daemon.commit import Commit
from logger.daemon.cycle import Acquisition
from logger.daemon.housekeeping import Housekeeping
from logger.daemon.notify import Manager
from logger.daemon.port_threads import PortThread
from logger.daemon.progress import Progress
from logger.daemon.publisher import Publisher
from logger.daemon.renewal import Known
from logger.daemon.service import Daemon, QueueItem, Stop
from logger.daemon.store_thread import StoreThread
from logger.daemon.system_monitor import SystemMonitor
from logger.daemon.told_file import Told, ToldFile
from logger.daemon.ways_out import Ways
from logger.errors import ConfigurationError, StoreBusyError, StoreDamagedError
from logger.model import Cause, Entry, Event
from logger.mqtt.event import event_of, events_of
from logger.probe.reader import readers
from logger.store import Store
from logger.structs import replace
from logger.units import SECOND_US
from logger.watch.system import SYSTEM

log = logging.getLogger(__name__)

BUSY_S = 0.5
"""How long a commit waits for another process that holds the store. Common practice, no source."""
ANSWER_S = 10.0
"""After how long a server is lost that does not answer; no loop waits for it. Common practice, no source."""


def run(config: Config, *, config_hash: str) -> None:
    """Watch until SIGTERM or SIGINT. Raises StoreError when the store cannot be opened or brought up to date."""
    stop = Stop(is_starting=True)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop.end)
    signal.signal(signal.SIGHUP, stop.hang_up)
    daemon = build(config, config_hash=config_hash)
    while True:
        stop.is_starting = False
        gc.freeze()  # what lives to the end is not looked at again: a full collection held the loop up for 60 ms
        try:
            return daemon.run(stop)
        except StoreDamagedError as damage:
            why = str(damage)
        gc.unfreeze()
        gc.collect()  # what the error refers to keeps the file open, and SQLite's view of its log
        daemon = _build(config, config_hash=config_hash, known=renewal.look_again(config, why, daemon.known()))


def build(config: Config, *, config_hash: str) -> Daemon:
    """Build every part of the daemon; only the store is touched. One that is damaged or lost is begun anew."""
    gone = renewal.lost(config)
    if gone:
        return _build(config, config_hash=config_hash, known=renewal.renew(config, gone))
    try:
        return _build(config, config_hash=config_hash)
    except (StoreBusyError, ConfigurationError):
        raise
    except Exception as error:  # whatever garbage in a file may lead to
        why = renewal.damage_behind(config, error)
        if not why:
            raise
    return _build(config, config_hash=config_hash, known=renewal.renew(config, why))


def _build(config: Config, *, config_hash: str, known: Known | None = None) -> Daemon:
    store = Store.open(config.store_url, simulated=config.simulated, migrate=True, busy_s=BUSY_S, answer_s=ANSWER_S)
    try:
        store.claim()
        return _build_on(store, config, config_hash=config_hash, known=known)
    except BaseException:
        store.close()
        raise


def _build_on(store: Store, config: Config, *, config_hash: str, known: Known | None) -> Daemon:
    path, nothing = told_file.file_of(config, store), Told(store=store.identity)
    memory = ToldFile(path=path, ask=StoreThread("told").ask, told=nothing)
    left = memory.open(vat.id for vat in config.vats)
    told = None if known else left  # what is known is newer
    clock = known.clock if known else restore.clock(store, config, clocks.of(config.simulation), told)
    now, program = clock.read(), version("vatvigil")
    queue: SimpleQueue[QueueItem] = SimpleQueue()
    channels = Channels.of(config, post=queue.put)
    orphaned = restore.orphaned_entries(store, config, config_hash=config_hash, at_us=now.at_us)
    own = known.system if known else restore.system_carry(store, config, told)
    with store.begin() as work:
        number = work.start_run(at_us=now.at_us, elapsed_us=now.elapsed_us, version=program, config_hash=config_hash)
        text = f"vatvigil {program} began run {number}"
        work.add_entries([Entry(seq=0, at_us=now.at_us, vat="", cause=Cause.RUN_STARTED, text=text), *orphaned])
        work.begin_channels([channel.id for channel in channels.all], now.at_us)
        work.add_events(events_of(orphaned, _event_factory(config, channels)))
        if told:
            work.add_missing(told.entries, events_of(told.entries, _event_factory(config, channels)))
            work.remember(SYSTEM, own)
        if known:
            restore.remember(work, config, known.states, known.system)
            work.add_events(known.unsent)
        work.commit()
    log.info("%s; it watches %s and stores in %s", text, ", ".join(vat.id for vat in config.vats), store.where)
    if config.waiting_words:
        log.warning("By the configuration %s", config.waiting_words)
    writing, reading = StoreThread("store-writing"), StoreThread("store-reading")
    commit = Commit(
        store=store,
        run=number,
        event_of=_event_factory(config, channels),
        ask=writing.ask,
        told=memory,
        every_us=round(config.commit_every_s * SECOND_US),
    )
    watched = {vat.probe: restore.watched(store, config, vat) for vat in config.vats}
    if told:
        log.warning("The run before could not store all that it told; it is taken over from %s", memory.path)
        watched = {probe: restore.with_told(target, told) for probe, target in watched.items()}
    if known:
        store.doubt()  # the last of what waits may be in it
        commit.waiting.extend(restore.answerable(store, known.waiting))
        commit.delivered.update(known.delivered)
        for probe, (state, seq) in known.states.items():
            watched[probe] = replace(watched[probe], state=state, seq=seq)
    lines = readers(config.probes, simulated=config.simulated)
    return Daemon(
        config=config,
        clock=clock,
        store=store,
        acquisition=Acquisition(store, watched, ask=reading.ask, numbers=commit.numbers),
        commit=commit,
        ways_out=Ways(
            publisher=Publisher.of(config, version=program, store=store.identity, post=queue.put),
            channels=channels,
            dead_man=DeadMansSwitch(config=config.dead_man) if config.dead_man else None,
        ),
        ports=[PortThread(line, clock, post=queue.put) for line in lines],
        housekeeping=Housekeeping(store, clock, backup_dir=config.backup_dir, system=config.system, post=queue.put),
        manager=Manager.from_environment(),
        progress=Progress({probe: clock.real_s(config.probe(probe).poll_s) for probe in watched}),
        system_monitor=SystemMonitor.of(
            config,
            own,
            clock=clock,
            renewed=known.told if known else "",
        ),
        queue=queue,
        writing=writing,
    )


def _event_factory(config: Config, channels: Channels) -> Callable[[Entry], Event | None]:
    """Return what makes events of entries: without a broker, only those that another way out wants."""

    def event_or_none(entry: Entry) -> Event | None:
        event = event_of(entry, simulated=config.simulated)
        return event if config.mqtt or (event and channels.wants(event)) else None

    return event_or_none
