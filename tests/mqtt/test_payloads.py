"""What all payloads have in common."""

from logger.alarm.belief_words import Evidence
from logger.model import AlarmState, Carry, Health
from logger.mqtt.alarm_state import alarm_message
from logger.mqtt.health import health_message
from logger.mqtt.measurement import measurement_message
from logger.mqtt.status import heartbeat_message, status_message
from logger.mqtt.topics import Topics
from logger.watch import trust_words
from tests.mqtt.factories import MARROW, PH_HIGH, measurements, read_payload


def test_simulated_payloads_all_say_so() -> None:
    topics = Topics(root="simulated/vatvigil", simulated=True)
    trust = trust_words.shown(Carry(probe="p"))
    messages = [
        ("status", status_message(topics, online=False, store="a")),
        ("heartbeat", heartbeat_message(topics, at_us=0, store="a", believed_age_s={}, waiting=0, oldest_at_us=None)),
        ("measurement", measurement_message(topics, "marrow", probe="p", rows=measurements(), evidence=Evidence())),
        ("alarm", alarm_message(topics, MARROW, alarm=PH_HIGH, state=AlarmState())),
        ("health", health_message(topics, "p", status=Health.GOOD, findings=[], trust=trust)),
    ]
    assert [read_payload(message.payload, kind)["simulated"] for kind, message in messages] == [True] * 5
    assert {message.topic.split("/")[0] for _, message in messages} == {"simulated"}
