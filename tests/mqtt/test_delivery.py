"""Laws of the delivery against a model broker that accepts, refuses, is silent and goes away as hypothesis pleases."""

from dataclasses import dataclass, field
from typing import Any

import msgspec
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from logger.model import Event
from logger.mqtt.delivery import ANSWER_US, FIRST_RETRY_US, LONGEST_RETRY_US, QUIET_US, STATES_IN_FLIGHT, Delivery
from logger.mqtt.messages import Connected, Disconnected, Incoming, Message, PublishAccepted, PublishRefused
from tests.examples import examples
from tests.mqtt.factories import TOPICS, event, reminder, retained

SLOTS = st.sampled_from(["state/a", "state/b"])


@dataclass(slots=True)
class ModelBroker:
    """What the other end knows: accepted messages, and the one not yet answered."""

    delivery: Delivery = field(init=False)
    up: bool = False
    mid: int = 0
    open: list[tuple[int, Message]] = field(default_factory=list)
    accepted: list[Message] = field(default_factory=list)
    standing: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.delivery = Delivery(topics=TOPICS, publish=self.publish, reconnect=self.hang_up)

    def publish(self, message: Message) -> int | None:
        assert self.delivery.connected
        if not self.up:
            return None
        self.mid += 1
        self.open.append((self.mid, message))
        return self.mid

    def hang_up(self) -> None:
        self.up = False
        self.open.clear()

    def take(self) -> int:
        """Take the open message in; the answer may still be lost."""
        mid, message = self.open.pop()
        self.accepted.append(message)
        if message.retain:
            self.standing[message.topic] = message.payload
        return mid

    @property
    def event_ids(self) -> list[str]:
        return [message.payload for message in self.accepted if message.topic.endswith("/event")]


