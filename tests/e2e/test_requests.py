"""What people and hubs ask of the running daemon, also when they ask twice or ask nonsense."""

import json
from typing import Any

import pytest

from logger.model import CommandKind
from logger.mqtt.rate_limit import REFUSALS_A_MINUTE
from tests.e2e import hub_listener
from tests.e2e.vat_history import check_that_a_replay_tells_the_same
from tests.parts.daemon import BASE, MakeNight, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber

STANDS = """\
[vat.{vat}.alarm.ph-high]
setpoint = 3.0
deadband = 0.1
on_delay_s = 0
window_s = 0
"""


@pytest.mark.slow
def test_the_same_request_twice_before_one_record_is_answered_twice(night: MakeNight) -> None:
    vat = Vat(run="quiet-night", alarms=STANDS)
    here = night(vat, speed=100, poll_s=10, starts_h=1.0)
    requests: list[tuple[CommandKind, dict[str, Any]]] = [
        (CommandKind.ACKNOWLEDGE, {"alarm": "ph-high", "occurrence": 9}),
        (CommandKind.SHELVE, {"alarm": "ph-high", "duration_s": 600.0}),
        (CommandKind.MARK, {"note": "probe-out"}),
        (CommandKind.MARK, {"note": "probe-in"}),
        (CommandKind.CALIBRATE, {}),
        (CommandKind.NOTE, {"note": "twice"}),
    ]
    twice = [here.ask(kind, **more) for kind, more in requests for _ in (1, 2)]
    here.start_and_watch(records=3)
    assert all(here.answered(number) for number in twice)
    assert here.stop() == 0
    check_that_a_replay_tells_the_same(here, vat)


def test_nonsense_from_the_broker_is_refused_and_ends_nothing(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    here = night(Vat(run="quiet-night", alarms=STANDS), speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/event", f"{BASE}/status")) as hub:
        here.start_and_watch()
        hub.wait_for(f"{BASE}/status")
        for _ in range(REFUSALS_A_MINUTE // 2):
            hub.publish(f"{BASE}/command/marrow/ph-high/acknowledge", b"\x00\xff")
            hub.publish(f"{BASE}/command/no/such/thing", b"1")
        here.until(lambda: len(here.journal("cause = 'refused'")) == REFUSALS_A_MINUTE, "refusals")
        here.watch(records=2)
        assert here.stop() == 0
        here.until(
            lambda: set(hub_listener.ids(hub)) >= {i for i in hub_listener.sent(here) if "system" in i}, "their events"
        )


def test_the_hub_acknowledges_an_alarm_through_the_broker(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    here = night(Vat(run="quiet-night", alarms=STANDS), speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    topic = f"{BASE}/vat/marrow/alarm/ph-high"
    with Subscriber(port=broker.port, filters=(topic,)) as hub:
        here.start()
        here.until(lambda: any(json.loads(said)["standing"] for said in hub.on(topic)), "the alarm")
        hub.publish(f"{BASE}/command/marrow/ph-high/acknowledge", json.dumps({"occurrence": 1}))
        here.until(lambda: json.loads(hub.on(topic)[-1])["state"] == "acknowledged", "the acknowledged state")
        assert here.stop() == 0
    assert here.rows("SELECT applied, answer FROM inbox WHERE kind = 'acknowledge'") == [(1, "acknowledged")]
