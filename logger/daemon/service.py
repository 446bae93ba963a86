"""Run the daemon: build every part, own the clock, the signals and the one loop that decides and writes.

Law: port threads, the broker's thread and the scheduler only post into one queue; this loop drains it, evaluates,
commits once, then publishes. It waits for nothing that others hold up: the store is asked by threads of its own, the
end has a limit on each of its steps, together less than 10 s. What nobody expected ends the process with its traceback,
for the service manager to start it anew; the state on disk is whole at any moment.

Ages that a hub acts on (heartbeat) go by watch time; a record of the future is no sign of life. The daemon refuses an
instrument whose identity says otherwise than the configuration: simulation is a property of the whole configuration and
of the whole store.
"""

import gc
import logging
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from queue import Empty, SimpleQueue

from logger.channels import Channels, DeadMansSwitch, RunResult, dead_man
from logger.config import Config
from logger.daemon import clock as clocks
from logger.daemon import renewal, restore
from logger.daemon.clock import Clock, ClockReading
from logger.daemon.cycle import Acquisition, Commit, CycleResult
from logger.daemon.housekeeping import DiskSpace, Housekeeping, HousekeepingReport
from logger.daemon.notify import Manager
from logger.daemon.port_threads import PortThread
from logger.daemon.publisher import Publisher
from logger.daemon.renewal import Known
from logger.daemon.store_thread import StoreThread
from logger.daemon.system_monitor import SystemMonitor
from logger.errors import ConfigurationError, StoreBusyError, StoreDamagedError, ThreadCrash
from logger.model import Carry, Cause, Command, Entry, Event, Indication, WatchState
from logger.mqtt.event import event_of, events_of
from logger.mqtt.inbound import REMEMBERED
from logger.mqtt.messages import Incoming, NetworkEvent
from logger.probe.reader import readers
from logger.store import Store, queries
from logger.units import SECOND_US
from logger.watch.system import SYSTEM

log = logging.getLogger(__name__)

LAST_READ_S, LAST_COMMIT_S, LAST_WORDS_S, LAST_CLOSE_S = 0.5, 3.0, 1.0, 0.5
"""How long the end waits: for the ports, for a busy store to take what waits, for the broker to take what is due, and
for the store to be closed. With the ends of the channels and of the client this makes less than 10 s, after which a
container would be killed."""
HUNG_S, HUNG_POLLS = 60.0, 3
"""A port not read for so long and so many polls hangs: only a new process may help. Common practice, no source."""
BUSY_S = 0.5
"""How long a commit waits for another process that holds the store. Common practice, no source."""
ANSWER_S = 10.0
"""After how long a server is lost that does not answer; no loop waits for it. Common practice, no source."""

QueueItem = Indication | ThreadCrash | NetworkEvent | HousekeepingReport | DiskSpace | RunResult


@dataclass(slots=True)
class Stop:
    """Set by a signal: the loop ends after what it is doing."""

    wanted: bool = False
    is_starting: bool = False
    """There is no loop yet."""
    hung_up: bool = False
    """A terminal was closed, or somebody asked for the configuration to be read anew."""

    def end(self, *_: object) -> None:
        """End the watch; at once if it has not begun, for nobody would look."""
        self.wanted = True
        if self.is_starting:
            raise SystemExit

    def hang_up(self, *_: object) -> None:
        """Have it said what this signal does here: a log can be written to by the loop alone."""
        self.hung_up = True