class DeliveryLaws(RuleBasedStateMachine):
    @initialize()
    def start(self) -> None:
        self.broker = ModelBroker()
        self.delivery = self.broker.delivery
        self.now_us = 0
        self.offered = list[Event]()
        self.delivered: list[str] = []
        self.superseded: dict[str, str] = {}
        self.put: dict[str, str] = {}

    @rule(count=st.integers(1, 4))
    def raise_events(self, count: int) -> None:
        numbers = range(len(self.offered), len(self.offered) + count)
        self.offered += [event(number, vat=("marrow", "teasel", "")[number % 3]) for number in numbers]
        self.delivery.offer(self.offered[-count:])

    @rule(occurrence=st.integers(1, 2), cause=st.sampled_from(["reminder", "reminder", "raised"]))
    def remind(self, occurrence: int, cause: str) -> None:
        self.offered.append(reminder(len(self.offered), occurrence, cause=cause))
        self.delivery.offer(self.offered[-1:])

    @property
    def owed(self) -> list[Event]:
        """What was offered and not superseded, in order."""
        self.superseded |= self.delivery.take_superseded()
        return [made for made in self.offered if made.id not in self.superseded]

    @precondition(lambda self: self.offered)
    @rule()
    def offer_all_rows_again(self) -> None:
        self.delivery.offer(self.offered)

    @rule(topic=SLOTS, payload=st.sampled_from("012"))
    def put_state(self, topic: str, payload: str) -> None:
        self.put[topic] = payload
        self.delivery.put(retained(topic, payload))

    @rule(valid_us=st.integers(0, 5_000_000))
    def measure(self, valid_us: int) -> None:
        until_us = self.now_us + valid_us
        self.delivery.latest(Message(topic="measurement", payload=str(until_us)), until_us)

    @rule(step_us=st.sampled_from([0, 1000, FIRST_RETRY_US, LONGEST_RETRY_US]))
    def pump(self, step_us: int) -> None:
        self.now_us += step_us
        before = len(self.broker.open)
        self.delivery.pump(self.now_us)
        for _, message in self.broker.open[before:]:
            assert message.topic != "measurement" or int(message.payload) > self.now_us

    @rule(answers=st.lists(st.sampled_from(["accept", "refuse"]), min_size=1, max_size=6))
    def converse(self, answers: list[str]) -> None:
        for answer in answers:
            self.pump(0)
            if self.broker.open and answer == "accept":
                self.accept(subscribers=True)
            elif self.broker.open:
                self.refuse()

    @precondition(lambda self: self.broker.open)
    @rule(subscribers=st.booleans())
    def accept(self, *, subscribers: bool) -> None:
        self.delivery.handle(PublishAccepted(self.broker.take(), subscribers), self.now_us)

    @precondition(lambda self: self.broker.open)
    @rule()
    def refuse(self) -> None:
        mid, _ = self.broker.open.pop()
        self.delivery.handle(PublishRefused(mid, "no"), self.now_us)

    @precondition(lambda self: self.broker.open)
    @rule()
    def take_but_lose_the_answer(self) -> None:
        self.broker.take()
        self.lose()

    @precondition(lambda self: self.broker.open)
    @rule()
    def stay_silent(self) -> None:
        self.now_us += ANSWER_US
        self.delivery.pump(self.now_us)
        assert not self.delivery.connected

    @rule()
    def lose(self) -> None:
        self.broker.hang_up()
        self.delivery.handle(Disconnected("gone"), self.now_us)

    @rule()
    def go_away_before_the_news_of_it(self) -> None:
        self.broker.hang_up()
        self.delivery.pump(self.now_us)
        self.lose()

    @precondition(lambda self: not self.broker.up)
    @rule()
    def connect(self) -> None:
        self.broker.up = True
        self.delivery.handle(Connected(), self.now_us)

    @rule()
    def connect_anew_without_word_of_the_end(self) -> None:
        self.broker.hang_up()
        self.connect()

    @rule(retain=st.booleans())
    def hub_is_born(self, *, retain: bool) -> None:
        self.delivery.handle(Incoming("homeassistant/status", b"online", retain), self.now_us)

    @rule(mid=st.integers(-5, 0))
    def answer_to_nothing(self, mid: int) -> None:
        self.delivery.handle(PublishAccepted(mid), self.now_us)
        self.delivery.handle(PublishRefused(mid, "no"), self.now_us)

    @invariant()
    def one_message_of_a_topic_and_one_event_are_in_flight_at_most(self) -> None:
        topics = [message.topic for _, message in self.broker.open]
        assert len(topics) == len(set(topics)) <= STATES_IN_FLIGHT + 2
        assert len([topic for topic in topics if topic.endswith("/event")]) <= 1

    @invariant()
    def events_arrive_in_order_and_repeats_only_follow_themselves(self) -> None:
        arrived = self.broker.event_ids
        once, order = list(dict.fromkeys(arrived)), [made.payload for made in self.offered]
        assert once == sorted(once, key=order.index)
        assert arrived == sorted(arrived, key=once.index)

    @invariant()
    def only_a_reminder_is_superseded_and_by_a_later_one_of_its_occurrence(self) -> None:
        self.superseded |= self.delivery.take_superseded()
        numbers = {made.id: number for number, made in enumerate(self.offered)}
        for old, new in self.superseded.items():
            before, after = (words(self.offered[numbers[name]]) for name in (old, new))
            assert numbers[old] < numbers[new]
            assert before["cause"] == "reminder"
            assert (before["alarm"], before["occurrence"]) == (after["alarm"], after["occurrence"])

    @invariant()
    def of_the_reminders_of_an_occurrence_that_wait_there_is_one_beside_what_may_have_left(self) -> None:
        waiting = [words(made) for made in self.delivery.unsent[1:]]
        reminders = [each["occurrence"] for each in waiting if each.get("cause") == "reminder"]
        assert len(reminders) == len(set(reminders))

    @invariant()
    def what_counts_as_delivered_was_accepted_in_order_and_once(self) -> None:
        self.delivered += self.delivery.take_delivered()
        assert self.delivered == [made.id for made in self.owed[: len(self.delivered)]]
        assert len(self.delivered) <= len(set(self.broker.event_ids))

    def teardown(self) -> None:
        """However it went: a broker that comes back and accepts gets everything that is still owed."""
        self.connect_anew_without_word_of_the_end()
        for _ in range(len(self.offered) + 4):
            self.delivery.pump(self.now_us)
            assert self.delivery.next_due_us is not None or self.delivery.settled
            if self.broker.open:
                self.delivery.handle(PublishAccepted(self.broker.take()), self.now_us)
            self.what_counts_as_delivered_was_accepted_in_order_and_once()
        assert self.delivery.settled
        assert self.delivered == [made.id for made in self.owed]
        assert self.broker.standing == self.put


TestDeliveryLaws = DeliveryLaws.TestCase
TestDeliveryLaws.settings = settings(max_examples=examples(150), stateful_step_count=40)


def words(made: Event) -> dict[str, Any]:
    return dict(msgspec.json.decode(made.payload))


def connected() -> ModelBroker:
    broker = ModelBroker()
    broker.up = True
    broker.delivery.handle(Connected(), 0)
    return broker


def test_a_state_is_sent_only_when_it_differs() -> None:
    broker = connected()
    for payload in ("1", "1", "2"):
        broker.delivery.put(retained("state/a", payload))
        broker.delivery.pump(0)
        if broker.open:
            broker.delivery.handle(PublishAccepted(broker.take()), 0)
    assert [message.payload for message in broker.accepted] == ["1", "2"]


def test_an_event_leaves_behind_the_states_and_does_not_wait_for_their_answers() -> None:
    broker = connected()
    for number in range(3):
        broker.delivery.put(retained(f"state/{number}", "1"))
    broker.delivery.offer([event(0), event(1)])
    broker.delivery.pump(0)
    assert [message.topic for _, message in broker.open] == [
        *(f"state/{number}" for number in range(3)),
        TOPICS.event(event(0).vat),
    ]


