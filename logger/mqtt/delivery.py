"""What is sent next, and when it counts as delivered.

Law: one message in flight at a time, and only while connected. An event is delivered when the broker accepted it, not
before: a refusal or silence brings it again, so events arrive in order, each at least once, under one id. Standing
states go before events and are all sent again on every connect and whenever the hub has started. No clock, no network:
time is an argument (steady, in real microseconds), the network is the `publish` given.

Events stop and wait: one in flight, the next only after PUBACK without failure. They are rare, and order is kept
without bookkeeping.
"""

import logging
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice

from logger.model import Event
from logger.mqtt.messages import (
    Accepted,
    Connected,
    Disconnected,
    Incoming,
    Message,
    NetworkEvent,
    Refused,
    Unheard,
)
from logger.mqtt.topics import Topics
from logger.units import SECOND_US

log = logging.getLogger(__name__)

ANSWER_US = 30 * SECOND_US
"""A broker that is connected but answers nothing for so long is left and called anew."""
QUIET_US = 180 * SECOND_US
"""Away for so long without news of another attempt (one comes every half minute): the client is woken."""
FIRST_RETRY_US = 1 * SECOND_US
LONGEST_RETRY_US = 60 * SECOND_US
_IDS_REMEMBERED = 4096


@dataclass(frozen=True, slots=True, eq=False)
class _Queued:
    """Something to be sent until it is accepted (or stale). Compared by identity: a newer message is another turn."""

    message: Message
    event: Event | None = None
    valid_until_us: int | None = None


@dataclass(frozen=True, slots=True)
class _Flight:
    """The one message that waits for its PUBACK."""

    turn: _Queued
    mid: int
    deadline_us: int


@dataclass(frozen=True, slots=True)
class _Refusal:
    """What the broker refuses on a topic, how often it has, and when it is asked again."""

    reason: str
    count: int
    due_us: int


