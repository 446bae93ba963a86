"""The daemon: builds every part, owns the clock, the signals and the one loop that decides and writes.

Law: port threads, the broker's thread and the scheduler only post into one queue; this loop drains it, evaluates,
commits once, then tells the hub. What nobody expected ends the process with its traceback, for the service manager to
start it anew; the state on disk is whole at any moment.

Ages that a hub acts on (heartbeat) go by watch time; a record of the future is no sign of life. The daemon refuses an
instrument whose identity says otherwise than the configuration: simulation is a property of the whole configuration and
of the whole store.
"""

import logging
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from importlib.metadata import version
from queue import Empty, SimpleQueue

from logger.config import Config
from logger.daemon import clock as clocks
from logger.daemon import restore
from logger.daemon.clock import Clock, ClockReading
from logger.daemon.cycle import Acquisition, Commit, CycleResult
from logger.daemon.housekeeping import DiskSpace, Housekeeping, HousekeepingReport
from logger.daemon.notify import Manager
from logger.daemon.port_threads import PortThread
from logger.daemon.publisher import Publisher
from logger.daemon.system_monitor import SystemMonitor
from logger.errors import StoreBusyError, ThreadCrash
from logger.hook import Hook, HookResult
from logger.model import Carry, Cause, Command, Entry, Event, Indication, WatchState
from logger.mqtt.event import event_of, events_of, is_urgent
from logger.mqtt.inbound import REMEMBERED
from logger.mqtt.messages import Incoming, NetworkEvent
from logger.probe.reader import readers
from logger.store import Store, queries
from logger.units import SECOND_US
from logger.watch.system import SYSTEM

log = logging.getLogger(__name__)

LAST_WORDS_S = 3.0
"""How long the end waits for the broker to take what is due."""
LAST_COMMIT_S = 20.0
"""How long the end waits for a busy store to take what waits. [CP]"""
HUNG_S, HUNG_POLLS = 60.0, 3
"""A port not read for so long and so many polls hangs: only a new process may help. [CP]"""
BUSY_S = 0.5
"""How long a cycle waits for another process that holds the store. [CP]"""

QueueItem = Indication | ThreadCrash | NetworkEvent | HousekeepingReport | DiskSpace | HookResult


@dataclass(slots=True)
class Stop:
    """Set by a signal: the loop ends after what it is doing."""

    wanted: bool = False


