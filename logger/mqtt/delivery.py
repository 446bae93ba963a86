"""Decides which message is published next, and which events the broker has accepted.

Law: a message is sent only while connected, and never while another one of its topic is in flight. An event is
delivered when the broker accepted it, not before: after a refusal or no answer it is sent again, so events arrive in
order, each at least once, under one id; but of the reminders of one occurrence that wait, only the newest: it tells all
that those before it would, and supersedes them. What a person is told for the first time (an occurrence, its raised
priority) is never superseded. Standing states leave before events, some at a time, and are all sent again on every
connect and whenever the hub has started; what a person is told back goes before all. No clock, no network: time is an
argument (steady, in real microseconds), the network is the `publish` given.

An event leaves right behind the states and waits for no PUBACK of theirs. It does not leave before them: an automation
that presses a button when an event comes would send the occurrence before (tried on a hub). Buttons send what a state
shows, so that the hub holds it in time; that they are announced anew, for hubs without templates, follows the event.

A broker that was away for a night would else send a burst of reminders, each as loud as an alarm, after the alarm.

Events stop and wait: one in flight, the next only after PUBACK without failure. They are rare, and order is kept
without bookkeeping.
"""

import logging
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Iterator
from itertools import chain, islice

from logger.model import Event
from logger.mqtt.event import reminder_in
from logger.mqtt.messages import (
    Connected,
    Disconnected,
    Incoming,
    Message,
    NetworkEvent,
    PublishAccepted,
    PublishRefused,
    SubscriptionRefused,
)
from logger.mqtt.topics import Topics
from logger.structs import Struct, field
from logger.units import SECOND_US

log = logging.getLogger(__name__)

ANSWER_US = 30 * SECOND_US
"""If a connected broker answers nothing for so long, the connection is dropped and made anew."""
QUIET_US = 180 * SECOND_US
"""If no attempt to connect is seen for so long (one comes every half minute), the client is started anew."""
FIRST_RETRY_US = 1 * SECOND_US
LONGEST_RETRY_US = 60 * SECOND_US
STATES_IN_FLIGHT = 8
"""So many messages may wait for their PUBACK at once: a round trip for each would add up. A broker of MQTT 5 may
take fewer (3.1.2.11.3, from memory), the client then waits."""
_IDS_REMEMBERED = 4096


class _Queued(Struct, frozen=True, eq=False):
    """A message to send until it is accepted (or stale). Compared by identity: a newer message is another item."""

    message: Message
    event: Event | None = None
    valid_until_us: int | None = None


class _Flight(Struct, frozen=True):
    """A message that waits for its PUBACK."""

    item: _Queued
    deadline_us: int


class _Refusal(Struct, frozen=True):
    """Why the broker refuses messages on a topic, how often it did, and when the next is sent."""

    reason: str
    count: int
    due_us: int


