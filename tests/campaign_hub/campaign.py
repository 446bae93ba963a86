"""The daemon, the simulator and the broker with a real hub core: run by hand, as README.md says; some ten minutes.

Times are shortened, not the parts: a record each second, the automations' seconds and minutes as in `hub.py`.
"""

import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest

from tests.campaign_hub.hub import AFTER_S, BASE, EVERY_S, HEARTBEAT, NODE, WORST, Hub, is_here
from tests.mqtt.test_discovery import announced
from tests.parts.daemon import MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Mosquitto, Subscriber
from tests.parts.waiting import wait_until

pytestmark = [pytest.mark.timeout(1800), pytest.mark.skipif(not is_here(), reason="README.md says how to make a hub")]

ALARMS = """\
target = {{ ph = 4.6 }}
[vat.{vat}.alarm.ph-high]
setpoint = 5.5
[vat.{vat}.alarm.no-data]
on_delay_s = 20
"""
EXTRA = "discovery_prefix = 'homeassistant'\n"
PROBLEM = f"binary_sensor.{NODE}_marrow_problem"
ACKNOWLEDGE_ALL = f"button.{NODE}_marrow_acknowledge_all"


@dataclass(slots=True)
class House:
    """A watch, a broker and a hub."""

    night: Night
    broker: Mosquitto
    hub: Hub

    def until(self, condition: Callable[[], bool], what: str, seconds: float = 30.0) -> float:
        """Wait for something; return how long it took."""
        began = time.monotonic()
        wait_until(condition, seconds, lambda: f"waiting for {what}\n{self.hub.log[-2000:]}")
        return time.monotonic() - began

    def until_state(self, entity: str, word: str, seconds: float = 30.0) -> float:
        return self.until(lambda: self.hub.state(entity) == word, f"{entity} {word}", seconds)

    def unplug(self) -> None:
        """Let the probe say nothing: after two seconds that is an alarm of high priority."""
        self.night.simulators[0].process.send_signal(signal.SIGSTOP)

    def plug(self) -> None:
        self.night.simulators[0].process.send_signal(signal.SIGCONT)

    def acknowledge(self) -> None:
        self.hub.call("button.press", ACKNOWLEDGE_ALL)

    def quiet(self) -> None:
        """Wait until nothing stands."""
        self.plug()
        self.until(lambda: self.hub.state(f"sensor.{NODE}_marrow_ph") not in ("unavailable", "absent"), "readings")
        self.until(self._is_quiet, "quiet", 60.0)

    def _is_quiet(self) -> bool:
        if self.hub.state(WORST) == "unacknowledged":
            self.acknowledge()
            time.sleep(1.5)
        return self.hub.state(WORST) == "none"

    def complaints(self) -> list[str]:
        """Return what the hub's log says of our messages."""
        lines = [line for line in self.hub.log.splitlines() if " WARNING " in line or " ERROR " in line]
        ours = [line for line in lines if any(words in line for words in OURS)]
        found = [line for line in ours if not any(words in line for words in NOT_OURS)]
        print("complaints:", *found, sep="\n")
        return found


OURS = ("mqtt", "vatvigil", "automation", "template", "recorder", NODE)
"""What a line of the log names that is about us; parts of the hub that its environment does not have are not."""
NOT_OURS = (
    "Disconnected from MQTT server",
    "Failed to connect to MQTT",
    "failed to receive on socket",  # the broker restarts
    "not currently connected",
    "The system could not validate that the sqlite3 database",  # it was killed before
    "Ended unfinished session",
    "Unable to import component",
    "Unable to set up dependencies",
)


PRESSES = {
    # off until a test turns it on: it acknowledges each alarm on its first message
    "id": "presses",
    "alias": "presses",
    "initial_state": False,
    "trigger": [{"platform": "mqtt", "topic": f"{BASE}/vat/+/event"}],
    "condition": ["{{ trigger.payload_json.cause == 'annunciated' }}"],
    "action": [{"service": "button.press", "target": {"entity_id": ACKNOWLEDGE_ALL}}],
}


@pytest.fixture
def house(tmp_path: Path, night: MakeNight, mosquitto: MakeMosquitto) -> Iterator[House]:
    broker = mosquitto(persistent=True)
    here = night(Vat(run="quiet-night", alarms=ALARMS), speed=10, poll_s=10, starts_h=1.0, broker=broker.port)
    hub = Hub(folder=tmp_path / "hub", broker=broker.port)
    hub.make(PRESSES)
    made = House(here, broker, hub)
    try:
        yield made
    finally:
        made.plug()
        hub.close()


