"""The system's own alarms of the real daemon: told without a broker, restored after a kill, answered from the hub."""

import pytest

from tests.e2e import hub_listener
from tests.parts.daemon import BASE, MakeNight, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber

SOON = Vat(run="quiet-night", alarms="[system.alarm.broker-away]\non_delay_s = 0.5\n")
AWAY = "alarm = 'broker-away'"


def state(port: int) -> tuple[object, object]:
    said = hub_listener.own(port).get("broker-away", {})
    return said.get("state"), said.get("occurrence")


def told(hub: Subscriber) -> list[tuple[object, object, object]]:
    """Return what a hub that keeps its session heard of the alarm."""
    heard = [event for event in hub_listener.events(hub) if event["alarm"] == "broker-away"]
    return [(event["cause"], event["occurrence"], event["vat"]) for event in heard]


@pytest.mark.slow
def test_a_broker_away_stands_through_a_kill_returns_at_the_hub_and_is_acknowledged_there(
    night: MakeNight, mosquitto: MakeMosquitto
) -> None:
    broker = mosquitto(persistent=True)
    here = night(SOON, speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",), name="hub", session_s=600) as hub:
        here.start_and_watch()
        here.until(lambda: state(broker.port) == ("normal", 0), "the alarm's standing state")
        broker.stop()
        here.wait_for(f"{AWAY} AND annunciates")
        here.kill()
        here.start_and_watch(records=30)  # longer than the delay
        assert here.journal(AWAY) == [("annunciated", "broker-away", 1, 0)]
        broker.start()
        here.until(lambda: state(broker.port) == ("returned-unacknowledged", 1), "its return at the hub")
        topic = f"{BASE}/command/system/broker-away/acknowledge"
        with Subscriber(port=broker.port, name="finger") as finger:
            finger.publish(topic, '{"occurrence": 2}')
            finger.publish(topic, '{"occurrence": 1}')
        here.until(lambda: state(broker.port) == ("normal", 1), "its acknowledgement")
        here.until(lambda: len(told(hub)) >= 4, "every event at the hub")
        assert told(hub) == [
            ("annunciated", 1, None),
            ("returned", 1, None),
            ("refused", None, None),
            ("acknowledged", 1, None),
        ]
        assert here.stop() == 0
