"""A hub, or the broker, that starts anew at every moment of an alarm's life is told the present truth.

Everything is real but the serial port and the clock: the pipeline, what is announced and sent, mosquitto between two
clients, the hub a plain subscriber that presses the very buttons it was shown.
"""

import json
import queue
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import pytest

from logger.config import AlarmConfig, AlarmKind, Config, MqttConfig, Priority, ProbeConfig, VatConfig
from logger.daemon.publisher import Publisher
from logger.model import Carry, Cause, Command, CommandKind, Entry, WatchState
from logger.mqtt.entity import Software
from logger.mqtt.event import event_of
from logger.mqtt.messages import Incoming, NetworkEvent
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from logger.watch.system import SYSTEM
from tests.parts.mosquitto import MakeMosquitto, Mosquitto, Subscriber
from tests.parts.waiting import wait_until
from tests.series import calibrate, of_ph

HIGH = AlarmConfig(
    id="high", kind=AlarmKind.PH_HIGH, setpoint=4.6, deadband=0.05, on_delay_s=60, window_s=0, priority=Priority.HIGH
)
LATCHED = replace(HIGH, id="latched", latching=True)
VAT = VatConfig(id="vat", name="Vat", probe="probe", alarms=(HIGH, LATCHED))
CONFIG = Config(store_url="sqlite://", probes=(ProbeConfig(id="probe", port="/dev/null"),), vats=(VAT,))


@dataclass(slots=True)
class Rehearsal:
    """The watch and its line to the broker, driven by hand: a step for each stretch of readings."""

    hub: Publisher
    happenings: "queue.SimpleQueue[NetworkEvent]"
    watch: Watch = field(default_factory=lambda: Watch(vat=VAT, probe=CONFIG.probes[0]))
    state: WatchState = field(init=False)
    seq: int = 0
    asked: list[Command] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.state = pipeline.fresh(self.watch)

    def read(self, ph: float, count: int = 1) -> None:
        """Read so many times, every 10 s; what was asked is applied before the first."""
        grid = {"first_seq": self.seq + 1, "start_s": 10.0 * self.seq}
        wiggled = [ph + 0.002 * (number % 2) for number in range(count)]
        commands = [replace(command, seq=self.seq + 1) for command in self.asked]
        self.state, outcome = pipeline.step(self.watch, self.state, of_ph(wiggled, **grid), commands=commands)
        self.seq += count
        self.asked.clear()
        self.entries += outcome.entries
        self.hub.publish_outcome(outcome, now_us=now_us())
        made = [event_of(entry, simulated=False) for entry in outcome.entries]
        self.hub.delivery.offer(event for event in made if event)
        self.settle()

    def settle(self) -> None:
        self.wait_until(lambda: self.hub.delivery.connected and self.hub.delivery.settled)

    def wait_until(self, condition: Callable[[], bool], seconds: float = 20.0) -> None:
        end = time.monotonic() + seconds
        while not condition():
            assert time.monotonic() < end, self.hub.delivery.trouble
            self.turn()

    def turn(self) -> None:
        """Do one round of the service's loop, as far as the broker is concerned."""
        self.hub.delivery.pump(now_us())
        try:
            happening = self.happenings.get(timeout=0.02)
        except queue.Empty:
            return
        self.hub.handle(happening, now_us())
        if isinstance(happening, Incoming):
            at_us = int(self.state.recent.at_us[-1])
            heard = self.hub.inbound.receive(happening, {VAT.id: self.state}, at_us=at_us, now_us=now_us())
            self.asked += [one for one in heard if isinstance(one, Command)]
            self.entries += [one for one in heard if isinstance(one, Entry)]
            self.hub.acknowledge(self.hub.inbound.take_held())

    def truth(self) -> dict[str, tuple[str, bool, int]]:
        """Return by alarm what the watch itself knows: state, whether it stands, occurrence."""
        alarms = self.state.carry.alarms
        return {a: (s.shown.value, s.shown.is_standing, s.occurrence) for a, s in alarms.items()}


def now_us() -> int:
    return time.monotonic_ns() // 1000


@contextmanager
def rehearsal(broker: Mosquitto) -> Iterator[Rehearsal]:
    happenings: queue.SimpleQueue[NetworkEvent] = queue.SimpleQueue()
    mqtt = MqttConfig(host="127.0.0.1", port=broker.port)
    hub = Publisher(
        config=replace(CONFIG, mqtt=mqtt), mqtt=mqtt, software=Software(version="0"), store="a", post=happenings.put
    )
    made = Rehearsal(hub, happenings)
    carries = {VAT.id: made.state.carry, SYSTEM: Carry(probe="")}
    hub.start(carries, [], retained=[], at_us=0)
    try:
        made.asked = [calibrate()]
        made.read(4.5)
        yield made
    finally:
        hub.client.stop()


def seen(hub: Subscriber) -> dict[str, tuple[str, bool, int]]:
    """Return by alarm what a hub shows: the newest of each topic that it was told."""
    said = {m.topic: json.loads(m.payload) for m in hub.received if "/vat/alarm/" in m.topic}
    return {s["alarm"]: (s["state"], s["standing"], s["occurrence"]) for s in said.values()}


def button(hub: Subscriber, alarm: str, verb: str) -> dict[str, Any]:
    """Return what the hub was shown last of a button."""
    content: dict[str, Any] = json.loads(
        hub.wait_for(f"homeassistant/button/vatvigil_vat_alarm_{alarm}_{verb}/config")[-1]
    )
    return content


def press(here: Rehearsal, hub: Subscriber, alarm: str, verb: str) -> None:
    """Press a button as it is shown, and wait until it was heard."""
    shown, before = button(hub, alarm, verb), len(here.asked)
    hub.publish(shown["command_topic"], shown["payload_press"])
    here.wait_until(lambda: len(here.asked) > before)


