"""A flood of commands through a real broker: no crash, no effect, few rows, every one counted, alarms on time."""

import json
from collections.abc import Iterator

import pytest
from paho.mqtt.client import Client as Paho
from paho.mqtt.enums import CallbackAPIVersion

from logger.mqtt.inbound import MOST_LATE
from logger.mqtt.rate_limit import ANSWERS_A_MINUTE, REFUSALS_A_MINUTE
from tests.e2e import hub_listener
from tests.parts.daemon import BASE, EPOCH_US, HOUR_S, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber

RESTLESS = hub_listener.RESTLESS.replace("window_s = 0", "window_s = 60")
STANDS = """\
[vat.{vat}.alarm.ph-high]
setpoint = 3.0
on_delay_s = 0
window_s = 0
"""
AT_ONCE = 100
"""Messages sent before the broker's answers are waited for."""
TOPIC = f"{BASE}/command/marrow/ph-high/acknowledge"
RUBBISH = [
    (TOPIC, b"{"),
    (TOPIC, b"\x00\xff\xfe" * 10),
    (TOPIC, b"[" * 4000),
    (TOPIC, b"9" * 5000),
    (TOPIC, b'{"occurrence": -1}'),
    (TOPIC, b'{"occurrence": 1, "by": "nobody"}'),
    (f"{BASE}/command/no/such/thing", b"1"),
    (f"{BASE}/command/marrow/ph-high/" + "x" * 200, b"1"),
    (f"{BASE}/command/marrow/ph-high/shelve", b'{"minutes": 1e99}'),
    (f"{BASE}/command//", b""),
    (f"{BASE}/command/marrow/mark", b"scrubbed"),
    (f"{BASE}/command/marrow/mark", b'{"mark": "topped-up", "litres": -4}'),
    (f"{BASE}/command/marrow/note", b"x" * 4000),
    (f"{BASE}/command/marrow/note", b"\x1b[2J"),
    (f"{BASE}/command/marrow/note", b"\xff" * 20),
    (f"{BASE}/command/marrow/spot", b'{"ph": 4.7, "u": 1e-400}'),
    (f"{BASE}/command/marrow/spot", b"4.7e0"),
    (f"{BASE}/command/no-vat/spot", b"4.7"),
]
REPLAYED = [(TOPIC, b'{"occurrence": 900000}')]
"""Well-formed, of an occurrence that there never was: refused by the alarm itself."""
REPEATED = [(f"{BASE}/command/marrow/note", b'{"text": "skimmed", "at": "2026-11-24T19:00:00Z"}')]
"""Well-formed: the first is taken, the others are known by their time."""


def flood(port: int, messages: list[tuple[str, bytes]], count: int) -> Iterator[None]:
    """Send so many messages in turn; come up for air after each lot."""
    sender = Paho(CallbackAPIVersion.VERSION2, client_id="flood")
    sender.connect("127.0.0.1", port)
    sender.loop_start()
    for first in range(0, count, AT_ONCE):
        sent = [sender.publish(*messages[number % len(messages)], qos=1) for number in range(first, first + AT_ONCE)]
        for each in sent:
            each.wait_for_publish(30)
        yield
    sender.disconnect()
    sender.loop_stop()


def lag_s(here: Night) -> float:
    """Return how old (real seconds) the newest stored record is."""
    newest_us = int(here.rows("SELECT max(at_us) FROM measurement")[0][0])
    return (here.hour * HOUR_S - (newest_us - EPOCH_US) / 1e6) / here.speed


def refusals(here: Night) -> tuple[int, int]:
    """Return how many refusals the journal tells one by one, and how many as counts."""
    rows = here.rows("SELECT text FROM journal WHERE cause = 'refused'")
    counts = [int(text.split()[0]) for (text,) in rows if " more commands over MQTT " in text]
    return len(rows) - len(counts), sum(counts)


