"""What the hub is told of what a person said, and of what stands: in which order, and how long."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from logger.config import AlarmConfig, AlarmKind, MqttConfig, VatConfig
from logger.daemon.clock import ClockReading
from logger.daemon.publisher import OF_EACH_RECORD, Publisher
from logger.model import AlarmState, Answer, Carry, Cause, Command, CommandKind, Entry, State
from logger.mqtt.entity import Software
from logger.mqtt.messages import Incoming, Message, PublishAccepted
from logger.mqtt.said import SHOWN_US, VALID_US
from logger.structs import replace
from logger.watch.system import SYSTEM
from tests.daemon.factories import config_of
from tests.series import EPOCH_US

BLIND = AlarmConfig(id="blind", kind=AlarmKind.BLIND)
LITRES = Command(id=5, at_us=0, kind=CommandKind.MARK, vat="vat", note="topped-up", litres=4.0, by="mqtt")
NOTE = replace(LITRES, id=6, kind=CommandKind.NOTE, note="skimmed", litres=None)
SAID, ALARMS, BUTTON = "said", "alarms", "button/vatvigil_vat_acknowledge_all/config"


@dataclass(slots=True)
class Hub:
    """A publisher whose broker takes everything at once."""

    publisher: Publisher
    sent: list[Message]

    def settle(self, now_us: int = 0) -> None:
        self.publisher.follow(now_us)
        while True:
            before = len(self.sent)
            self.publisher.delivery.pump(now_us)
            if len(self.sent) == before:
                return
            for mid in range(before + 1, len(self.sent) + 1):
                self.publisher.handle(PublishAccepted(mid), now_us)

    def on(self, end: str) -> list[dict[str, Any]]:
        return [json.loads(m.payload) for m in self.sent if m.topic.endswith(end)]


@pytest.fixture
def hub(tmp_path: Path) -> Hub:
    mqtt = MqttConfig(host="127.0.0.1", port=1)
    config = config_of(tmp_path, AlarmConfig(id="high", kind=AlarmKind.PH_HIGH, setpoint=4.6), mqtt=mqtt)
    second = VatConfig(
        id="vat-reference", name="second", probe=config.vats[0].probe, reference_of="vat", alarms=(BLIND,)
    )
    config = replace(config, vats=(*config.vats, second))
    publisher = Publisher(config=config, mqtt=mqtt, software=Software(version="0"), store="a", post=print)
    sent: list[Message] = []

    def publish(message: Message) -> int:
        sent.append(message)
        return len(sent)

    publisher.delivery.publish, publisher.delivery.connected = publish, True
    made = Hub(publisher, sent)
    publisher.publish_standing(carries(), at_us=EPOCH_US)
    made.settle()
    sent.clear()
    return made


def carries(**alarms: Mapping[str, AlarmState]) -> dict[str, Carry]:
    ids = ("vat", "vat-reference", SYSTEM)
    return {vat: Carry(probe="probe", alarms=dict(alarms.get(vat.replace("-", "_"), {}))) for vat in ids}


def test_what_was_entered_is_shown_for_two_seconds(hub: Hub) -> None:
    hub.publisher.publish_taken([LITRES], at_us=EPOCH_US, now_us=0)
    hub.settle(0)
    hub.settle(SHOWN_US - 1)
    assert [said.get("litres") for said in hub.on(SAID)] == [4.0]
    hub.settle(SHOWN_US)
    hub.settle(10 * SHOWN_US)
    assert [(said["answer"], said.get("litres")) for said in hub.on(SAID)] == [("taken", 4.0), ("taken", None)]


def test_what_is_said_next_takes_back_what_was_entered(hub: Hub) -> None:
    hub.publisher.publish_taken([LITRES], at_us=EPOCH_US, now_us=0)
    answer = Answer(command=5, seq=2, applied=True, text="noted")
    hub.publisher.publish_answers([LITRES], [answer], at_us=EPOCH_US, now_us=1)
    for now_us in (1, SHOWN_US):
        hub.settle(now_us)
    assert [(said["answer"], said.get("litres")) for said in hub.on(SAID)] == [("taken", 4.0), ("done", None)]


def test_nothing_that_is_said_at_once_is_lost_and_the_order_is_kept(hub: Hub) -> None:
    hub.publisher.publish_taken([LITRES, NOTE], at_us=EPOCH_US, now_us=0)
    hub.settle(0)
    hub.settle(SHOWN_US)
    assert [(said.get("litres"), said.get("note")) for said in hub.on(SAID)] == [
        (4.0, None),
        (None, "skimmed"),
        (None, None),
    ]


def test_an_answer_that_comes_too_late_is_not_sent(hub: Hub) -> None:
    hub.publisher.delivery.connected = False
    hub.publisher.publish_refusal(
        Entry(seq=0, at_us=EPOCH_US, vat="vat", cause=Cause.REFUSED, text="it is empty"), now_us=0
    )
    hub.settle(VALID_US)
    hub.publisher.delivery.connected = True
    hub.settle(VALID_US)
    assert hub.on(SAID) == []


def test_what_was_asked_on_the_command_line_is_answered_there(hub: Hub) -> None:
    asked = replace(LITRES, by="ada")
    hub.publisher.publish_answers([asked], [Answer(command=5, seq=1, applied=True)], at_us=EPOCH_US, now_us=0)
    hub.settle(0)
    assert hub.on(SAID) == []


def test_a_new_alarm_shows_its_state_and_then_the_button_that_answers_it(hub: Hub) -> None:
    stands = AlarmState(base=State.UNACKNOWLEDGED, occurrence=2)
    hub.publisher.publish_standing(carries(vat={"high": stands}), at_us=EPOCH_US)
    hub.settle()
    topics = [message.topic for message in hub.sent]
    shown = [next(n for n, topic in enumerate(topics) if topic.endswith(end)) for end in (ALARMS, BUTTON)]
    assert shown == sorted(shown)
    assert json.loads(hub.on(BUTTON)[-1]["payload_press"]) == {"occurrences": {"high": 2}}


def test_nothing_is_sent_while_nothing_changes(hub: Hub) -> None:
    for _ in range(3):
        hub.publisher.publish_standing(carries(), at_us=EPOCH_US + 3_600_000_000)
        hub.settle()
    assert hub.sent == []


STANDS = AlarmState(base=State.UNACKNOWLEDGED, occurrence=2, since_at_us=EPOCH_US, value=4.7, u=0.02)
OTHER = AlarmState(
    kind="blind", pending_us=1, seen_us=2, reminders=3, timer_us=4, newest=5.0, newest_u=6.0, abnormal_at_us=7
)


@pytest.mark.parametrize("name", sorted(OF_EACH_RECORD))
def test_what_is_not_looked_at_for_a_change_stands_in_no_message(hub: Hub, name: str) -> None:
    changed = replace(STANDS, **{name: getattr(OTHER, name)})
    assert changed != STANDS
    for state in (STANDS, changed):
        hub.publisher.publish_standing(carries(vat={"high": state}), at_us=EPOCH_US)
        hub.settle()
    assert len(hub.on("alarm/high")) == 1


def test_the_alarms_of_a_second_probe_are_told_with_those_of_its_vat(hub: Hub) -> None:
    stands = AlarmState(base=State.UNACKNOWLEDGED, occurrence=7)
    hub.publisher.publish_standing(carries(vat_reference={"blind": stands}), at_us=EPOCH_US)
    hub.settle()
    assert [said["occurrences"] for said in hub.on("vat/vat/alarms")] == [{"vat-reference/blind": 7}]
    assert hub.on("vat/vat-reference/alarms") == []


def test_a_hub_that_starts_hears_a_heartbeat_at_once(hub: Hub) -> None:
    def beat() -> int:
        now = ClockReading(at_us=EPOCH_US, elapsed_us=0)
        hub.publisher.publish_heartbeat({}, 0, None, now=now, now_us=1)
        hub.settle(1)
        return len(hub.on("heartbeat"))

    assert (beat(), beat()) == (1, 1)
    hub.publisher.handle(Incoming("homeassistant/status", b"online"), 1)
    assert beat() == 2