def begin(house: House) -> None:
    house.hub.start()
    house.night.start_and_watch()
    house.until(lambda: house.hub.state(f"sensor.{NODE}_marrow_belief") not in ("absent", "unknown"), "the vat")
    house.quiet()


def test_the_hub_shows_exactly_what_is_announced_and_nothing_of_it_makes_it_complain(house: House) -> None:
    begin(house)
    shown, announcements = house.hub.ask("registry"), announced(house.night.config)
    ours = {entity: entry for entity, entry in shown.items() if entry["platform"] == "mqtt"}
    assert {entry["unique_id"] for entry in ours.values()} == {c["unique_id"] for c in announcements.values()}
    enabled = {entity for entity, entry in ours.items() if entry["disabled_by"] is None}
    print(f"enabled {len(enabled)}, disabled {len(ours) - len(enabled)}")
    assert len(enabled) == 16 + 5 + 1
    for content in announcements.values():
        entry = ours[content["default_entity_id"]]
        assert (entry["disabled_by"] is None) == content.get("enabled_by_default", True)
        assert entry["original_name"] == content["name"]
        assert entry["original_icon"] == content.get("icon")
        assert entry["device"] == content["device"]["name"]
        assert entry["entity_category"] == content.get("entity_category")
        if entry["disabled_by"] is None:
            assert entry["original_device_class"] == content.get("device_class")
            assert entry["unit_of_measurement"] == content.get("unit_of_measurement")
            capabilities = entry["capabilities"] or {}
            assert capabilities.get("state_class") == content.get("state_class")
            assert capabilities.get("event_types") == content.get("event_types")
            precision = entry["options"].get("sensor.private", entry["options"].get("sensor", {}))
            assert precision.get("suggested_display_precision") == content.get("suggested_display_precision")
    assert house.hub.ask("devices") == {"SIMULATED marrow": "SIMULATED Vat watch", "SIMULATED Vat watch": None}
    states = {entity: house.hub.state(entity) for entity in sorted(enabled)}
    print("\n".join(f"{entity} {state}" for entity, state in states.items()))
    assert "unavailable" not in states.values()
    assert house.complaints() == []


def test_presses_are_taken_refused_and_done_and_the_same_can_be_said_twice(house: House) -> None:
    begin(house)
    hub, said = house.hub, f"{BASE}/vat/marrow/said"
    of_alarm = [f"{kind}.{NODE}_marrow_alarm_no_data{end}" for kind, end in ENDS]
    hub.ask("enable", entities=of_alarm)
    hub.stop()
    hub.start()  # an entity is enabled by the next start
    house.until(lambda: hub.state(of_alarm[0]) == "normal", "the alarm's own entity", 60)
    with Subscriber(port=house.broker.port, filters=(said,), name="listener") as heard:
        times = [taken_s(house, heard, act) for act in ACTS]
        print("taken within", [f"{seconds:.2f} s" for seconds in times])
        assert max(times) < 1.0
        assert refusal_s(house, heard) < 1.0
    litres = [row[0] for row in house.night.rows("SELECT litres FROM inbox WHERE note = 'topped-up'")]
    assert litres == [4.0, 4.0]
    notes = [row[0] for row in house.night.rows("SELECT text FROM journal WHERE cause = 'noted'")]
    assert notes == [NOTE]
    spots = house.night.rows("SELECT reference_ph, u_reference_ph, instrument FROM check_reading WHERE kind = 'spot'")
    assert spots == [(3.76, 0.05, "meter"), (3.76, 0.05, "meter")]
    shelve_and_acknowledge(house, of_alarm)
    assert house.complaints() == []


ENDS = (("sensor", ""), ("button", "_acknowledge"), ("button", "_shelve"), ("button", "_unshelve"))
NOTE = 'weights pushed "down", Gläser & <lids>'
ACTS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("button.press", "button.{}_marrow_stirred", {}),
    ("number.set_value", "number.{}_marrow_topped_up", {"value": 4}),
    ("number.set_value", "number.{}_marrow_topped_up", {"value": 4}),
    ("text.set_value", "text.{}_marrow_note", {"value": NOTE}),
    ("number.set_value", "number.{}_marrow_spot_meter", {"value": 3.76}),
    ("number.set_value", "number.{}_marrow_spot_meter", {"value": 3.76}),
    ("button.press", "button.{}_marrow_started", {}),
    ("button.press", "button.{}_marrow_probe_out", {}),
    ("button.press", "button.{}_marrow_probe_in", {}),
)