@dataclass(slots=True, kw_only=True)
class Daemon:
    """Everything that runs, and the loop over it."""

    config: Config
    clock: Clock
    store: Store
    acquisition: Acquisition
    commit: Commit
    publisher: Publisher | None
    channels: Channels
    dead_man: DeadMansSwitch | None
    ports: list[PortThread]
    housekeeping: Housekeeping
    manager: Manager
    system_monitor: SystemMonitor
    queue: SimpleQueue[QueueItem]
    writing: StoreThread
    inbound_commands: list[Command] = field(default_factory=list)
    read_s: dict[str, float] = field(default_factory=dict)
    """Steady real time of the newest read, by probe."""
    unread: set[str] = field(default_factory=set)
    """Probes that were not read in this run."""

    def run(self, stop: Stop) -> None:
        """Watch until told to stop."""
        self._start()
        try:
            while not stop.wanted:
                self._process(self._drain())
                if stop.hung_up:
                    stop.hung_up = False
                    log.warning("SIGHUP: the watch goes on. It reads its configuration at a start only: restart it")
        except StoreDamagedError:
            self._let_go()
            raise
        except BaseException:
            self._end()
            raise
        self._end()

    def _start(self) -> None:
        if self.publisher:
            self._announce(self.publisher)
        self._resume()
        self.housekeeping.start()
        self._set_poll_rates()
        for port in self.ports:
            port.start()
        self.read_s = dict.fromkeys(self.acquisition.watched, time.monotonic())
        self.unread = {*self.acquisition.watched}
        self.manager.ready()

    def _announce(self, publisher: Publisher) -> None:
        """Announce everything to the hub; store the topics, to clear what leaves the configuration."""
        before = queries.retained_topics(self.store)
        unsent = queries.unsent_events(self.store, limit=queries.outbox_waiting(self.store).count)
        carries = {**self._carries(), self.system_monitor.vat.id: self.system_monitor.carry}
        publisher.inbound.remember(queries.deliveries(self.store, limit=REMEMBERED))
        publisher.start(carries, unsent, retained=before, at_us=self.clock.read().at_us)
        with self.store.begin() as work:
            work.remember_topics([*before, *publisher.retained()])
            work.commit()

    def _resume(self) -> None:
        """Hand over what an earlier run could not bring out; it has waited since it happened."""
        now_us, at_us = _now_us(), self.clock.read().at_us
        for channel in self.channels.all:
            for event in restore.waiting_events(self.store, channel, at_us=at_us):
                channel.offer([event], now_us, waited_s=self.clock.real_s((at_us - event.at_us) / SECOND_US))
        self.channels.start()
        if self.dead_man:
            self.dead_man.start(now_us, queries.untold_events(self.store))

    def _drain(self) -> list[QueueItem]:
        """Wait for something to happen, but not beyond what is due; return all that has."""
        try:
            items = [self.queue.get(timeout=self._wait_s())]
        except Empty:
            return []
        while not self.queue.empty():
            items.append(self.queue.get())
        return items

    def _wait_s(self) -> float:
        dues_us = [way.next_due_us for way in (self.publisher and self.publisher.delivery, self.channels) if way]
        now_us = _now_us()
        return min([1.0, *(max(0.0, (due_us - now_us) / SECOND_US) for due_us in dues_us if due_us is not None)])

    def _process(self, items: list[QueueItem]) -> None:
        now = self.clock.read()
        at_us = now.at_us
        before = [entry for item in items for entry in self._dispatch(item, at_us=at_us)]
        before += self._refusal_count(at_us=at_us)
        indications = [item for item in items if isinstance(item, Indication)]
        batch = self._add_received(self.acquisition.evaluate(indications) if indications else CycleResult())
        batch.entries += before
        delivery = self.publisher.delivery if self.publisher else None
        shared = self.publisher.others.trouble(_now_us()) if self.publisher else ""
        if self.system_monitor.judge(
            batch,
            now=now,
            delivery=delivery,
            shared=shared,
            channels=self.channels.trouble,
            store=self.commit.trouble,
        ):
            self.housekeeping.plan_anew()
        if batch:
            self._commit_and_publish(batch, at_us=at_us)
        if indications:
            self._set_poll_rates()
            self._notify_watchdog(indications)
        self._send_due(now)

    def _notify_watchdog(self, indications: list[Indication]) -> None:
        """Tell the service manager of progress, unless a port hangs: one working port must not mask a hung one."""
        self.read_s.update(dict.fromkeys((i.probe for i in indications), time.monotonic()))
        self.unread -= {i.probe for i in indications}
        if self._is_reading():
            self.manager.alive()

    def _is_reading(self) -> bool:
        """Tell whether every probe was read within its time limit."""
        limits = {p: HUNG_S + HUNG_POLLS * self.clock.real_s(self.config.probe(p).poll_s) for p in self.read_s}
        now_s = time.monotonic()
        return all(now_s - self.read_s[probe] < limit for probe, limit in limits.items())

    def _set_poll_rates(self) -> None:
        """Set how often each probe is read: more often while somebody works on it."""
        for port in self.ports:
            for probe in port.probes:
                carry = self.acquisition.watched[probe].state.carry
                port.set_attended(probe, attended=carry.suppression.attended_until_us is not None)

    def _commit_and_publish(self, batch: CycleResult, *, at_us: int) -> None:
        for entry in batch.all_entries():
            level = logging.WARNING if entry.annunciates else logging.INFO
            log.log(
                level, "%s", " ".join(filter(None, [entry.vat or SYSTEM, entry.alarm, f"{entry.cause}: {entry.text}"]))
            )
        self._send_events(self.commit.add(batch, at_us=at_us))
        if self.publisher:
            self._publish(self.publisher, batch, at_us=at_us)

    def _publish(self, publisher: Publisher, batch: CycleResult, *, at_us: int) -> None:
        now_us = _now_us()
        if not self.commit.trouble:
            publisher.publish_taken(batch.commands, at_us=at_us, now_us=now_us)
        publisher.publish_answers(batch.pending, batch.all_answers(), at_us=at_us, now_us=now_us)
        for outcome in batch.outcomes:
            publisher.publish_outcome(outcome, now_us=_now_us())
        if batch.system:
            publisher.publish_system(batch.system, batch.entries, at_us=at_us)

    def _send_events(self, events: list[Event]) -> None:
        if self.publisher:
            self.publisher.delivery.offer(events)
        self.channels.offer(events, _now_us())
        if self.dead_man:
            self.dead_man.offer(events)

    def _dispatch(self, item: QueueItem, *, at_us: int) -> Iterator[Entry]:
        """Dispatch one queue item; yield the journal entries it causes."""
        match item:
            case ThreadCrash(StoreDamagedError() as damage):
                raise damage
            case ThreadCrash(error):
                raise RuntimeError("a thread ended unexpectedly") from error
            case HousekeepingReport(entry):
                yield entry
            case DiskSpace():
                self.system_monitor.disk = item
            case RunResult():
                told = self.channels.on_result(item, _now_us(), at_us=at_us)
                if told:
                    yield told
            case Indication():
                pass
            case _ if self.publisher:
                yield from self._receive(self.publisher, item, at_us=at_us)

    def _receive(self, publisher: Publisher, item: NetworkEvent, *, at_us: int) -> Iterator[Entry]:
        """Handle what came from the broker; yield the entry of a refused command."""
        publisher.handle(item, _now_us())
        if not isinstance(item, Incoming):
            return
        for asked in publisher.inbound.receive(item, self._states(), at_us=at_us, now_us=_now_us()):
            if isinstance(asked, Entry):
                publisher.publish_refusal(asked, now_us=_now_us())
                yield asked
            else:
                self.inbound_commands.append(asked)

    def _refusal_count(self, *, at_us: int, last: bool = False) -> list[Entry]:
        """Return the entry that counts the commands refused by the rate limit, when it is due."""
        counted = self.publisher.inbound.rate_limit.tally(_now_us(), at_us=at_us, last=last) if self.publisher else None
        return [counted] if counted else []

    def _add_received(self, batch: CycleResult) -> CycleResult:
        """Put the commands and receipts that came from outside into a batch."""
        if self.publisher is None:
            return batch
        before = len(batch.entries)
        storable = batch.keep_storable(self.inbound_commands)
        for refusal in batch.entries[before:]:
            self.publisher.publish_refusal(refusal, now_us=_now_us())
        batch.commands += self.acquisition.apply_from_memory(storable) if self.commit.trouble else storable
        batch.receipts += self.publisher.inbound.take_held()
        self.inbound_commands = []
        return batch

    def _send_due(self, now: ClockReading) -> None:
        """Send due events over MQTT and by the channels; record which were accepted."""
        accepted = self._send_over_mqtt(self.publisher, now) if self.publisher else []
        taken = self.channels.pump(_now_us(), accepted=accepted)
        delivered = accepted if self.publisher else [event for (_, event), is_first in taken.items() if is_first]
        self.commit.delivered.update(dict.fromkeys(delivered, now.at_us))
        self.commit.taken.update(dict.fromkeys(taken, now.at_us))
        if self.publisher and self.publisher.removed.is_done:
            self.publisher.removed.forget()
            self.commit.topics = self.publisher.retained()
        if self.dead_man:
            self.dead_man.told([*accepted, *(event for _, event in taken)])
            self.dead_man.feed(_now_us(), self._trouble)
        if self.commit.has_work:
            self._send_events(self.commit.flush(at_us=now.at_us))

    def _send_over_mqtt(self, publisher: Publisher, now: ClockReading) -> list[str]:
        """Send what is next; return the events that the broker accepted."""
        publisher.acknowledge(self.commit.take_receipts())
        waiting, oldest_at_us = publisher.delivery.waiting, publisher.delivery.oldest_at_us
        publisher.publish_heartbeat(self._carries(), waiting, oldest_at_us, now=now, now_us=_now_us())
        publisher.follow(_now_us())
        publisher.delivery.pump(_now_us())
        return publisher.delivery.take_delivered()

    def _trouble(self) -> str:
        """Say why the dead man's switch must not be fed; empty: nothing speaks against it here."""
        if self.unread or not self._is_reading():
            return "a probe is not read"
        if self.commit.trouble or self.commit.waiting:
            return self.commit.trouble or "records wait for the store"
        carries = {**self._carries(), SYSTEM: self.system_monitor.carry}
        return dead_man.unheard([*self.config.vats, self.system_monitor.vat], carries)

    def _states(self) -> dict[str, WatchState]:
        return {w.watch.vat.id: w.state for w in self.acquisition.watched.values()}

    def _carries(self) -> dict[str, Carry]:
        return {vat: state.carry for vat, state in self._states().items()}

    def known(self) -> Known:
        """Return what the watch knows, to go on with in another store."""
        late = [event for batch in self.commit.waiting for event in self.commit.events(batch)]
        unsent = [*(self.publisher.delivery.unsent if self.publisher else ()), *late]
        return Known(
            clock=self.clock,
            states={probe: (w.state, w.seq) for probe, w in self.acquisition.watched.items()},
            system=self.system_monitor.carry,
            identity=self.store.identity,
            waiting=tuple(self.commit.waiting),
            unsent=tuple({e.id: e for e in unsent if e.id not in self.commit.delivered}.values()),
            delivered=self.commit.delivered,
        )

    def _let_go(self) -> None:
        """Stop all that runs, for another store to be begun: what waits is kept in memory."""
        self._stop_reading()
        if self.publisher:
            self.publisher.client.stop()
        self.writing.finish(self.store.close, LAST_CLOSE_S)

    def _end(self) -> None:
        """Stop reading, store and send what is there, disconnect."""
        self.manager.stopping()
        self._stop_reading()
        self._process(self._remaining_items())
        self._process(
            [HousekeepingReport(entry) for entry in self._refusal_count(at_us=self.clock.read().at_us, last=True)]
        )
        self._flush()
        if self.publisher:
            self.publisher.acknowledge(self.commit.take_receipts())
            self.publisher.client.stop()
        self.writing.finish(self.store.close, LAST_CLOSE_S)
        if self.commit.waiting:
            raise StoreBusyError(f"The watch ended; its last {len(self.commit.waiting)} cycles were not stored")

    def _stop_reading(self) -> None:
        """Stop the ports, the channels and what runs beside them."""
        self.housekeeping.stop()
        for port in self.ports:
            port.stop()
        until = time.monotonic() + LAST_READ_S
        for port in self.ports:
            port.join(max(0.0, until - time.monotonic()))
        self.channels.stop()

    def _flush(self) -> None:
        """Give the store and the broker some time to take what is due."""
        began = time.monotonic()
        while self.commit.waiting and time.monotonic() < began + LAST_COMMIT_S:
            self._send_events(self.commit.flush(at_us=self.clock.read().at_us))
            time.sleep(0.01 if self.commit.trouble else 0.0)
        until = time.monotonic() + LAST_WORDS_S
        while (
            self.publisher
            and self.publisher.delivery.connected
            and not self.publisher.delivery.settled
            and time.monotonic() < until
        ):
            self._process(self._drain())

    def _remaining_items(self) -> list[QueueItem]:
        items = []
        while not self.queue.empty():
            items.append(self.queue.get())
        return items


