"""Run the daemon: own the clock, the signals and the one loop that decides and writes.

Law: port threads, the broker's thread and the scheduler only post into one queue; this loop drains it, evaluates,
commits once, then publishes. It waits for nothing that others hold up: the store is asked by threads of its own, the
end has a limit on each of its steps, together less than 10 s. What nobody expected ends the process with its traceback,
for the service manager to start it anew; the state on disk is whole at any moment.

Ages that a hub acts on (heartbeat) go by watch time; a record of the future is no sign of life. The daemon refuses an
instrument whose identity says otherwise than the configuration: simulation is a property of the whole configuration and
of the whole store.
"""

import logging
import time
from collections.abc import Iterable, Iterator
from queue import Empty, SimpleQueue

from logger.channels import RunResult, dead_man
from logger.config import Config
from logger.daemon.clock import Clock, ClockReading
from logger.daemon.commit import Commit
from logger.daemon.cycle import Acquisition, CycleResult
from logger.daemon.housekeeping import DiskSpace, Housekeeping, HousekeepingReport
from logger.daemon.notify import Manager
from logger.daemon.port_threads import PortThread
from logger.daemon.progress import Progress
from logger.daemon.publisher import Publisher
from logger.daemon.renewal import Known
from logger.daemon.store_thread import StoreThread
from logger.daemon.system_monitor import SystemMonitor
from logger.daemon.ways_out import Ways
from logger.errors import StoreBusyError, StoreDamagedError, ThreadCrash
from logger.model import Carry, Command, Entry, Indication, WatchState
from logger.mqtt.inbound import REMEMBERED
from logger.mqtt.messages import Incoming, NetworkEvent
from logger.store import Store, queries
from logger.structs import Struct, field
from logger.watch.system import SYSTEM

log = logging.getLogger(__name__)

LAST_READ_S, LAST_COMMIT_S, LAST_WORDS_S, LAST_CLOSE_S = 0.5, 3.0, 1.0, 0.5
"""How long the end waits: for the ports, for a busy store to take what waits, for the broker to take what is due, and
for the store to be closed. With the ends of the channels and of the client this makes less than 10 s, after which a
container would be killed."""

QueueItem = Indication | ThreadCrash | NetworkEvent | HousekeepingReport | DiskSpace | RunResult


class Stop(Struct):
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