class Delivery(Struct, kw_only=True):
    """The state machine between the outbox and the client. Used by the main loop only."""

    topics: Topics
    publish: Callable[[Message], int | None]
    """Hands a message to the network and returns its number; None: not connected after all."""
    reconnect: Callable[[], None]
    """Drops the connection; the client then connects anew."""
    connected: bool = False
    away: str = "The broker has not answered yet."
    """Why there is no connection; empty: there is one."""
    subscription_trouble: str = ""
    """Why no commands arrive; empty: they do."""
    has_no_subscriber: bool = False
    """The broker accepted the newest event and said that nobody subscribes to it."""
    _slots: dict[str, Message] = field(default_factory=dict)
    _dirty: OrderedDict[str, _Queued] = field(default_factory=OrderedDict)
    _events: deque[_Queued] = field(default_factory=deque)
    _answers: deque[_Queued] = field(default_factory=deque)
    _latest: OrderedDict[str, _Queued] = field(default_factory=OrderedDict)
    _flights: dict[int, _Flight] = field(default_factory=dict)
    """By the number of the message."""
    _refusals: dict[str, _Refusal] = field(default_factory=dict)
    _last_change_us: int | None = None
    """When the connection was last made or lost."""
    _offered_ids: OrderedDict[str, None] = field(default_factory=OrderedDict)
    _delivered: list[str] = field(default_factory=list)
    _reminders: dict[tuple[str, str | None, int | None], _Queued] = field(default_factory=dict)
    """By occurrence, the reminder of it that waits."""
    _superseded: dict[str, str] = field(default_factory=dict)

    @property
    def waiting(self) -> int:
        """Return how many events wait here for the broker."""
        return len(self._events)

    @property
    def is_telling(self) -> bool:
        """Tell whether an event is on its way and waits for its PUBACK."""
        return any(flight.item.event for flight in self._flights.values())

    @property
    def unsent(self) -> list[Event]:
        """Return the events that wait here for the broker, in their order."""
        return [item.event for item in self._events if item.event]

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
        return not (self._flights or self._dirty or self._events or self._answers or self._latest)

    @property
    def trouble(self) -> str:
        """Say what is wrong with the broker now, in one sentence; empty: nothing known."""
        refused = next(iter(self._refusals.items()), None)
        return (
            self.away or (_refused_words(refused[0], refused[1].reason) if refused else "") or self.subscription_trouble
        )

    def put(self, message: Message) -> None:
        """Set a standing message of a topic; it is sent if it differs from the one before."""
        if self._slots.get(message.topic) != message:
            self._slots[message.topic] = message
            self._dirty[message.topic] = _Queued(message)

    def is_sent(self, topic: str) -> bool:
        """Tell whether the broker has the standing message of a topic, or none was set."""
        return topic not in self._dirty

    def answer(self, message: Message, valid_until_us: int) -> None:
        """Queue what a person is told back, in order; it is dropped when it is stale."""
        self._answers.append(_Queued(message, valid_until_us=valid_until_us))

    def latest(self, message: Message, valid_until_us: int) -> None:
        """Set the newest value of a topic; an older one not yet sent is dropped, and so is this when it is stale."""
        self._latest[message.topic] = _Queued(message, valid_until_us=valid_until_us)

    def offer(self, events: Iterable[Event]) -> None:
        """Queue events in their order; an id that was offered before is not queued twice."""
        for event in events:
            if event.id not in self._offered_ids:
                self._offered_ids[event.id] = None
                message = Message(topic=self.topics.event(event.vat), payload=event.payload)
                self._queue(_Queued(message, event=event), event)
        while len(self._offered_ids) > _IDS_REMEMBERED + len(self._events):
            self._offered_ids.popitem(last=False)

    def _queue(self, item: _Queued, event: Event) -> None:
        """Queue an event; a reminder supersedes the one before, unless that may have left just now."""
        self._events.append(item)
        reminder = reminder_in(event)
        if reminder is None:
            return
        before = self._reminders.pop(reminder.of, None)
        if before and before.event and all(flight.item is not before for flight in self._flights.values()):
            self._events.remove(before)
            self._superseded[before.event.id] = event.id
        if reminder.can_be_superseded:
            self._reminders[reminder.of] = item

    def take_superseded(self) -> dict[str, str]:
        """Return the ids of reminders superseded since the last call, with what superseded each: mark them too."""
        superseded, self._superseded = self._superseded, {}
        return superseded

    def take_delivered(self) -> list[str]:
        """Return the ids of events accepted since the last call, in order: mark them in the outbox."""
        delivered, self._delivered = self._delivered, []
        return delivered

    def handle(self, event: NetworkEvent, now_us: int) -> None:
        """Handle an event of the network. Of inbound messages only the hub's birth message is handled here."""
        if isinstance(event, Connected | Disconnected):
            self._last_change_us = now_us
        match event:
            case Connected():
                self._on_connected()
            case Disconnected(reason):
                self._on_disconnected(reason)
            case PublishAccepted(mid, subscribers):
                self._on_accepted(mid, subscribers=subscribers)
            case PublishRefused(mid, reason):
                self._on_refused(mid, reason, now_us=now_us)
            case SubscriptionRefused(reason):
                self.subscription_trouble = reason
                log.warning("%s", reason)
            case Incoming() if self.is_birth(event):
                self._resend_standing()

    def is_birth(self, incoming: Incoming) -> bool:
        """Tell whether a message says that the hub has started just now."""
        return incoming.topic == self.topics.birth and incoming.payload == b"online" and not incoming.retain

    def pump(self, now_us: int) -> None:
        """Send what is due and may be in flight now."""
        if any(now_us >= flight.deadline_us for flight in self._flights.values()):
            self._on_no_answer()
        self._reconnect_if_quiet(now_us)
        self._drop_stale(now_us)
        while self.connected and (item := next((i for i in self._sendable() if self._due_us(i) <= now_us), None)):
            self._send(item, now_us)

    @property
    def next_due_us(self) -> int | None:
        """Return when `pump` must be called again though nothing happens; None: not before something does."""
        if not self.connected:
            return None if self._last_change_us is None else self._last_change_us + QUIET_US
        dues_us = [flight.deadline_us for flight in self._flights.values()]
        for item in self._sendable():
            dues_us.append(self._due_us(item))
            if not dues_us[-1]:  # at once
                break
        return min(dues_us, default=None)

    def _sendable(self) -> Iterator[_Queued]:
        """Yield what may be sent in its order: answers, states, then the oldest event, then the newest values."""
        busy = {flight.item.message.topic for flight in self._flights.values()}
        has_room = len(busy) < STATES_IN_FLIGHT

        def free(items: Iterable[_Queued]) -> Iterator[_Queued]:
            return (item for item in items if item.message.topic not in busy)

        yield from free(islice(self._answers, 1))
        states = free(self._dirty.values())  # thousands at a start: only the next of them is looked at
        first = next(states, None)
        if has_room and first:
            yield from chain([first], states)
        if has_room or not first:
            yield from free(islice(self._events, 1))
        if has_room:
            yield from free(self._latest.values())

    def _due_us(self, item: _Queued) -> int:
        refusal = self._refusals.get(item.message.topic)
        return refusal.due_us if refusal else 0

    def _send(self, item: _Queued, now_us: int) -> None:
        mid = self.publish(item.message)
        if mid is None:
            self.connected = False  # Disconnected was posted already, or will be; then Connected
        else:
            self._flights[mid] = _Flight(item, now_us + ANSWER_US)

    def _reconnect_if_quiet(self, now_us: int) -> None:
        if self._last_change_us is None or self.connected:
            self._last_change_us = now_us
        elif now_us >= self._last_change_us + QUIET_US:
            self._last_change_us = now_us
            log.warning("No attempt to reach the broker was seen for %d s; starting anew", QUIET_US // SECOND_US)
            self.reconnect()

    def _drop_stale(self, now_us: int) -> None:
        while self._answers and now_us >= (self._answers[0].valid_until_us or 0):
            self._answers.popleft()
        for topic, item in list(self._latest.items()):
            if item.valid_until_us is not None and now_us >= item.valid_until_us:
                del self._latest[topic]

    def _resend_standing(self) -> None:
        """Send all standing messages once more, in the order in which their topics were first set."""
        self._dirty = OrderedDict((topic, _Queued(message)) for topic, message in self._slots.items())

    def _on_connected(self) -> None:
        log.info("Connected to the broker")
        self.connected, self._flights = True, {}
        self.away = self.subscription_trouble = ""
        self._refusals.clear()
        self._resend_standing()

    def _on_disconnected(self, reason: str) -> None:
        if reason != self.away:
            log.warning("%s", reason)
        self.connected, self._flights, self.away = False, {}, reason

    def _on_no_answer(self) -> None:
        self._on_disconnected(f"The broker answered nothing for {ANSWER_US // SECOND_US} s; connecting anew.")
        self.reconnect()

    def _answered(self, mid: int) -> _Queued | None:
        """Return the item in flight that this answers; an answer to an item that was given up is ignored."""
        flight = self._flights.pop(mid, None)
        return flight.item if flight else None

    def _on_accepted(self, mid: int, *, subscribers: bool) -> None:
        item = self._answered(mid)
        if item is None:
            return
        topic = item.message.topic
        self._refusals.pop(topic, None)
        if item.event:
            self._on_event_accepted(item.event, subscribers=subscribers)
        elif self._dirty.get(topic) is item:
            self._on_standing_accepted(item.message)
        elif self._answers and self._answers[0] is item:
            self._answers.popleft()
        elif self._latest.get(topic) is item:
            del self._latest[topic]

    def _on_standing_accepted(self, message: Message) -> None:
        del self._dirty[message.topic]
        if not message.payload:  # removed at the broker: nothing stands there to be sent again
            del self._slots[message.topic]

    def _on_event_accepted(self, event: Event, *, subscribers: bool) -> None:
        self._events.popleft()
        self._delivered.append(event.id)
        self._reminders = {of: item for of, item in self._reminders.items() if item.event is not event}
        if not subscribers and not self.has_no_subscriber:
            log.warning("The broker took an event on %s, but nobody listens there", self.topics.event(event.vat))
        self.has_no_subscriber = not subscribers

    def _on_refused(self, mid: int, reason: str, *, now_us: int) -> None:
        item = self._answered(mid)
        if item is None:
            return
        topic = item.message.topic
        before = self._refusals.get(topic)
        if before is None or before.reason != reason:
            log.warning("%s", _refused_words(topic, reason))
        count = before.count if before else 0
        wait_us = min(FIRST_RETRY_US << min(count, 16), LONGEST_RETRY_US)
        self._refusals[topic] = _Refusal(reason, count + 1, now_us + wait_us)


def _refused_words(topic: str, reason: str) -> str:
    return f"The broker refuses messages on {topic}: {reason}. They are kept and tried again: check its access rules."