def run(config: Config, *, config_hash: str) -> None:
    """Watch until SIGTERM or SIGINT. Raises StoreError when the store cannot be opened or brought up to date."""
    stop = Stop(is_starting=True)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop.end)
    signal.signal(signal.SIGHUP, stop.hang_up)
    daemon = build(config, config_hash=config_hash)
    while True:
        stop.is_starting = False
        try:
            return daemon.run(stop)
        except StoreDamagedError as damage:
            why = str(damage)
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
    clock = known.clock if known else restore.clock(store, config, clocks.of(config.simulation))
    now, program = clock.read(), version("vatvigil")
    queue: SimpleQueue[QueueItem] = SimpleQueue()
    channels = Channels.of(config, post=queue.put)
    orphaned = restore.orphaned_entries(store, config, config_hash=config_hash, at_us=now.at_us)
    with store.begin() as work:
        number = work.start_run(at_us=now.at_us, elapsed_us=now.elapsed_us, version=program, config_hash=config_hash)
        text = f"vatvigil {program} began run {number}"
        work.add_entries([Entry(seq=0, at_us=now.at_us, vat="", cause=Cause.RUN_STARTED, text=text), *orphaned])
        work.begin_channels([channel.id for channel in channels.all], now.at_us)
        work.add_events(events_of(orphaned, _event_factory(config, channels)))
        if known:
            restore.remember(work, config, known.states, known.system)
            work.add_events(known.unsent)
        work.commit()
    log.info("%s; it watches %s and stores in %s", text, ", ".join(vat.id for vat in config.vats), store.where)
    writing, reading = StoreThread("store-writing"), StoreThread("store-reading")
    commit = Commit(store=store, run=number, event_of=_event_factory(config, channels), ask=writing.ask)
    watched = {vat.probe: restore.watched(store, config, vat) for vat in config.vats}
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
        publisher=Publisher.of(config, version=program, store=store.identity, post=queue.put),
        channels=channels,
        dead_man=DeadMansSwitch(config=config.dead_man) if config.dead_man else None,
        ports=[PortThread(line, clock, post=queue.put) for line in lines],
        housekeeping=Housekeeping(store, clock, backup_dir=config.backup_dir, system=config.system, post=queue.put),
        manager=Manager.from_environment(),
        system_monitor=SystemMonitor.of(
            config,
            known.system if known else restore.system_carry(store, config),
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


def _now_us() -> int:
    """Return real steady time: what the broker is waited for does not run faster in accelerated time."""
    return time.monotonic_ns() // 1000