@dataclass(slots=True, kw_only=True)
class Delivery:
    """The state machine between the outbox and the client. Used by the main loop only."""

    topics: Topics
    publish: Callable[[Message], int | None]
    """Hands a message to the network and returns its number; None: not connected after all."""
    reconnect: Callable[[], None]
    """Drops the connection; the client then connects anew."""
    connected: bool = False
    away: str = "The broker has not answered yet."
    """Why there is no connection; empty: there is one."""
    deaf: str = ""
    """Why commands are not heard; empty: they are."""
    unheard: bool = False
    """The newest event was accepted by the broker, which said that nobody listens."""
    _slots: dict[str, Message] = field(default_factory=dict)
    _dirty: OrderedDict[str, _Queued] = field(default_factory=OrderedDict)
    _events: deque[_Queued] = field(default_factory=deque)
    _latest: OrderedDict[str, _Queued] = field(default_factory=OrderedDict)
    _flight: _Flight | None = None
    _refusals: dict[str, _Refusal] = field(default_factory=dict)
    _news_us: int | None = None
    """When the connection last made or lost itself heard."""
    _known: OrderedDict[str, None] = field(default_factory=OrderedDict)
    _delivered: list[str] = field(default_factory=list)

    @property
    def waiting(self) -> int:
        """Return how many events wait here for the broker."""
        return len(self._events)

    @property
    def oldest_at_us(self) -> int | None:
        """Return the time (UTC) of the event that has waited longest; None: none waits."""
        first = self._events[0].event if self._events else None
        return first.at_us if first else None

    @property
    def standing(self) -> list[Message]:
        """Return the standing messages, in the order in which their topics were first set."""
        return list(self._slots.values())

    @property
    def settled(self) -> bool:
        """Tell whether nothing is left to send or to be answered."""
        return not (self._flight or self._dirty or self._events or self._latest)

    @property
    def trouble(self) -> str:
        """Say what is wrong with the broker now, in one sentence; empty: nothing known."""
        refused = next(iter(self._refusals.items()), None)
        return self.away or (_refused_words(refused[0], refused[1].reason) if refused else "") or self.deaf

    def put(self, message: Message) -> None:
        """Set a standing message of a topic; it goes out if it differs from the one that stands there."""
        if self._slots.get(message.topic) != message:
            self._slots[message.topic] = message
            self._dirty[message.topic] = _Queued(message)

    def latest(self, message: Message, valid_until_us: int) -> None:
        """Set the newest value of a topic; an older one not yet sent is dropped, and so is this when it is stale."""
        self._latest[message.topic] = _Queued(message, valid_until_us=valid_until_us)

    def offer(self, events: Iterable[Event]) -> None:
        """Queue events in their order; an id that was offered before is not queued twice."""
        for event in events:
            if event.id not in self._known:
                self._known[event.id] = None
                message = Message(topic=self.topics.event(event.vat), payload=event.payload)
                self._events.append(_Queued(message, event=event))
        while len(self._known) > _IDS_REMEMBERED + len(self._events):
            self._known.popitem(last=False)

    def take_delivered(self) -> list[str]:
        """Return the ids of events accepted since the last call, in order: mark them in the outbox."""
        taken, self._delivered = self._delivered, []
        return taken

    def on(self, happening: NetworkEvent, now_us: int) -> None:
        """Take in what the network did. Commands (`Incoming`) are not for here; the hub's birth message is."""
        if isinstance(happening, Connected | Disconnected):
            self._news_us = now_us
        match happening:
            case Connected():
                self._on_connected()
            case Disconnected(reason):
                self._on_disconnected(reason)
            case Accepted(mid, subscribers):
                self._on_accepted(mid, subscribers=subscribers)
            case Refused(mid, reason):
                self._on_refused(mid, reason, now_us=now_us)
            case Unheard(reason):
                self.deaf = reason
                log.warning("%s", reason)
            case Incoming(topic, payload, retain):
                if topic == self.topics.birth and payload == b"online" and not retain:
                    self._stand_again()

    def pump(self, now_us: int) -> None:
        """Send what is next, if anything is and nothing is in flight."""
        if self._flight and now_us >= self._flight.deadline_us:
            self._on_silence()
        self._wake(now_us)
        self._drop_stale(now_us)
        if self.connected and not self._flight:
            turn = next((turn for turn in self._turns() if self._due_us(turn) <= now_us), None)
            if turn:
                self._send(turn, now_us)

    @property
    def next_due_us(self) -> int | None:
        """Return when `pump` must be called again though nothing happens; None: not before something does."""
        if not self.connected:
            return None if self._news_us is None else self._news_us + QUIET_US
        if self._flight:
            return self._flight.deadline_us
        return min((self._due_us(turn) for turn in self._turns()), default=None)

    def _turns(self) -> Iterator[_Queued]:
        """Yield what may be sent, best first: a state before the event that tells of it, then what was measured."""
        yield from self._dirty.values()
        yield from islice(self._events, 1)
        yield from self._latest.values()

    def _due_us(self, turn: _Queued) -> int:
        refusal = self._refusals.get(turn.message.topic)
        return refusal.due_us if refusal else 0

    def _send(self, turn: _Queued, now_us: int) -> None:
        mid = self.publish(turn.message)
        if mid is None:
            self.connected = False  # the news of it is on its way, and after it that of the next connection
        else:
            self._flight = _Flight(turn, mid, now_us + ANSWER_US)

    def _wake(self, now_us: int) -> None:
        if self._news_us is None or self.connected:
            self._news_us = now_us
        elif now_us >= self._news_us + QUIET_US:
            self._news_us = now_us
            log.warning("No attempt to reach the broker was seen for %d s; starting anew", QUIET_US // SECOND_US)
            self.reconnect()

    def _drop_stale(self, now_us: int) -> None:
        for topic, turn in list(self._latest.items()):
            if turn.valid_until_us is not None and now_us >= turn.valid_until_us:
                del self._latest[topic]

    def _stand_again(self) -> None:
        """Send all standing messages once more, in the order in which their topics were first set."""
        self._dirty = OrderedDict((topic, _Queued(message)) for topic, message in self._slots.items())

    def _on_connected(self) -> None:
        log.info("Connected to the broker")
        self.connected, self._flight = True, None
        self.away = self.deaf = ""
        self._refusals.clear()
        self._stand_again()

    def _on_disconnected(self, reason: str) -> None:
        if reason != self.away:
            log.warning("%s", reason)
        self.connected, self._flight, self.away = False, None, reason

    def _on_silence(self) -> None:
        self._on_disconnected(f"The broker answered nothing for {ANSWER_US // SECOND_US} s; connecting anew.")
        self.reconnect()

    def _landed(self, mid: int) -> _Queued | None:
        """Return the turn in flight if the answer is to it; answers to what was given up are nobody's."""
        if self._flight is None or self._flight.mid != mid:
            return None
        turn, self._flight = self._flight.turn, None
        return turn

    def _on_accepted(self, mid: int, *, subscribers: bool) -> None:
        turn = self._landed(mid)
        if turn is None:
            return
        topic = turn.message.topic
        self._refusals.pop(topic, None)
        if turn.event:
            self._on_event_accepted(turn.event, subscribers=subscribers)
        elif self._dirty.get(topic) is turn:
            self._on_standing_accepted(turn.message)
        elif self._latest.get(topic) is turn:
            del self._latest[topic]

    def _on_standing_accepted(self, message: Message) -> None:
        del self._dirty[message.topic]
        if not message.payload:  # removed at the broker: nothing stands there to be sent again
            del self._slots[message.topic]

    def _on_event_accepted(self, event: Event, *, subscribers: bool) -> None:
        self._events.popleft()
        self._delivered.append(event.id)
        if not subscribers and not self.unheard:
            log.warning("The broker took an event on %s, but nobody listens there", self.topics.event(event.vat))
        self.unheard = not subscribers

    def _on_refused(self, mid: int, reason: str, *, now_us: int) -> None:
        turn = self._landed(mid)
        if turn is None:
            return
        topic = turn.message.topic
        before = self._refusals.get(topic)
        if before is None or before.reason != reason:
            log.warning("%s", _refused_words(topic, reason))
        count = before.count if before else 0
        wait_us = min(FIRST_RETRY_US << min(count, 16), LONGEST_RETRY_US)
        self._refusals[topic] = _Refusal(reason, count + 1, now_us + wait_us)


def _refused_words(topic: str, reason: str) -> str:
    return f"The broker refuses messages on {topic}: {reason}. They are kept and tried again: check its access rules."