@pytest.mark.parametrize("count", [400, pytest.param(10_000, marks=pytest.mark.slow)])
@pytest.mark.parametrize(
    ("messages", "most", "last", "taken"),
    [
        (RUBBISH, REFUSALS_A_MINUTE, REPLAYED[0], 0),
        pytest.param(REPLAYED, ANSWERS_A_MINUTE, RUBBISH[-1], 0, marks=pytest.mark.slow),
        pytest.param(REPEATED, REFUSALS_A_MINUTE, REPLAYED[0], 1, marks=pytest.mark.slow),
    ],
    ids=["rubbish", "replayed", "repeated"],
)
def test_a_flood_of_commands_is_counted_has_no_effect_and_holds_up_no_alarm(
    night: MakeNight,
    mosquitto: MakeMosquitto,
    *,
    messages: list[tuple[str, bytes]],
    most: int,
    last: tuple[str, bytes],
    taken: int,
    count: int,
) -> None:
    broker = mosquitto(start=False)
    with (broker.folder / "mosquitto.conf").open("a") as settings:
        settings.write("max_queued_messages 0\n")  # it drops nothing that waits for a client: all are counted
    broker.start()
    vat = Vat(run="quiet-night", alarms=RESTLESS)
    here = night(vat, speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",)) as hub:
        here.start_and_watch()
        hub.wait_for(f"{BASE}/status")
        before = len(hub_listener.events(hub))
        lags_s = [lag_s(here) for _ in flood(broker.port, messages, count)]
        hub.publish(*last)  # of the other kind, so there is room for it: whatever came before has been taken in then
        here.until(lambda: refusals(here)[0] > most, "the last message")
        assert here.process is not None
        assert here.process.poll() is None
        here.until(lambda: "annunciated" in causes(hub, after=before), "an alarm after the flood began")
        here.watch(records=2)
        assert here.stop() == 0
        here.until(lambda: set(hub_listener.sent(here)) <= set(hub_listener.ids(hub)), "every event")
    one_by_one, counted = refusals(here)
    minutes = 1 + int(
        here.rows("SELECT (max(elapsed_us) - min(elapsed_us)) / 60e6 FROM measurement")[0][0] / here.speed
    )
    waiting = count + 1 - taken - one_by_one - counted  # for room: the broker keeps them
    assert 0 <= waiting <= (MOST_LATE if messages is REPLAYED else 0)
    assert most < one_by_one <= most * minutes + 1
    assert max(lags_s) < 10.0  # a poll takes 0.1 s; the rest is a busy machine: one message a round would be minutes
    assert here.rows("SELECT count(*) FROM inbox WHERE applied AND kind != 'calibrate'") == [(taken,)]
    assert here.rows("SELECT count(*) FROM journal WHERE cause IN ('acknowledged', 'shelved', 'marked')") == [(0,)]
    assert (here.count("check_reading"), len(here.journal("cause = 'noted'"))) == (0, taken)
    assert "Traceback" not in here.log
    assert len(here.log) < 100_000


def causes(hub: Subscriber, *, after: int) -> list[str]:
    return [event["cause"] for event in hub_listener.events(hub)[after:]]


def test_an_acknowledgement_of_a_person_is_heard_in_a_flood_of_rubbish(
    night: MakeNight, mosquitto: MakeMosquitto
) -> None:
    stands = "[vat.{vat}.alarm.ph-high]\nsetpoint = 3.0\non_delay_s = 0\nwindow_s = 0\n"
    broker = mosquitto()
    here = night(Vat(run="quiet-night", alarms=stands), speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    topic = f"{BASE}/vat/marrow/alarm/ph-high"
    with Subscriber(port=broker.port, filters=(topic,)) as hub:
        here.start()
        here.until(lambda: any(json.loads(said)["standing"] for said in hub.on(topic)), "the alarm")
        for _ in flood(broker.port, RUBBISH, 500):
            pass
        hub.publish(TOPIC, json.dumps({"occurrence": 1}))
        here.until(lambda: json.loads(hub.on(topic)[-1])["state"] == "acknowledged", "the acknowledged state")
        assert here.stop() == 0


@pytest.mark.slow
def test_notes_that_waited_for_the_daemon_shut_no_acknowledgement_out_and_none_is_lost(
    night: MakeNight, mosquitto: MakeMosquitto
) -> None:
    broker, vat = mosquitto(persistent=True), Vat(run="quiet-night", alarms=STANDS)
    here = night(vat, speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    here.start_and_watch()
    here.wait_for("annunciates AND alarm = 'ph-high'")
    with Subscriber(port=broker.port, filters=(f"{BASE}/status",), name="hub") as hub:
        hub.wait_for(f"{BASE}/status")
        assert here.stop() == 0
        for number in range(80):
            hub.publish(f"{BASE}/command/marrow/note", b"note %d" % number)
        hub.publish(TOPIC, b"1")
        here.start_and_watch(records=2)
        here.wait_for("cause = 'acknowledged'", seconds=10.0)
        here.until(lambda: len(here.journal("cause = 'noted'")) == 80, "every note")
        assert here.stop() == 0
    assert refusals(here) == (0, 0)
