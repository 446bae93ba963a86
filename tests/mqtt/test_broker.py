"""The whole line against a real mosquitto: what a hub sees, whatever happens to broker and connection."""

import json
from typing import Any

import pytest

from logger.config import MqttConfig
from logger.errors import ConfigurationError
from logger.model import AlarmState, Command, State
from logger.mqtt import connection_test, discovery
from logger.mqtt.alarm_state import alarm_message
from logger.mqtt.commands import command_of
from logger.mqtt.entity import EntityFactory, Software
from logger.mqtt.messages import Disconnected, Incoming, Message
from logger.mqtt.removed import RemovedTopics
from tests.mqtt.factories import CONFIG, MARROW, PH_HIGH, TOPICS, event, line, retained
from tests.parts.mosquitto import Certificates, MakeMosquitto, Subscriber
from tests.parts.waiting import wait_until

EVENTS = "vatvigil/vat/marrow/event"
ALARM = "vatvigil/vat/marrow/alarm/ph-high"
STATE = AlarmState(base=State.UNACKNOWLEDGED, occurrence=3, since_at_us=1)
STANDING = alarm_message(TOPICS, MARROW, alarm=PH_HIGH, state=STATE)


def test_a_hub_that_comes_late_still_sees_a_standing_alarm_and_the_availability(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with line(broker.port) as ours:
        ours.delivery.put(STANDING)
        ours.settle()
        with Subscriber(port=broker.port) as late:
            assert json.loads(late.wait_for(ALARM)[0])["state"] == "unacknowledged"
            assert json.loads(late.wait_for("vatvigil/status")[0])["status"] == "online"
            assert all(message.retain for message in late.received)


def test_a_clean_stop_says_offline(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with Subscriber(port=broker.port, filters=["vatvigil/status"]) as hub:
        with line(broker.port) as ours:
            ours.settle()
        said = [json.loads(payload)["status"] for payload in hub.wait_for("vatvigil/status", 2)]
        assert said == ["online", "offline"]


def test_a_state_goes_out_before_the_event_that_tells_of_it(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with Subscriber(port=broker.port) as hub, line(broker.port) as ours:
        ours.settle()
        ours.delivery.offer([event(1)])
        ours.delivery.put(STANDING)
        ours.settle()
        hub.wait_for(EVENTS)
        assert [message.topic for message in hub.received][-2:] == [ALARM, EVENTS]


def test_a_message_is_written_before_the_loop_goes_on(
    mosquitto: MakeMosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.mqtt.client.WRITE_S", 20.0)  # a busy machine may take longer than the loop grants
    broker = mosquitto()
    with line(broker.port) as ours:
        ours.settle()
        ours.delivery.offer([event(1)])
        ours.delivery.pump(0)
        ours.client.let_write()
        assert not ours.client._paho.want_write()  # noqa: SLF001 - what waits in the library


def test_the_hubs_birth_brings_all_standing_messages_again(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    frame = EntityFactory(topics=TOPICS, software=Software(version="0.1.0"))
    announced = discovery.announcements(CONFIG, frame, occurrences={"marrow/ph-high": 3})
    with line(broker.port) as ours:
        for message in (*announced, STANDING):
            ours.delivery.put(message)
        ours.settle()
        with Subscriber(port=broker.port) as hub:
            wait_until(lambda: len(hub.received) == len(announced) + 2, 10)
            hub.received.clear()
            hub.publish("homeassistant/status", "online")
            ours.run_until(lambda: any(isinstance(seen, Incoming) for seen in ours.seen))
            ours.settle()
            hub.wait_for(ALARM)
            again = [message.topic for message in hub.received if message.topic != "homeassistant/status"]
            assert again == ["vatvigil/status", *(message.topic for message in announced), ALARM]


def test_ghosts_are_gone_for_a_hub_that_comes_later(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto(persistent=True)
    with line(broker.port) as ours:
        ours.delivery.put(retained("vatvigil/vat/gone/alarm/ph-high", "{}"))
        ours.delivery.put(STANDING)
        ours.settle()
    with line(broker.port) as ours:
        ours.delivery.put(STANDING)
        removed = RemovedTopics(put=ours.delivery.put, is_sent=ours.delivery.is_sent, device_of=str)
        removed.clear(["vatvigil/vat/gone/alarm/ph-high", ALARM], [ALARM])
        ours.settle()
    broker.stop()
    broker.start()
    with Subscriber(port=broker.port) as late:
        late.wait_for(ALARM)
        assert late.on("vatvigil/vat/gone/alarm/ph-high") == []


@pytest.mark.parametrize("protocol", [5, 311])
def test_hundreds_of_events_raised_while_the_broker_is_away_arrive_in_order(
    mosquitto: MakeMosquitto, protocol: int
) -> None:
    broker = mosquitto(persistent=True)
    with (
        line(broker.port, protocol=protocol) as ours,
        Subscriber(port=broker.port, filters=[EVENTS], session_s=600) as hub,
    ):
        sent = ours.count_sent()
        ours.delivery.offer(event(number) for number in range(20))
        ours.run_until(lambda: len(ours.delivered) >= 10)
        broker.stop()
        ours.run_until(lambda: bool(ours.delivery.away))
        ours.delivery.offer(event(number) for number in range(400))
        broker.start()
        ours.settle()
        wait_until(lambda: any('"event-399"' in payload for payload in hub.on(EVENTS)), 10)
        ids = [json.loads(payload)["event_id"] for payload in hub.on(EVENTS)]  # the broker repeats some, too
        assert list(dict.fromkeys(ids)) == [f"event-{number}" for number in range(400)]
        assert list(dict.fromkeys(ours.delivered)) == [f"event-{number}" for number in range(400)]
        # Only the one in flight when the broker went can be sent twice; what the broker repeats to the hub is its own.
        assert len([message for message in sent if message.topic == EVENTS]) <= 401


def test_unsent_rows_are_sent_by_the_next_start(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with Subscriber(port=broker.port, filters=[EVENTS]) as hub:
        with line(broker.port) as ours:
            ours.delivery.offer(event(number) for number in range(10))
            ours.run_until(lambda: len(ours.delivered) >= 3)
            marked = set(ours.delivered)
        with line(broker.port) as ours:
            ours.delivery.offer(event(number) for number in range(10) if f"event-{number}" not in marked)
            ours.settle()
        hub.wait_for(EVENTS, 10)
        ids = [json.loads(payload)["event_id"] for payload in hub.on(EVENTS)]
        assert list(dict.fromkeys(ids)) == [f"event-{number}" for number in range(10)]


def test_a_measurement_is_sent_after_a_reconnect_only_while_it_is_current(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto(start=False)
    with line(broker.port) as ours:
        ours.run_until(lambda: any(isinstance(seen, Disconnected) for seen in ours.seen))
        now_us = ours.now_us
        ours.delivery.latest(Message(topic="stale", payload="1"), now_us - 1)
        ours.delivery.latest(Message(topic="fresh", payload="old"), now_us + 60_000_000)
        ours.delivery.latest(Message(topic="fresh", payload="new"), now_us + 60_000_000)
        broker.start()
        with Subscriber(port=broker.port) as hub:
            ours.settle()
            hub.wait_for("fresh")
            assert [(seen.topic, seen.payload) for seen in hub.received if "vatvigil" not in seen.topic] == [
                ("fresh", "new")
            ]


def test_a_broker_drops_an_expired_measurement_kept_for_a_subscriber_that_is_away(mosquitto: MakeMosquitto) -> None:
    # MQTT 5.0, 3.3.2.3.3: the broker must not deliver a message older than its expiry interval
    broker = mosquitto()
    hub = Subscriber(port=broker.port, filters=["fresh", "stale"], session_s=600)
    with hub:
        pass
    with line(broker.port) as ours:
        far_us = ours.now_us + 60_000_000
        ours.delivery.latest(Message(topic="stale", payload="1", expiry_s=1), far_us)
        ours.delivery.latest(Message(topic="fresh", payload="1", expiry_s=600), far_us)
        ours.settle()
        ours.run_until(lambda: ours.now_us > far_us - 57_500_000)
    with hub:
        hub.wait_for("fresh")
        assert hub.on("stale") == []


def commands(ours_incoming: list[Incoming]) -> list[object]:
    return [command_of(incoming, TOPICS, vats=CONFIG.vats, at_us=0) for incoming in ours_incoming]


def test_a_command_arrives_also_when_it_was_given_while_we_were_away(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    topic = TOPICS.acknowledge("marrow", "ph-high")
    with line(broker.port) as ours:
        ours.settle()
    with Subscriber(port=broker.port, filters=["nothing"]) as hub:
        hub.publish(topic, b'{"occurrence":3}')
        with line(broker.port) as ours:
            ours.run_until(lambda: bool(ours.incoming))
            (command,) = commands(ours.incoming)
    assert isinstance(command, Command)
    assert command.occurrence == 3


def test_a_retained_command_is_refused_already_when_it_is_sent(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with line(broker.port) as ours, Subscriber(port=broker.port, filters=["nothing"]) as hub:
        ours.settle()
        hub.publish(TOPICS.acknowledge("marrow", "ph-high"), b"3", retain=True)
        ours.run_until(lambda: bool(ours.incoming))
        assert ours.incoming[0].retain


def test_binary_rubbish_on_a_command_topic_harms_nothing(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with line(broker.port) as ours, Subscriber(port=broker.port, filters=["nothing"]) as hub:
        ours.settle()
        hub.publish("vatvigil/command/marrow/ph-high/acknowledge", bytes(range(256)) * 100)
        hub.publish("vatvigil/command/marrow/ph-high/acknowledge", b"3")
        ours.run_until(lambda: len(ours.incoming) >= 2)
        refusal, command = commands(ours.incoming)
        assert not isinstance(refusal, Command)
        assert isinstance(command, Command)


def test_a_password_opens_the_broker_and_is_not_printed(
    mosquitto: MakeMosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    broker = mosquitto(passwords={"watch": "damson-9"})
    with line(broker.port, username="watch", password="damson-9") as ours:  # noqa: S106 - invented for this test
        ours.settle()
        assert "damson" not in repr(ours.client) + caplog.text


@pytest.mark.parametrize("protocol", [5, 311])
def test_a_wrong_password_is_said_without_the_secret(
    mosquitto: MakeMosquitto, protocol: int, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    broker = mosquitto(passwords={"watch": "damson-9"})
    with line(broker.port, protocol=protocol, username="watch", password="bullace-8") as ours:  # noqa: S106 - invented
        ours.run_until(lambda: any(isinstance(seen, Disconnected) for seen in ours.seen))
        assert ours.delivery.away == (
            f"The broker localhost:{broker.port} refuses user 'watch': Not authorized; "
            "check mqtt.username and the password."
        )
        assert "bullace" not in repr(ours.client) + caplog.text


def test_tls_with_a_client_certificate_works(mosquitto: MakeMosquitto, certificates: Certificates) -> None:
    broker = mosquitto(tls=certificates, client_certificates=True)
    with line(
        broker.port,
        tls=True,
        ca_file=certificates.ca,
        cert_file=certificates.client,
        key_file=certificates.client_key,
    ) as ours:
        ours.delivery.offer([event(1)])
        ours.settle()
        assert ours.delivered == ["event-1"]


def away(port: int, **options: Any) -> str:  # noqa: ANN401 - fields of MqttConfig
    """Return what is said about a connection that cannot be made."""
    with line(port, **options) as ours:
        ours.run_until(lambda: any(isinstance(seen, Disconnected) for seen in ours.seen))
        return ours.delivery.away


def test_a_certificate_that_is_not_trusted_is_said(mosquitto: MakeMosquitto, certificates: Certificates) -> None:
    broker = mosquitto(tls=certificates)
    assert "shows a certificate that is not trusted" in away(broker.port, tls=True)


def test_a_broker_of_another_name_is_not_trusted(mosquitto: MakeMosquitto, certificates: Certificates) -> None:
    broker = mosquitto(tls=certificates)
    said = away(broker.port, host="127.0.0.1", tls=True, ca_file=certificates.ca)
    assert "IP address mismatch" in said
    assert "mqtt.host is the name in the certificate" in said


def test_tls_where_the_broker_has_none_is_said(mosquitto: MakeMosquitto) -> None:
    said = away(mosquitto().port, tls=True)  # whether it answers rubbish or hangs up
    assert "check" in said
    assert "mqtt.tls" in said


def test_no_tls_where_the_broker_wants_it_is_said(mosquitto: MakeMosquitto, certificates: Certificates) -> None:
    assert "check mqtt.port, mqtt.tls" in away(mosquitto(tls=certificates).port)


def test_no_broker_is_said(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto(start=False)
    assert "Connection refused; check that it runs, and mqtt.host, mqtt.port" in away(broker.port)


def test_a_name_nobody_knows_is_said() -> None:
    # a name with blanks is refused by the resolver itself, so the test asks no network
    assert "check mqtt.host" in away(1883, host="no such host")


def test_a_client_that_pushes_us_out_is_hinted_at(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with line(broker.port) as ours:
        ours.settle()
        with Subscriber(port=broker.port, name="vatvigil"):  # mosquitto 2.0.11 then hangs up on us without a word
            ours.run_until(lambda: bool(ours.delivery.away))
        assert "check that no other client uses the id 'vatvigil'" in ours.delivery.away


@pytest.mark.parametrize("host", ["", "a..b", "x" * 64])
def test_a_host_that_cannot_be_a_name_is_a_configuration_error(host: str) -> None:
    # RFC 1035, 2.3.4: labels have 1 to 63 octets
    with pytest.raises(ConfigurationError, match=r"^mqtt\.host: "), line(1883, start=False, host=host):
        pass


def test_certificate_files_that_cannot_be_used_are_a_configuration_error(
    certificates: Certificates, tmp_path_factory: pytest.TempPathFactory
) -> None:
    nowhere = tmp_path_factory.getbasetemp() / "nowhere.pem"
    with pytest.raises(ConfigurationError, match=r"mqtt\.ca_file"), line(1883, tls=True, ca_file=nowhere):
        pass
    pair = {"cert_file": certificates.client, "key_file": certificates.ca}
    with pytest.raises(ConfigurationError, match=r"mqtt\.cert_file"), line(1883, start=False, tls=True, **pair):
        pass


def test_stopping_is_bounded_while_the_broker_answers_nothing(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with line(broker.port) as ours:
        ours.settle()
        broker.freeze()
        begun_us = ours.now_us
        ours.client.stop()
        assert ours.now_us - begun_us < 12_000_000
        broker.thaw()


@pytest.mark.parametrize("protocol", [5, 311])
def test_a_visit_leaves_nothing_and_says_what_is_wrong(mosquitto: MakeMosquitto, protocol: int) -> None:
    broker = mosquitto()
    config = MqttConfig(host="localhost", port=broker.port, protocol=protocol)
    with Subscriber(port=broker.port) as hub:
        assert not connection_test.trouble(config, name="visitor")
        broker.stop()
        assert "check that it runs" in str(connection_test.trouble(config, name="visitor"))
        assert hub.received == []
    with pytest.raises(ConfigurationError, match=r"^mqtt\.host: "):
        connection_test.trouble(MqttConfig(host="a..b"), name="visitor")
