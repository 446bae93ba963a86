"""What a broker can do to a message, on sockets: paho's habits are those measured for paho-mqtt 2.2."""

import pytest

from logger.mqtt import delivery
from logger.mqtt.messages import Connected, Disconnected, Message, PublishAccepted, PublishRefused
from tests.mqtt.factories import event, line, retained
from tests.mqtt.scripted_broker import scripted_broker
from tests.parts.mosquitto import MakeMosquitto, Subscriber
from tests.parts.waiting import wait_until

EVENTS = "vatvigil/vat/marrow/event"


def test_a_refused_event_is_not_delivered_but_tried_again_in_its_place(caplog: pytest.LogCaptureFixture) -> None:
    # MQTT 5.0, table 3-4: 0x87 not authorized, 0x97 quota exceeded
    reasons = iter([0x87, 0x97])
    with (
        scripted_broker(lambda _, topic, __: next(reasons, 0) if topic == EVENTS else 0) as broker,
        line(broker.port) as ours,
    ):
        ours.delivery.offer([event(1), event(2)])
        ours.run_until(lambda: any(isinstance(seen, PublishRefused) for seen in ours.seen))
        assert ours.delivered == []
        assert "Not authorized" in ours.delivery.trouble
        assert EVENTS in ours.delivery.trouble
        ours.settle()
        assert ours.delivered == ["event-1", "event-2"]
        assert ours.delivery.trouble == ""
        sent = [payload for topic, payload in broker.published if topic == EVENTS]
        assert sent == [event(number).payload.encode() for number in (1, 1, 1, 2)]
    assert "Not authorized" in caplog.text
    assert "Quota exceeded" in caplog.text


def test_a_refused_state_does_not_hold_up_the_events() -> None:
    with scripted_broker(lambda _, topic, __: 0x87 if topic == "locked" else 0) as broker, line(broker.port) as ours:
        ours.delivery.put(retained("locked", "1"))
        ours.delivery.offer([event(1), event(2)])
        ours.run_until(lambda: ours.delivered == ["event-1", "event-2"])
        assert "locked" in ours.delivery.trouble
        assert not ours.delivery.settled


def test_a_broker_that_never_answers_is_left_and_called_anew(caplog: pytest.LogCaptureFixture) -> None:
    def swallow_the_first_event(before: int, topic: str, _: bytes) -> int | None:
        del before
        if topic == EVENTS and not swallowed:
            swallowed.append(topic)
            return None
        return 0

    swallowed: list[str] = []
    with scripted_broker(swallow_the_first_event) as broker, line(broker.port) as ours:
        ours.delivery.offer([event(1), event(2)])
        ours.run_until(lambda: bool(swallowed))
        ours.turn()
        assert ours.delivered == []
        ours.ages_us = delivery.ANSWER_US
        ours.run_until(lambda: bool(ours.delivery.away))
        assert "answered nothing for 30 s" in caplog.text
        ours.settle()
        assert ours.delivered == ["event-1", "event-2"]
        assert broker.connections == 2
        sent = [payload for topic, payload in broker.published if topic == EVENTS]
        assert sent == [event(number).payload.encode() for number in (1, 1, 2)]  # nobody but us repeats