@dataclass(slots=True, kw_only=True)
class Daemon:
    """Everything that runs, and the loop over it."""

    config: Config
    clock: Clock
    store: Store
    acquisition: Acquisition
    commit: Commit
    hub: Publisher | None
    hook: Hook | None
    ports: list[PortThread]
    housekeeping: Housekeeping
    manager: Manager
    machine: SystemMonitor
    queue: SimpleQueue[QueueItem]
    inbound_commands: list[Command] = field(default_factory=list)
    read_s: dict[str, float] = field(default_factory=dict)
    """Steady real time of the newest read, by probe."""

    def run(self, stop: Stop) -> None:
        """Watch until told to stop."""
        self._start()
        try:
            while not stop.wanted:
                self._round(self._drain())
        finally:
            self._end()

    def _start(self) -> None:
        if self.hub:
            self._introduce(self.hub)
        if self.hook:
            self._resume(self.hook)
        self.housekeeping.start()
        self._pace()
        for port in self.ports:
            port.start()
        self.read_s = dict.fromkeys(self.acquisition.watched, time.monotonic())
        self.manager.ready()

    def _introduce(self, hub: Publisher) -> None:
        """Tell the hub of everything; remember where, so that what leaves the configuration can be cleared there."""
        before = queries.retained_topics(self.store)
        unsent = queries.unsent_events(self.store, limit=queries.outbox_waiting(self.store).count)
        carries = {**self._carries(), self.machine.vat.id: self.machine.carry}
        hub.inbound.remember(queries.deliveries(self.store, limit=REMEMBERED))
        hub.start(carries, unsent, retained=before, at_us=self.clock.read().at_us)
        with self.store.begin() as work:
            work.remember_topics([*before, *hub.retained()])
            work.commit()

    def _resume(self, hook: Hook) -> None:
        """Hand over what an earlier run could bring out neither way; it has waited since it happened."""
        now_us, at_us = _now_us(), self.clock.read().at_us
        for event in queries.unhooked_events(self.store):
            hook.offer([event], now_us, waited_s=self.clock.real_s((at_us - event.at_us) / SECOND_US))
        hook.start()

    def _drain(self) -> list[QueueItem]:
        """Wait for something to happen, but not beyond what is due; return all that has."""
        try:
            items = [self.queue.get(timeout=self._patience_s())]
        except Empty:
            return []
        while not self.queue.empty():
            items.append(self.queue.get())
        return items

    def _patience_s(self) -> float:
        dues_us = [way.next_due_us for way in (self.hub and self.hub.delivery, self.hook) if way]
        now_us = _now_us()
        return min([1.0, *(max(0.0, (due_us - now_us) / SECOND_US) for due_us in dues_us if due_us is not None)])

    def _round(self, items: list[QueueItem]) -> None:
        now = self.clock.read()
        at_us = now.at_us
        before = [entry for item in items for entry in self._take(item, at_us=at_us)]
        before += self._tally(at_us=at_us)
        indications = [item for item in items if isinstance(item, Indication)]
        batch = self._with_heard(self.acquisition.cycle(indications) if indications else CycleResult())
        batch.entries += before
        delivery = self.hub.delivery if self.hub else None
        shared = self.hub.others.trouble(_now_us()) if self.hub else ""
        if self.machine.judge(batch, now=now, delivery=delivery, shared=shared, store=self.commit.trouble):
            self.housekeeping.plan_anew()
        if batch:
            self._keep(batch, at_us=at_us)
        if indications:
            self._pace()
            self._prove(indications)
        self._deliver(now)

    def _prove(self, indications: list[Indication]) -> None:
        """Tell the manager of progress, unless a port hangs: it must not hide behind the others."""
        now_s = time.monotonic()
        self.read_s.update(dict.fromkeys((i.probe for i in indications), now_s))
        limits = {p: HUNG_S + HUNG_POLLS * self.clock.real_s(self.config.probe(p).poll_s) for p in self.read_s}
        if all(now_s - self.read_s[probe] < limit for probe, limit in limits.items()):
            self.manager.alive()

    def _pace(self) -> None:
        """Let each probe be read as often as its watch wants it now."""
        for port in self.ports:
            for probe in port.probes:
                carry = self.acquisition.watched[probe].state.carry
                port.attend(probe, attended=carry.suppression.attended_until_us is not None)

    def _keep(self, batch: CycleResult, *, at_us: int) -> None:
        for entry in batch.all_entries():
            level = logging.WARNING if entry.annunciates else logging.INFO
            log.log(
                level, "%s", " ".join(filter(None, [entry.vat or SYSTEM, entry.alarm, f"{entry.cause}: {entry.text}"]))
            )
        self._say(self.commit.take(batch, at_us=at_us))
        if self.hub:
            self._show(self.hub, batch, at_us=at_us)

    def _show(self, hub: Publisher, batch: CycleResult, *, at_us: int) -> None:
        for outcome in batch.outcomes:
            hub.show(outcome, now_us=_now_us())
        if batch.system:
            hub.show_own(batch.system, batch.entries, at_us=at_us)

    def _say(self, events: list[Event]) -> None:
        if self.hub:
            self.hub.delivery.offer(events)
        if self.hook:
            self.hook.offer(events, _now_us())

    def _take(self, item: QueueItem, *, at_us: int) -> Iterator[Entry]:
        """Hand one item to whom it concerns; yield what is to be journalled of it."""
        match item:
            case ThreadCrash(error):
                raise RuntimeError("a thread ended unexpectedly") from error
            case HousekeepingReport(entry):
                yield entry
            case DiskSpace():
                self.machine.room = item
            case HookResult() if self.hook:
                failed = self.hook.on_result(item, _now_us(), at_us=at_us)
                if failed:
                    yield failed
            case Indication() | HookResult():
                pass
            case _ if self.hub:
                yield from self._hear(self.hub, item, at_us=at_us)

    def _hear(self, hub: Publisher, item: NetworkEvent, *, at_us: int) -> Iterator[Entry]:
        """Take in what came from the broker; yield the refusal if it asked for what cannot be."""
        hub.on(item, _now_us())
        if not isinstance(item, Incoming):
            return
        asked = hub.inbound.receive(item, self._states(), at_us=at_us, now_us=_now_us())
        if isinstance(asked, Entry):
            yield asked
        elif asked is not None:
            self.inbound_commands.append(asked)

    def _tally(self, *, at_us: int, last: bool = False) -> list[Entry]:
        """Return the count of the commands that came too thick to be written down, when it is due."""
        counted = self.hub.inbound.rate_limit.tally(_now_us(), at_us=at_us, last=last) if self.hub else None
        return [counted] if counted else []

    def _with_heard(self, batch: CycleResult) -> CycleResult:
        """Put into a batch what came from outside, and forget it."""
        heard = batch.keep_storable(self.inbound_commands)
        batch.commands += self.acquisition.hear(heard) if self.commit.trouble else heard
        batch.receipts += self.hub.inbound.take_held() if self.hub else []
        self.inbound_commands = []
        return batch

    def _deliver(self, now: ClockReading) -> None:
        """Bring out what is due by either way, and note what got out."""
        accepted = self._pump(self.hub, now) if self.hub else []
        told = self._pump_hook(self.hook, accepted) if self.hook else []
        self.commit.delivered.update(dict.fromkeys(accepted if self.hub else told, now.at_us))
        self.commit.hooked.update(dict.fromkeys(told, now.at_us))
        if (accepted or told) and not self.commit.trouble:  # else each would wait for the store; the next record tries
            self._say(self.commit.flush(at_us=now.at_us))

    def _pump(self, hub: Publisher, now: ClockReading) -> list[str]:
        """Send what is next; return the events that the broker took."""
        hub.release(self.commit.take_receipts())
        waiting, oldest_at_us = hub.delivery.waiting, hub.delivery.oldest_at_us
        hub.beat(self._carries(), waiting, oldest_at_us, now=now, now_us=_now_us())
        hub.delivery.pump(_now_us())
        return hub.delivery.take_delivered()

    def _pump_hook(self, hook: Hook, accepted: list[str]) -> list[str]:
        """Run what is next; return the events that went out so."""
        hook.forget(accepted)
        hook.pump(_now_us())
        return hook.take_done()

    def _states(self) -> dict[str, WatchState]:
        return {w.watch.vat.id: w.state for w in self.acquisition.watched.values()}

    def _carries(self) -> dict[str, Carry]:
        return {vat: state.carry for vat, state in self._states().items()}

    def _end(self) -> None:
        """Stop reading, store and deliver what is there, say goodbye."""
        self.manager.stopping()
        self.housekeeping.stop()
        for port in self.ports:
            port.stop()
        for port in self.ports:
            port.join()
        if self.hook:
            self.hook.stop()
        self._round(self._rest())
        self._round([HousekeepingReport(entry) for entry in self._tally(at_us=self.clock.read().at_us, last=True)])
        self._finish()
        if self.hub:
            self.hub.release(self.commit.take_receipts())
            self.hub.client.stop()
        self.store.close()
        if self.commit.waiting:
            raise StoreBusyError(f"The watch ended; its last {len(self.commit.waiting)} cycles were not stored")

    def _finish(self) -> None:
        """Give the store and the broker some time to take what is due."""
        began = time.monotonic()
        while self.commit.waiting and time.monotonic() < began + LAST_COMMIT_S:
            self._say(self.commit.flush(at_us=self.clock.read().at_us))
        until = time.monotonic() + LAST_WORDS_S
        while self.hub and self.hub.delivery.connected and not self.hub.delivery.settled and time.monotonic() < until:
            self._round(self._drain())

    def _rest(self) -> list[QueueItem]:
        items = []
        while not self.queue.empty():
            items.append(self.queue.get())
        return items


