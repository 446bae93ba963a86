"""Bring out what the loop made: to the broker, by the channels, and to the dead man's switch.

Law: what waits for a way out is asked of it here and nowhere else; what each took is handed back, to be stored. Times
are real and steady, so that what is waited for does not run faster in accelerated time.

What no event waits for is made while none is on its way, and once an event was handed over, the loop lets it be written
before it goes on: the network's thread shares the interpreter with the loop, and would wait for it to end.
"""

from collections.abc import Callable, Mapping

from logger.channels import Channels, DeadMansSwitch
from logger.daemon import restore
from logger.daemon.clock import Clock, ClockReading
from logger.daemon.commit import Commit
from logger.daemon.cycle import CycleResult
from logger.daemon.publisher import Publisher
from logger.model import Carry, Event, Outcome
from logger.store import Store, queries
from logger.structs import Struct, field
from logger.units import SECOND_US


class Ways(Struct, kw_only=True):
    """The ways by which the watch tells something."""

    publisher: Publisher | None
    """The hub's, if there is a broker."""
    channels: Channels
    dead_man: DeadMansSwitch | None
    _unshown: dict[str, Outcome] = field(default_factory=dict)
    """By vat, the newest outcome of which only the alarms are shown yet."""

    @property
    def is_telling(self) -> bool:
        """Tell whether an event is on its way to the broker."""
        return self.publisher is not None and self.publisher.delivery.is_telling

    def resume(self, store: Store, clock: Clock, *, now_us: int) -> None:
        """Hand over what an earlier run could not bring out; it has waited since it happened."""
        at_us = clock.read().at_us
        for channel in self.channels.all:
            for event in restore.waiting_events(store, channel, at_us=at_us):
                channel.offer([event], now_us, waited_s=clock.real_s((at_us - event.at_us) / SECOND_US))
        self.channels.start()
        if self.dead_man:
            self.dead_man.start(now_us, queries.untold_events(store))

    def wait_s(self, now_us: int) -> float:
        """Return how long nothing is due, at most a second."""
        dues_us = [way.next_due_us for way in (self.publisher and self.publisher.delivery, self.channels) if way]
        return min([1.0, *(max(0.0, (due_us - now_us) / SECOND_US) for due_us in dues_us if due_us is not None)])

    def offer(self, events: list[Event], now_us: int) -> None:
        """Queue events for every way out."""
        if self.publisher:
            self.publisher.delivery.offer(events)
        self.channels.offer(events, now_us)
        if self.dead_man:
            self.dead_man.offer(events)

    def show(self, batch: CycleResult, *, stores: bool, at_us: int, now_us: int) -> None:
        """Let the hub show what a batch made, and send its events; `stores`: the store takes it."""
        publisher = self.publisher
        if publisher is None:
            return
        if stores:
            publisher.publish_taken(batch.commands, at_us=at_us, now_us=now_us)
        publisher.publish_answers(batch.pending, batch.all_answers(), at_us=at_us, now_us=now_us)
        for outcome in batch.outcomes:
            publisher.publish_alarms(outcome)
        if batch.system:
            publisher.publish_system(batch.system, batch.entries)
        publisher.delivery.pump(now_us)
        if self.is_telling:
            publisher.client.let_write()
        publisher.announce_buttons()
        publisher.delivery.pump(now_us)
        self._unshown |= {outcome.vat: outcome for outcome in batch.outcomes}

    def _show_rest(self, publisher: Publisher, now_us: int) -> None:
        if not self.is_telling:
            for outcome in self._unshown.values():
                publisher.publish_rest(outcome, now_us=now_us)
            self._unshown = {}

    def send(
        self,
        commit: Commit,
        carries: Mapping[str, Carry],
        trouble: Callable[[], str],
        *,
        now: ClockReading,
        now_us: int,
    ) -> None:
        """Send what is due; note in `commit` what was accepted. `trouble`: as of `DeadMansSwitch.feed`."""
        if self.publisher:
            self.publisher.delivery.pump(now_us)  # the next event, if there is one
            self._show_rest(self.publisher, now_us)
        accepted = _sent(self.publisher, commit, carries, now=now, now_us=now_us) if self.publisher else []
        taken = self.channels.pump(now_us, accepted=accepted)
        delivered = accepted if self.publisher else [event for (_, event), is_first in taken.items() if is_first]
        commit.delivered.update(dict.fromkeys(delivered, now.at_us))
        if self.publisher:
            commit.superseded.update(self.publisher.delivery.take_superseded())
        commit.taken.update(dict.fromkeys(taken, now.at_us))
        if self.publisher and self.publisher.removed.is_done:
            self.publisher.removed.forget()
            commit.topics = self.publisher.retained()
        if self.dead_man:
            self.dead_man.told([*accepted, *(event for _, event in taken)])
            self.dead_man.feed(now_us, trouble)


def _sent(
    publisher: Publisher, commit: Commit, carries: Mapping[str, Carry], *, now: ClockReading, now_us: int
) -> list[str]:
    """Send what is next over MQTT; return the events that the broker accepted."""
    publisher.acknowledge(commit.take_receipts())
    waiting, oldest_at_us = publisher.delivery.waiting, publisher.delivery.oldest_at_us
    publisher.publish_heartbeat(carries, waiting, oldest_at_us, now=now, now_us=now_us)
    publisher.follow(now_us)
    publisher.delivery.pump(now_us)
    return publisher.delivery.take_delivered()