def test_many_states_leave_some_at_a_time_and_the_event_behind_them() -> None:
    broker = connected()
    for number in range(20):
        broker.delivery.put(retained(f"state/{number}", "1"))
    broker.delivery.offer([event(0)])
    broker.delivery.pump(0)
    assert len(broker.open) == STATES_IN_FLIGHT
    while not broker.delivery.settled:
        mid, message = broker.open.pop(0)
        broker.accepted.append(message)
        broker.delivery.handle(PublishAccepted(mid), 0)
        broker.delivery.pump(0)
    assert len(broker.accepted) == 21
    assert broker.accepted[-1].payload == event(0).payload


def test_a_newer_state_follows_the_one_in_flight() -> None:
    broker = connected()
    broker.delivery.put(retained("state/a", "1"))
    broker.delivery.pump(0)
    broker.delivery.put(retained("state/a", "2"))
    broker.delivery.handle(PublishAccepted(broker.take()), 0)
    assert not broker.delivery.settled
    broker.delivery.pump(0)
    broker.delivery.handle(PublishAccepted(broker.take()), 0)
    assert (broker.standing, broker.delivery.settled) == ({"state/a": "2"}, True)


def test_a_refused_message_is_tried_after_1_2_4_seconds_and_at_most_every_minute() -> None:
    broker = connected()
    broker.delivery.offer([event(0)])
    now_us, waits = 0, []
    for _ in range(9):
        broker.delivery.pump(now_us)
        mid, _message = broker.open.pop()
        broker.delivery.handle(PublishRefused(mid, "no"), now_us)
        broker.delivery.pump(now_us)
        assert broker.open == []
        due_us = broker.delivery.next_due_us
        assert due_us is not None
        waits.append((due_us - now_us) // 1_000_000)
        now_us = due_us
    assert waits == [1, 2, 4, 8, 16, 32, 60, 60, 60]


def test_a_cleared_topic_is_not_cleared_again_on_the_next_connect() -> None:
    broker = connected()
    broker.delivery.put(retained("ghost", ""))
    broker.delivery.pump(0)
    broker.delivery.handle(PublishAccepted(broker.take()), 0)
    broker.delivery.handle(Connected(), 0)
    assert broker.delivery.settled


def test_of_reminders_that_waited_the_newest_of_each_occurrence_is_delivered() -> None:
    broker = ModelBroker()
    first = event(0, cause="annunciated", alarm="ph-high", occurrence=1, annunciates=True)
    broker.delivery.offer([first, *(reminder(n) for n in (1, 2, 3)), reminder(4, 2), reminder(5, cause="raised")])
    broker.delivery.offer([reminder(6)])
    assert [made.id for made in broker.delivery.unsent] == ["event-0", "event-4", "event-5", "event-6"]
    assert broker.delivery.take_superseded() == {"event-1": "event-2", "event-2": "event-3", "event-3": "event-5"}


def test_a_reminder_in_flight_is_left_to_arrive() -> None:
    broker = connected()
    broker.delivery.offer([reminder(1)])
    broker.delivery.pump(0)
    broker.delivery.offer([reminder(2)])
    assert broker.delivery.take_superseded() == {}
    broker.delivery.handle(PublishAccepted(broker.take()), 0)
    assert broker.delivery.take_delivered() == ["event-1"]


def test_what_annunciates_is_never_superseded() -> None:
    broker = ModelBroker()
    released = event(1, cause="reminder", alarm="ph-high", occurrence=1, annunciates=True)
    broker.delivery.offer([released, reminder(2)])
    assert broker.delivery.waiting == 2


def test_ids_are_remembered_in_bounds() -> None:
    broker = connected()
    broker.delivery.offer(event(number) for number in range(10_000))
    broker.delivery.offer(event(number) for number in range(10_000))
    assert broker.delivery.waiting == 10_000


def test_a_measurement_that_became_stale_while_waiting_is_not_sent() -> None:
    broker = connected()
    broker.delivery.latest(Message(topic="measurement", payload="old"), 1000)
    broker.delivery.pump(1000)
    assert (broker.open, broker.delivery.settled) == ([], True)


def test_only_a_birth_that_happens_now_brings_everything_again() -> None:
    broker = connected()
    broker.delivery.put(retained("state/a", "1"))
    broker.delivery.pump(0)
    broker.delivery.handle(PublishAccepted(broker.take()), 0)
    for other in (
        Incoming("homeassistant/status", b"online", retain=True),  # of a hub that has read what is retained since
        Incoming("homeassistant/status", b"offline"),
        Incoming("vatvigil/command/marrow/ph-high/acknowledge", b"online"),
    ):
        broker.delivery.handle(other, 0)
        assert broker.delivery.settled
    broker.delivery.handle(Incoming("homeassistant/status", b"online"), 0)
    assert not broker.delivery.settled


def test_a_client_that_stopped_trying_is_woken() -> None:
    woken: list[int] = []
    delivery = Delivery(topics=TOPICS, publish=lambda _: None, reconnect=lambda: woken.append(1))
    delivery.handle(Disconnected("gone"), 0)
    delivery.pump(QUIET_US - 1)
    assert (woken, delivery.next_due_us) == ([], QUIET_US)
    delivery.pump(QUIET_US)
    assert (woken, delivery.next_due_us) == ([1], 2 * QUIET_US)
