"""Compare what a subscriber received with what the store says must have been sent."""

import json
from typing import Any

from tests.parts.daemon import BASE, Night
from tests.parts.mosquitto import Subscriber

# An alarm that comes and goes all the time: the pH that the run `quiet-night` keeps to within a hundredth, no delay, no
# deadband, every record by itself.
RESTLESS = """\
[vat.{vat}.alarm.ph-high]
setpoint = 3.757
deadband = 0.0
on_delay_s = 0
window_s = 0
priority = "high"
"""


def events(subscriber: Subscriber) -> list[dict[str, Any]]:
    """Return the events heard so far, repeats dropped by their id."""
    heard = [json.loads(m.payload) for m in subscriber.received if m.topic.endswith("/event") and not m.retain]
    return list({event["event_id"]: event for event in heard}.values())


def ids(subscriber: Subscriber) -> list[str]:
    return [event["event_id"] for event in events(subscriber)]


def sent(night: Night) -> list[str]:
    """Return the ids of all events of the outbox that were, or will be, sent, in order."""
    return [row[0] for row in night.rows("SELECT event_id FROM outbox WHERE superseded_by IS NULL ORDER BY id")]


def unsent(night: Night) -> int:
    return int(night.rows("SELECT count(*) FROM outbox WHERE delivered_at_us IS NULL")[0][0])


def standing(port: int, vat: str = "marrow") -> dict[str, dict[str, Any]]:
    """Return what a subscriber that comes only now is told of the alarms of a vat, by alarm."""
    prefix = f"{BASE}/vat/{vat}/alarm/"
    return {topic.removeprefix(prefix): said for topic, said in retained(port).items() if topic.startswith(prefix)}


def own(port: int) -> dict[str, dict[str, Any]]:
    """Return what a subscriber that comes only now is told of the system's alarms, by alarm."""
    prefix = f"{BASE}/system/alarm/"
    return {topic.removeprefix(prefix): said for topic, said in retained(port).items() if topic.startswith(prefix)}


def online(port: int) -> str | None:
    """Return the availability that a subscriber is told that comes only now."""
    said = retained(port).get(f"{BASE}/status")
    return None if said is None else str(said["status"])


def retained(port: int) -> dict[str, dict[str, Any]]:
    """Return all that the broker retains of ours. (It sends retained messages before anything published later.)"""
    with Subscriber(port=port, filters=(f"{BASE}/#",), name="latecomer") as late:
        late.publish(f"{BASE}/test/end/of/retained", "")
        late.wait_for(f"{BASE}/test/end/of/retained")
        return {m.topic: json.loads(m.payload) for m in late.received if m.retain and m.payload}