def ask(here: Rehearsal, kind: CommandKind) -> None:
    """Ask for what the hub has no button for, as the command line does."""
    for alarm in VAT.alarms:
        here.asked.append(Command(id=0, at_us=0, kind=kind, vat=VAT.id, alarm=alarm.id, by="tester"))


def life(here: Rehearsal, hub: Subscriber) -> Iterator[tuple[str, Sequence[str]]]:
    """Walk through the lives of both alarms; yield at each moment the states that they must be in."""
    yield "before", ("normal", "normal")
    here.read(4.7, 3)
    yield "on-delay", ("normal", "normal")
    here.read(4.7, 5)
    yield "annunciated", ("unacknowledged", "unacknowledged")
    for alarm in ("high", "latched"):
        press(here, hub, alarm, "acknowledge")
    here.read(4.7)
    yield "acknowledged", ("acknowledged", "acknowledged")
    here.read(4.5, 2)
    yield "returned, acknowledged", ("normal", "latched-acknowledged")
    ask(here, CommandKind.RESET)
    here.read(4.5)
    yield "reset", ("normal", "normal")
    here.read(4.7, 8)
    yield "annunciated again", ("unacknowledged", "unacknowledged")
    here.read(4.5, 2)
    yield "returned, unacknowledged", ("returned-unacknowledged", "latched-unacknowledged")
    for alarm in ("high", "latched"):
        press(here, hub, alarm, "shelve")
    here.read(4.5)
    yield "shelved", ("shelved", "shelved")
    ask(here, CommandKind.UNSHELVE)
    here.read(4.5)
    yield "unshelved", ("returned-unacknowledged", "latched-unacknowledged")
    hub.publish("vatvigil/command/vat/mark", "probe-out")
    here.wait_until(lambda: bool(here.asked))
    here.read(4.5)
    yield "suppressed", ("suppressed", "suppressed")
    ask(here, CommandKind.OUT_OF_SERVICE)
    here.read(4.5)
    yield "out of service", ("out-of-service", "out-of-service")


def check_truth(broker: Mosquitto, here: Rehearsal, expected: Sequence[str], moment: str) -> None:
    """Look as a hub does that starts only now."""
    truth = here.truth()
    with Subscriber(port=broker.port, name="latecomer") as late:
        wait_until(
            lambda: seen(late) == truth and bool(late.on("vatvigil/status")), 10, lambda: f"{moment}: {seen(late)}"
        )
        assert [seen(late)[alarm.id][0] for alarm in VAT.alarms] == list(expected), moment
        assert json.loads(late.on("vatvigil/status")[-1])["status"] == "online"
        for alarm in VAT.alarms:
            late.wait_for(f"homeassistant/sensor/vatvigil_vat_alarm_{alarm.id}/config")
            carried = json.loads(button(late, alarm.id, "acknowledge")["payload_press"])["occurrence"]
            assert carried == truth[alarm.id][2], moment


def test_a_hub_that_starts_at_any_moment_of_an_alarms_life_sees_the_truth(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with rehearsal(broker) as here, Subscriber(port=broker.port, name="hub") as hub:
        for moment, expected in life(here, hub):
            check_truth(broker, here, expected, moment)
            wait_until(lambda: seen(hub) == here.truth(), 10)  # and so does the one that was there all the time


@pytest.mark.parametrize("persistent", [True, False], ids=["keeps", "forgets"])
@pytest.mark.slow
def test_a_broker_that_starts_at_any_moment_of_an_alarms_life_tells_the_truth(
    mosquitto: MakeMosquitto, *, persistent: bool
) -> None:
    broker = mosquitto(persistent=persistent)
    with rehearsal(broker) as here, Subscriber(port=broker.port, name="hub") as hub:
        for moment, expected in life(here, hub):
            broker.kill()
            here.wait_until(lambda: not here.hub.delivery.connected)
            broker.start()
            here.settle()
            check_truth(broker, here, expected, moment)
            wait_until(lambda: hub.is_connected and seen(hub) == here.truth(), 20)


def test_the_birth_of_the_hub_brings_the_truth_again_at_any_moment(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with (
        rehearsal(broker) as here,
        Subscriber(port=broker.port, name="hub") as hub,
        Subscriber(port=broker.port, name="other", filters=("vatvigil/vat/#",)) as other,
    ):
        for moment, _ in life(here, hub):
            wait_until(lambda: seen(other) == here.truth(), 10, partial(lambda when: f"{when}: {seen(other)}", moment))
            other.received.clear()
            hub.publish("homeassistant/status", "online")
            here.wait_until(lambda: seen(other) == here.truth())
            here.settle()


def test_an_acknowledgement_of_an_earlier_occurrence_is_refused_and_the_alarm_stands(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    with rehearsal(broker) as here, Subscriber(port=broker.port, name="hub") as hub:
        here.read(4.7, 8)
        wait_until(lambda: '"occurrence\\":1' in json.dumps(button(hub, "high", "acknowledge")["payload_press"]), 10)
        old = button(hub, "high", "acknowledge")
        press(here, hub, "high", "acknowledge")
        here.read(4.5, 2)
        here.read(4.7, 8)
        hub.publish(old["command_topic"], old["payload_press"])
        here.wait_until(lambda: bool(here.asked))
        here.read(4.7)
        refused = [entry for entry in here.entries if entry.cause is Cause.REFUSED]
        assert [entry.text for entry in refused] == [
            "acknowledge refused: occurrence 1 of high is not the present one, which is 2"
        ]
        assert here.truth()["high"] == ("unacknowledged", True, 2)
        wait_until(lambda: seen(hub)["high"] == ("unacknowledged", True, 2), 10)
