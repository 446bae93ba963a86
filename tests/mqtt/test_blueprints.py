"""The three automations of config_examples: their templates are rendered, their triggers compared with what is sent.

On a real hub core they are run by the campaign of tests/campaign_hub. Rendered by jinja2, the language that the hub
documents for templates, with values kept as the hub does; its functions:
https://www.home-assistant.io/docs/configuration/templating/.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import yaml
from jinja2.nativetypes import NativeEnvironment

from logger.config import Priority
from logger.model import AlarmState, Cause, Entry, Notification, State
from logger.mqtt.event import TOLD, event_of
from logger.mqtt.vat_alarms import alarms_message, alarms_payload
from logger.structs import replace
from tests.mqtt.factories import AT_US, MARROW, TOPICS
from tests.mqtt.test_discovery import announced, attributes, rendered

EXAMPLES = Path(__file__).parents[2] / "config_examples"
NOW = datetime.fromtimestamp(AT_US / 1e6, UTC)
WORST, HEARTBEAT = "sensor.vatvigil_marrow_worst_alarm", "binary_sensor.vatvigil_heartbeat"


class Input(str):
    """The name of an input of a blueprint."""

    __slots__ = ()


class Loader(yaml.SafeLoader):
    """Reads `!input`, too."""


Loader.add_constructor("!input", lambda loader, node: Input(loader.construct_scalar(node)))  # type: ignore[arg-type]


@dataclass(slots=True)
class Hub:
    """The functions of the hub's templates over these states; times: seconds since the state changed."""

    states: Mapping[str, tuple[str, Mapping[str, Any], float]]

    def functions(self) -> dict[str, Callable[..., Any] | Mapping[str, Any]]:
        known = {
            entity: SimpleNamespace(state=state, last_changed=NOW - timedelta(seconds=age_s))
            for entity, (state, _, age_s) in self.states.items()
        }
        return {
            "now": lambda: NOW,
            "states": {entity: known.get(entity) for entity in (WORST, HEARTBEAT)},
            "is_state": lambda entity, word: entity in known and known[entity].state == word,
            "state_attr": lambda entity, name: self.states[entity][1].get(name) if entity in self.states else None,
        }


def blueprint(name: str) -> dict[str, Any]:
    made: dict[str, Any] = yaml.load((EXAMPLES / name).read_text(), Loader)  # noqa: S506 - a safe loader
    return made


def outcome(name: str, inputs: Mapping[str, Any], trigger: Mapping[str, Any], hub: Hub) -> tuple[bool, str]:
    """Return whether an automation does something, and the lines that it would tell."""
    content, environment = blueprint(name), NativeEnvironment()
    variables: dict[str, Any] = {"trigger": trigger, **hub.functions()}

    def render(text: object) -> Any:  # noqa: ANN401 - any value of a template
        return environment.from_string(text).render(**variables) if isinstance(text, str) else text

    for key, text in content["variables"].items():
        variables[key] = inputs[text] if isinstance(text, Input) else render(text)
    return all(render(condition) is True for condition in content["condition"]), str(variables["lines"])


EVENT = Entry(seq=1, at_us=AT_US, vat="marrow", cause=Cause.ANNUNCIATED, alarm="ph-high", occurrence=1, priority="high")


def heard(entry: Entry) -> tuple[bool, str]:
    event = event_of(entry, simulated=False)
    assert event is not None
    return outcome("hub_wakes_me.yaml", {}, {"payload_json": json.loads(event.payload)}, Hub({}))


@pytest.mark.parametrize("priority", Priority)
@pytest.mark.parametrize("cause", TOLD)
def test_a_high_alarm_wakes_when_a_person_is_to_be_told_of_it(cause: Cause, priority: Priority) -> None:
    annunciates = cause not in (Cause.REMINDER, Cause.RAISED)
    told = Notification(lines=("Marrow: pH 4.71.", "Believed."))
    woken, lines = heard(replace(EVENT, cause=cause, annunciates=annunciates, priority=priority, told=told))
    assert (woken, lines) == (priority is Priority.HIGH, "Marrow: pH 4.71. Believed.")