def taken_s(house: House, heard: Subscriber, act: tuple[str, str, dict[str, Any]]) -> float:
    """Do something at the hub, wait until it is done; return after how long it was told to be taken."""
    service, entity, data = act
    entity = entity.format(NODE)
    before, began = len(heard.received), time.monotonic()
    house.hub.call(service, entity, **data)
    fresh: Callable[[], list[str]] = lambda: [m.payload for m in heard.received[before:]]  # noqa: E731
    house.until(lambda: any('"answer":"taken"' in text for text in fresh()), f"{entity} taken", 5)
    seconds = time.monotonic() - began
    if "value" in data:
        house.until(lambda: house.hub.state(entity) in ("unknown", ""), "nothing entered", 6)
    house.until(lambda: any('"answer":"done"' in text for text in fresh()), f"{entity} done", 10)
    return seconds


def refusal_s(house: House, heard: Subscriber) -> float:
    """Say a spot pH while the probe is marked out: it is refused."""
    taken_s(house, heard, ("button.press", "button.{}_marrow_probe_out", {}))
    before, began = len(heard.received), time.monotonic()
    house.hub.call("number.set_value", f"number.{NODE}_marrow_spot_strip", value=3.8)
    house.until(lambda: any('"answer":"refused"' in m.payload for m in heard.received[before:]), "a refusal", 5)
    seconds = time.monotonic() - began
    house.until(
        lambda: house.hub.attributes(f"number.{NODE}_marrow_spot_strip").get("answer") == "refused", "the answer", 2
    )
    taken_s(house, heard, ("button.press", "button.{}_marrow_probe_in", {}))
    return seconds


def shelve_and_acknowledge(house: House, of_alarm: list[str]) -> None:
    state, acknowledge, shelve, unshelve = of_alarm
    house.quiet()
    house.unplug()
    house.until_state(state, "unacknowledged")
    house.hub.call("button.press", shelve)
    house.until_state(state, "shelved")
    house.until_state(WORST, "shelved")
    house.hub.call("button.press", unshelve)
    house.until_state(state, "unacknowledged")
    house.hub.call("button.press", acknowledge)
    house.until_state(state, "acknowledged")
    house.until_state(WORST, "acknowledged")
    house.until_state(PROBLEM, "off")
    house.plug()
    house.until_state(state, "normal")
    house.unplug()
    house.until_state(state, "unacknowledged")
    house.plug()
    house.until_state(state, "returned-unacknowledged")
    house.until_state(WORST, "unacknowledged")
    house.acknowledge()
    house.until_state(WORST, "none")


def slot() -> None:
    """Wait until a slot of the automations' clock has just passed."""
    time.sleep(EVERY_S - time.time() % EVERY_S + 0.5)  # noqa: TID251 - the clock of the hub


def told_during(house: House, act: Callable[[], None], seconds: float) -> list[int]:
    before = len(house.hub.told)
    act()
    time.sleep(seconds)
    return house.hub.told[before:]


def test_the_automations_speak_as_often_as_they_must(house: House) -> None:
    begin(house)
    slot()
    assert told_during(house, house.unplug, 45) == [1, 2, 2, 2]
    assert told_during(house, house.acknowledge, 25) == []
    assert told_during(house, house.quiet, 5) == []
    assert house.night.process is not None
    house.night.process.send_signal(signal.SIGSTOP)
    hung = told_during(house, lambda: None, 12 + AFTER_S + EVERY_S + 5)
    house.night.process.send_signal(signal.SIGCONT)
    print("hung:", hung)
    assert hung[0] == 3
    assert len(hung) >= 2
    house.until_state(HEARTBEAT, "on")
    house.quiet()
    slot()
    killed = told_during(house, house.night.kill, AFTER_S + EVERY_S + 3)
    assert killed == [3, 3]
    house.night.start_and_watch()
    house.until_state(HEARTBEAT, "on")
    house.quiet()
    house.hub.stop()
    house.unplug()
    time.sleep(8)
    before = len(house.hub.told)
    house.hub.start()  # the alarm came while it was down
    house.until(lambda: len(house.hub.told) > before, "the alarm", 40)
    assert set(house.hub.told[before:]) == {2}
    house.quiet()
    assert house.complaints() == []