def run(config: Config, *, config_hash: str) -> None:
    """Watch until SIGTERM or SIGINT. Raises StoreError when the store cannot be opened or brought up to date."""
    stop = Stop()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: setattr(stop, "wanted", True))
    build(config, config_hash=config_hash).run(stop)


def build(config: Config, *, config_hash: str) -> Daemon:
    """Build every part of the daemon; only the store is touched."""
    store = Store.open(config.store_url, simulated=config.simulated, migrate=True, busy_s=BUSY_S)
    store.claim()
    clock = restore.clock(store, config, clocks.of(config.simulation))
    now, program = clock.read(), version("vatvigil")
    left = restore.left(store, config, config_hash=config_hash, at_us=now.at_us)
    with store.begin() as work:
        number = work.start_run(at_us=now.at_us, elapsed_us=now.elapsed_us, version=program, config_hash=config_hash)
        text = f"vatvigil {program} began run {number}"
        work.add_entries([Entry(seq=0, at_us=now.at_us, vat="", cause=Cause.RUN_STARTED, text=text), *left])
        work.add_events(events_of(left, _events(config)))
        work.commit()
    log.info("%s; it watches %s and stores in %s", text, ", ".join(vat.id for vat in config.vats), store.where)
    queue: SimpleQueue[QueueItem] = SimpleQueue()
    commit = Commit(store=store, run=number, event_of=_events(config))
    watched = {vat.probe: restore.watched(store, config, vat) for vat in config.vats}
    lines = readers(config.probes, simulated=config.simulated)
    return Daemon(
        config=config,
        clock=clock,
        store=store,
        acquisition=Acquisition(store, watched, numbers=commit.numbers),
        commit=commit,
        hub=Publisher.of(config, version=program, store=store.identity, post=queue.put),
        hook=Hook.of(config, post=queue.put),
        ports=[PortThread(line, clock, post=queue.put) for line in lines],
        housekeeping=Housekeeping(store, clock, backup_dir=config.backup_dir, system=config.system, post=queue.put),
        manager=Manager.from_environment(),
        machine=SystemMonitor.of(config, restore.own(store, config), clock=clock),
        queue=queue,
    )


def _events(config: Config) -> Callable[[Entry], Event | None]:
    """Return what makes events of entries: without a broker, only those that go the second way out, if there is one."""

    def made(entry: Entry) -> Event | None:
        event = event_of(entry, simulated=config.simulated)
        return event if config.mqtt or (config.hook and event and is_urgent(event)) else None

    return made


def _now_us() -> int:
    """Return real steady time: what the broker is waited for does not run faster in accelerated time."""
    return time.monotonic_ns() // 1000