def test_nobody_listening_counts_as_delivered_and_is_said_once(
    mosquitto: MakeMosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    # MQTT 5.0, table 3-4: 0x10 no matching subscribers
    with line(mosquitto().port) as ours:
        ours.delivery.offer([event(1), event(2)])
        ours.settle()
        assert ours.delivered == ["event-1", "event-2"]
        assert ours.delivery.has_no_subscriber
        assert caplog.text.count("nobody listens") == 1
        with Subscriber(port=ours.client.config.port):
            ours.delivery.offer([event(3)])
            ours.settle()
        assert not ours.delivery.has_no_subscriber


def test_access_rules_of_a_real_broker_refuse_a_message_visibly(mosquitto: MakeMosquitto) -> None:
    rules = "topic readwrite vatvigil/status\ntopic read homeassistant/status\ntopic read vatvigil/command/#\n"
    with line(mosquitto(acl=rules).port) as ours:
        ours.delivery.offer([event(1)])
        ours.run_until(lambda: any(isinstance(seen, PublishRefused) for seen in ours.seen))
        assert ours.delivered == []
        assert "Not authorized" in ours.delivery.trouble


def test_a_publish_while_away_is_neither_kept_nor_doubled(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto(start=False)
    with line(broker.port, start=False) as ours:
        assert ours.client.publish(Message(topic=EVENTS, payload="lost")) is None
        broker.start()
        with Subscriber(port=broker.port, filters=[EVENTS]) as hub:
            ours.client.start()
            ours.delivery.offer([event(1)])
            ours.settle()
            assert hub.wait_for(EVENTS) == [event(1).payload]


def test_what_the_library_still_held_is_not_sent_by_it_after_a_reconnect(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with line(broker.port) as ours, Subscriber(port=broker.port, filters=[EVENTS], session_s=60) as hub:
        ours.settle()
        broker.freeze()  # the connection stays, nothing is answered
        assert ours.client.publish(Message(topic=EVENTS, payload="in flight when the broker died")) is not None
        broker.kill()
        hub.forget_subscription()
        ours.run_until(lambda: bool(ours.delivery.away))
        broker.start()
        hub.wait_until_subscribed()
        ours.delivery.offer([event(1)])
        ours.settle()
        assert hub.wait_for(EVENTS) == [event(1).payload]


def test_a_callback_that_fails_does_not_end_the_network_thread(
    mosquitto: MakeMosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    broker = mosquitto()
    with line(broker.port) as ours:
        post = ours.client.post

        def fail_once(happening: object) -> None:
            ours.client.post = post
            raise RuntimeError(f"cannot take {happening}")

        ours.client.post = fail_once
        ours.client.start()
        wait_until(lambda: "A callback of the MQTT client failed" in caplog.text, 10)
        broker.kill()
        broker.start()
        ours.run_until(lambda: any(isinstance(seen, Connected) for seen in ours.seen))


def test_an_answer_to_something_given_up_is_nobodys() -> None:
    with line(1, start=False) as ours:
        ours.delivery.handle(PublishAccepted(7), 0)
        ours.delivery.handle(PublishRefused(7, "no"), 0)
        ours.delivery.handle(Disconnected("gone"), 0)
        assert ours.delivery.take_delivered() == []


def test_another_client_under_our_id_is_said() -> None:
    # MQTT 5.0, table 3-13: DISCONNECT 0x8E session taken over
    with scripted_broker(lambda *_: 0) as broker, line(broker.port) as ours:
        ours.settle()
        broker.send(b"\xe0\x02\x8e\x00")
        ours.run_until(lambda: bool(ours.delivery.away))
        assert "Another client took over the id 'vatvigil'" in ours.delivery.away


def test_a_refused_subscription_is_said() -> None:
    # MQTT 5.0, table 3-8: SUBACK 0x87 not authorized
    with scripted_broker(lambda *_: 0, granted=bytes([1, 0x87])) as broker, line(broker.port) as ours:
        ours.run_until(lambda: bool(ours.delivery.subscription_trouble))
        assert ours.delivery.subscription_trouble == (
            "The broker does not let us listen to homeassistant/status (Not authorized): check its access rules."
        )
        ours.settle()
        assert ours.delivery.trouble == ours.delivery.subscription_trouble


@pytest.mark.parametrize(
    "rubbish",
    [
        b"\x40\x01\x00",  # PUBACK without a whole number
        b"\x90\x00",  # SUBACK of nothing
        b"\x32\x04\x00\x01a\x00",  # PUBLISH cut short
        b"\x30\x04\x00\x01a\x05",  # PUBLISH with properties that are not there
        b"\x00\x00",  # no kind of packet
        b"\x90\x04\x00\x01\x00\x55",  # SUBACK with a reason that does not exist
    ],
)
def test_a_broker_that_sends_rubbish_is_left_and_called_anew(rubbish: bytes) -> None:
    with scripted_broker(lambda *_: 0) as broker, line(broker.port) as ours:
        ours.settle()
        broker.send(rubbish)
        ours.run_until(lambda: bool(ours.delivery.away))
        ours.delivery.offer([event(1)])
        ours.settle()
        assert ours.delivered == ["event-1"]


def test_a_topic_that_is_no_text_is_passed_over() -> None:
    with scripted_broker(lambda *_: 0) as broker, line(broker.port) as ours:
        ours.settle()
        broker.send(b"\x30\x05\x00\x02\xff\xfe\x00")
        broker.send(b"\x30\x04\x00\x01a\x00")
        ours.run_until(lambda: [incoming.topic for incoming in ours.incoming] == ["a"])