def test_an_automation_that_acknowledges_on_the_first_message_means_that_alarm(house: House) -> None:
    begin(house)
    house.hub.call("automation.turn_on", "automation.presses")
    times = 6
    for _ in range(times):
        house.unplug()
        house.until_state(WORST, "acknowledged")
        house.plug()
        house.until_state(WORST, "none")
    causes = [row[0] for row in house.night.journal("alarm = 'no-data'")]
    assert (causes.count("annunciated"), causes.count("acknowledged")) == (times, times)
    assert house.night.journal("cause = 'refused'") == []
    assert house.complaints() == []


Part = str
ORDERS = [("all down, then", order) for order in permutations("WBH")] + [
    ("one by one", order) for order in permutations("WBH")
]


def stop(house: House, part: Part) -> None:
    {"W": house.night.stop, "B": house.broker.stop, "H": house.hub.stop}[part]()


def start(house: House, part: Part) -> None:
    {"W": house.night.start, "B": house.broker.start, "H": house.hub.start}[part]()


def test_through_twelve_orders_of_restarts_no_alarm_is_false_and_none_is_missed(house: House) -> None:
    begin(house)
    deaf = 0
    for how, order in ORDERS:
        before = len(house.hub.told)
        if how == "one by one":
            for part in order:
                stop(house, part)
                start(house, part)
        else:
            for part in order[::-1]:
                stop(house, part)
            for part in order:
                start(house, part)
        time.sleep(5.6)
        false_alarms = [by for by in house.hub.told[before:] if by != 3]
        assert false_alarms == [], (how, order)
        before = len(house.hub.told)
        house.unplug()
        house.until(lambda: 2 in house.hub.told[before:], f"{how} {order}: the alarm", 60)  # noqa: B023 - used at once
        heard = house.hub.told[before:]
        deaf += heard.count(1) == 0
        print(how, "".join(order), heard)
        assert heard.count(1) <= 1
        house.quiet()
    print(f"deaf in {deaf} of {len(ORDERS)}")
    assert house.complaints() == []


def test_what_was_removed_while_the_hub_was_down_leaves_no_ghost(house: House) -> None:
    begin(house)
    ours = {entity for entity, entry in house.hub.ask("registry").items() if entry["platform"] == "mqtt"}
    house.hub.stop()
    assert house.night.stop() == 0
    text = house.night.config_file.read_text().replace("target = { ph = 4.6 }\n", "")
    house.night.config_file.write_text(text.replace("[vat.marrow", "[vat.teasel").replace('"marrow"', '"teasel"'))
    house.night.start_and_watch()
    time.sleep(3)
    house.hub.start()
    gone = {entity for entity in ours if "_marrow_" in entity}
    house.until(lambda: not gone & {*house.hub.ask("registry")}, "the ghosts to go", 60)
    assert "SIMULATED marrow" not in house.hub.ask("devices")
    remembered = "SELECT count(*) FROM retained_topic WHERE topic LIKE 'homeassistant%marrow%'"
    house.until(lambda: house.night.rows(remembered) == [(0,)], "the store to forget", 10)
    assert house.complaints() == []


def test_what_the_hub_records_holds_no_number_that_is_not_believed_and_few_rows(house: House) -> None:
    begin(house)
    time.sleep(20)
    house.hub.call("button.press", f"button.{NODE}_marrow_probe_out")
    house.night.simulators[0].hear("lift")
    time.sleep(20)
    house.hub.ask("statistics")
    time.sleep(2)
    rows = house.hub.rows(
        "SELECT m.statistic_id, s.mean, s.min, s.max FROM statistics_short_term s "
        "JOIN statistics_meta m ON m.id = s.metadata_id"
    )
    attributes = house.hub.rows(
        "SELECT m.entity_id, count(*), count(DISTINCT s.attributes_id) FROM states s "
        "JOIN states_meta m ON m.metadata_id = s.metadata_id GROUP BY 1"
    )
    print(rows, attributes)
    (ph,) = [row for row in rows if row[0].endswith("_marrow_ph")]
    assert all(abs(value - 3.757) < 0.2 for value in ph[1:])
    by_entity = {entity: distinct for entity, _, distinct in attributes}
    assert by_entity[f"sensor.{NODE}_marrow_ph"] <= 4
    assert house.complaints() == []
