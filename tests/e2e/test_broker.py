"""The daemon or the broker restarted or away: what stands is seen, what happened arrives, nothing is stale."""

import json
from datetime import datetime

import pytest

from tests.e2e import hub_listener
from tests.parts.daemon import BASE, EPOCH_US, HOUR_S, MakeNight, Vat
from tests.parts.mosquitto import MakeMosquitto, Mosquitto, Subscriber

STANDS = """\
[vat.{vat}.alarm.ph-high]
setpoint = 3.0
deadband = 0.1
on_delay_s = 0
window_s = 0
"""
RESTLESS_BY_WINDOWS = hub_listener.RESTLESS.replace("window_s = 0", "window_s = 60")


def is_seen(port: int) -> bool:
    alarm = hub_listener.standing(port).get("ph-high", {})
    seen = (alarm.get("state"), alarm.get("standing"), alarm.get("occurrence"), hub_listener.online(port))
    return seen == ("unacknowledged", True, 1, "online")


@pytest.mark.slow
@pytest.mark.parametrize(
    "persistent",
    [pytest.param(True, id="broker that keeps"), pytest.param(False, id="broker that forgets")],
)
def test_a_standing_alarm_is_seen_by_a_latecomer_after_every_restart(
    night: MakeNight, mosquitto: MakeMosquitto, *, persistent: bool
) -> None:
    broker = mosquitto(persistent=persistent)
    here = night(Vat(run="quiet-night", alarms=STANDS), speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    here.start_and_watch()
    here.until(lambda: is_seen(broker.port), "the alarm")
    assert here.stop() == 0
    assert hub_listener.online(broker.port) == "offline"
    here.start()
    here.until(lambda: is_seen(broker.port), "the alarm after the daemon's restart")
    broker.stop()
    broker.start()
    here.until(lambda: is_seen(broker.port), "the alarm after the broker's restart")
    here.kill()
    broker.kill()
    broker.start()
    here.start()
    here.until(lambda: is_seen(broker.port), "the alarm after the restart of both")
    assert here.stop() == 0
    assert here.journal("annunciates") == [("annunciated", "ph-high", 1, 1)]


@pytest.mark.slow
def test_of_reminders_that_waited_for_the_broker_the_newest_arrives(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker, reminding = mosquitto(), STANDS + "reminder_s = 60\n"
    here = night(Vat(run="quiet-night", alarms=reminding), speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    broker.stop()
    here.start()
    here.until(lambda: here.is_made, "a store")
    here.until(lambda: len(here.journal("cause = 'reminder'")) >= 5, "reminders")
    here.kill()
    broker.start()
    with Subscriber(port=broker.port, filters=(f"{BASE}/vat/#",)) as hub:
        here.start()
        here.until(lambda: hub_listener.unsent(here) == 0, "all events to be delivered")
        heard = [event for event in hub_listener.events(hub) if event["alarm"] == "ph-high"]
        assert here.stop() == 0
    waited = here.rows(
        "SELECT event_id, superseded_by FROM outbox WHERE event_id LIKE '%-ph-high-1-reminder-%' ORDER BY id"
    )
    superseded = {old: new for old, new in waited if new is not None}
    assert len(superseded) >= 4
    order = [name for name, _ in waited]
    assert all(order.index(old) < order.index(new) for old, new in superseded.items())
    assert [event["cause"] for event in heard[:2]] == ["annunciated", "reminder"]
    assert heard[1]["reminder"] >= 5
    assert not {event["event_id"] for event in heard} & {*superseded}


def test_a_killed_daemon_is_offline_at_once(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    here = night(Vat(run="quiet-night"), speed=100, poll_s=10, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/status",)) as hub:
        here.start()
        hub.wait_for(f"{BASE}/status", seconds=60)
        here.kill()
        hub.wait_for(f"{BASE}/status", count=2)
        assert [json.loads(said)["status"] for said in hub.on(f"{BASE}/status")] == ["online", "offline"]


def run_hour(at: str) -> float:
    return (datetime.fromisoformat(at).timestamp() * 1e6 - EPOCH_US) / 1e6 / HOUR_S


def messages(hub: Subscriber, topic: str, *, after: int = 0) -> list[dict[str, object]]:
    return [json.loads(m.payload) for m in hub.received[after:] if m.topic == f"{BASE}/{topic}"]


@pytest.mark.slow
def test_after_hours_without_broker_events_arrive_in_order_and_measurements_are_no_backlog(
    night: MakeNight, mosquitto: MakeMosquitto
) -> None:
    broker: Mosquitto = mosquitto(persistent=True)  # keeps the place of the subscriber, who must miss nothing
    vat = Vat(run="quiet-night", alarms=RESTLESS_BY_WINDOWS)
    here = night(vat, speed=1500, poll_s=20, starts_h=2.0, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",), name="hub", session_s=600) as hub:
        here.start_and_watch()
        here.until(lambda: bool(hub_listener.events(hub)), "a first event")
        broker.stop()
        left_h, before = here.hour, len(hub_listener.sent(here))
        here.until_hour(left_h + 3.0)
        here.until(lambda: len(hub_listener.sent(here)) - before >= 20, "events that wait")
        assert hub_listener.unsent(here) >= 20
        heard, returned_h = len(hub.received), here.hour
        broker.start()
        here.until(lambda: bool(messages(hub, "vat/marrow/measurement", after=heard)), "a measurement")
        assert here.stop() == 0
        here.until(lambda: set(hub_listener.sent(here)) <= set(hub_listener.ids(hub)), "every event")
        assert hub_listener.ids(hub) == hub_listener.sent(here)
        assert hub_listener.unsent(here) == 0
        times_h = [run_hour(str(m["at"])) for m in messages(hub, "vat/marrow/measurement", after=heard)]
        lag_h = 15 * here.speed / HOUR_S  # what is older than `discovery.stale_s` in real time is dropped unsent
        assert [hour for hour in times_h if hour < returned_h - lag_h] == []
        assert times_h == sorted(times_h)
        shown = messages(hub, "vat/marrow/alarm/ph-high")[-1]
        last = here.rows("SELECT after, occurrence FROM journal WHERE alarm = 'ph-high' ORDER BY id DESC LIMIT 1")
        assert (shown["state"], shown["occurrence"]) == last[0]