class Daemon(Struct, kw_only=True):
    """Everything that runs, and the loop over it."""

    config: Config
    clock: Clock
    store: Store
    acquisition: Acquisition
    commit: Commit
    ways_out: Ways
    ports: list[PortThread]
    housekeeping: Housekeeping
    manager: Manager
    progress: Progress
    system_monitor: SystemMonitor
    queue: SimpleQueue[QueueItem]
    writing: StoreThread
    inbound_commands: list[Command] = field(default_factory=list)

    @property
    def publisher(self) -> Publisher | None:
        """Return the hub behind the broker, if there is one."""
        return self.ways_out.publisher

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
        self.ways_out.resume(self.store, self.clock, now_us=_now_us())
        self.housekeeping.start()
        self._set_poll_rates()
        for port in self.ports:
            port.start()
        self.progress.begin()
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

    def _drain(self) -> list[QueueItem]:
        """Wait for something to happen, but not beyond what is due; return all that has."""
        try:
            items = [self.queue.get(timeout=self.ways_out.wait_s(_now_us()))]
        except Empty:
            return []
        while not self.queue.empty():
            items.append(self.queue.get())
        return items

    def _process(self, items: list[QueueItem]) -> None:
        now = self.clock.read()
        at_us = now.at_us
        before = [entry for item in items for entry in self._dispatch(item, at_us=at_us)]
        before += self._received_late(at_us=at_us)
        before += self._refusal_count(at_us=at_us)
        indications = [item for item in items if isinstance(item, Indication)]
        batch = self._add_received(self.acquisition.evaluate(indications) if indications else CycleResult())
        batch.entries += before
        if batch:
            self._commit_and_publish(batch, at_us=at_us)
        self._send_due(now)
        self._judge_system(batch.asked, now)
        if indications:
            self._set_poll_rates()
            self.progress.note(indication.probe for indication in indications)
            if self.progress.is_on_time:
                self.manager.alive()

    def _judge_system(self, asked: list[Command], now: ClockReading) -> None:
        """Judge the machine once the events of the vats have left; store and send what that makes."""
        batch = CycleResult(asked=asked, pending=asked)
        if self.system_monitor.judge(
            batch,
            now=now,
            delivery=self.publisher.delivery if self.publisher else None,
            shared=self.publisher.others.trouble(_now_us()) if self.publisher else "",
            channels=self.ways_out.channels.trouble,
            store=self.commit.trouble,
        ):
            self.housekeeping.plan_anew()
        if batch:
            self._commit_and_publish(batch, at_us=now.at_us)
            self._send_due(now)

    def _set_poll_rates(self) -> None:
        """Set how often each probe is read: more often while somebody works on it."""
        for port in self.ports:
            for probe in port.probes:
                carry = self.acquisition.watched[probe].state.carry
                port.set_attended(probe, attended=carry.suppression.attended_until_us is not None)

    def _commit_and_publish(self, batch: CycleResult, *, at_us: int) -> None:
        """Store a batch, tell of it, then write it into the log, whatever became of it."""
        try:
            now_us = _now_us()
            self.ways_out.offer(self.commit.add(batch, at_us=at_us, now_us=now_us), now_us)
            self.ways_out.show(batch, stores=not self.commit.trouble, at_us=at_us, now_us=_now_us())
        finally:
            for entry in batch.all_entries():
                level = logging.WARNING if entry.annunciates else logging.INFO
                where = " ".join(filter(None, [entry.vat or SYSTEM, entry.alarm]))
                log.log(level, "%s %s: %s", where, entry.cause, entry.text)

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
                told = self.ways_out.channels.on_result(item, _now_us(), at_us=at_us)
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
        yield from self._take(publisher, publisher.inbound.receive(item, self._states(), at_us=at_us, now_us=_now_us()))

    def _received_late(self, *, at_us: int) -> list[Entry]:
        """Handle what came from the broker before there was room for it."""
        if self.publisher is None:
            return []
        late = self.publisher.inbound.receive_late(self._states(), at_us=at_us, now_us=_now_us())
        return [*self._take(self.publisher, late)]

    def _take(self, publisher: Publisher, received: Iterable[Command | Entry]) -> Iterator[Entry]:
        """Keep the commands for the next records; yield the refusals."""
        for asked in received:
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
        self.ways_out.send(self.commit, self._carries(), self._trouble, now=now, now_us=_now_us())
        is_noted = self.commit.has_marks and not self.ways_out.is_telling  # the next event comes first
        if is_noted or self.commit.is_due(_now_us()):
            self.ways_out.offer(self.commit.flush(at_us=now.at_us), _now_us())

    def _trouble(self) -> str:
        """Say why the dead man's switch must not be fed; empty: nothing speaks against it here."""
        if not self.progress.is_whole:
            return "a probe is not read"
        if self.commit.trouble or self.commit.is_behind:
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
        self.ways_out.channels.stop()

    def _flush(self) -> None:
        """Give the store and the broker some time to take what is due."""
        began = time.monotonic()
        while self.commit.waiting and time.monotonic() < began + LAST_COMMIT_S:
            self.ways_out.offer(self.commit.flush(at_us=self.clock.read().at_us), _now_us())
            time.sleep(0.01 if self.commit.trouble else 0.0)
        until = time.monotonic() + LAST_WORDS_S
        while (
            self.publisher
            and self.publisher.delivery.connected
            and not self.publisher.delivery.settled
            and time.monotonic() < until
        ):
            self._process(self._drain())
        if self.commit.has_work:
            self.commit.flush(at_us=self.clock.read().at_us)

    def _remaining_items(self) -> list[QueueItem]:
        items = []
        while not self.queue.empty():
            items.append(self.queue.get())
        return items


def _now_us() -> int:
    """Return real steady time: what the broker is waited for does not run faster in accelerated time."""
    return time.monotonic_ns() // 1000