@pytest.mark.parametrize("cause", [Cause.RETURNED, Cause.ACKNOWLEDGED, Cause.MARKED, Cause.REFUSED, Cause.SHELVED])
def test_what_nobody_need_be_told_of_wakes_nobody(cause: Cause) -> None:
    woken, _ = heard(replace(EVENT, cause=cause, text="t"))
    assert woken is False


def test_it_listens_where_the_events_are_sent() -> None:
    inputs = blueprint("hub_wakes_me.yaml")["blueprint"]["input"]
    assert inputs["vats"]["default"] == TOPICS.event("+")
    assert inputs["watch"]["default"] == TOPICS.event("")


def shown(base: State, age_s: float, **more: Any) -> Hub:  # noqa: ANN401 - fields of AlarmState
    """Return a hub that shows the worst alarm of a vat, as it was announced."""
    state = AlarmState(base=base, occurrence=1, since_at_us=AT_US, told=Notification(lines=("pH 4.71.",)), **more)
    message = alarms_message(TOPICS, MARROW, alarms_payload(MARROW, [(MARROW, {"ph-high": state})], simulated=False))
    content, said = announced()[f"homeassistant/sensor/{WORST.split('.')[1]}/config"], json.loads(message.payload)
    return Hub({WORST: (rendered(content["value_template"], value_json=said), attributes(content, said), age_s)})


AGAIN = {"worst": WORST, "after": 60}


@pytest.mark.parametrize(
    ("hub", "trigger", "wakes"),
    [
        (shown(State.UNACKNOWLEDGED, 60.0), "first", True),
        (shown(State.UNACKNOWLEDGED, 900.0), "1", True),
        (shown(State.UNACKNOWLEDGED, 100.0), "1", False),  # it was told a moment ago
        (shown(State.RETURNED, 900.0), "1", True),
        (shown(State.ACKNOWLEDGED, 900.0), "1", False),
        (shown(State.UNACKNOWLEDGED, 900.0, held=True), "1", False),
        (shown(State.UNACKNOWLEDGED, 900.0, shelved_until_us=1), "1", False),
        (Hub({WORST: ("unavailable", {}, 900.0)}), "1", False),
        (Hub({}), "1", False),
    ],
)
def test_a_high_alarm_wakes_again_until_somebody_acknowledges_it(hub: Hub, trigger: str, *, wakes: bool) -> None:
    assert outcome("hub_wakes_me_again.yaml", AGAIN, {"id": trigger}, hub)[0] is wakes


def test_its_first_word_comes_whatever_it_was_before() -> None:
    first, every = blueprint("hub_wakes_me_again.yaml")["trigger"]
    assert (first["to"], "from" in first, first["id"]) == ("unacknowledged", False, "first")
    assert every["platform"] == "time_pattern"
    assert (
        outcome("hub_wakes_me_again.yaml", AGAIN, {"id": "first"}, shown(State.UNACKNOWLEDGED, 60.0))[1] == "pH 4.71."
    )


SILENCE = {"heartbeat": HEARTBEAT, "silent_for": 120}


@pytest.mark.parametrize(
    ("hub", "wakes"),
    [
        (Hub({HEARTBEAT: ("on", {}, 9000.0)}), False),
        (Hub({HEARTBEAT: ("unavailable", {}, 120.0)}), True),
        (Hub({HEARTBEAT: ("unavailable", {}, 60.0)}), False),
        (Hub({HEARTBEAT: ("off", {}, 900.0)}), True),
        (Hub({}), True),
    ],
)
def test_silence_wakes_until_the_watch_is_heard(hub: Hub, *, wakes: bool) -> None:
    assert outcome("hub_nobody_watches.yaml", SILENCE, {"id": "0"}, hub)[0] is wakes
