"""What stands of all alarms of a vat, against its schema, and how an acknowledgement of all of it is understood."""

import json
from collections.abc import Mapping
from typing import Any

import pytest

from logger.config import AlarmConfig, AlarmKind, Priority, VatConfig
from logger.model import AlarmState, Command, Entry, Notification, State
from logger.mqtt.commands import AcknowledgeAll, command_of
from logger.mqtt.messages import Incoming
from logger.mqtt.vat_alarms import Worst, alarms_message, alarms_payload
from logger.structs import replace
from tests.mqtt.factories import AT_US, MARROW, TEASEL, TOPICS, read_payload

BLIND = AlarmConfig(id="blind", kind=AlarmKind.BLIND, priority=Priority.MEDIUM)
SECOND = VatConfig(id="marrow-reference", name="Marrow (reference)", probe="b", reference_of="marrow", alarms=(BLIND,))


def standing(base: State, **more: Any) -> AlarmState:  # noqa: ANN401 - fields of AlarmState
    return AlarmState(base=base, **{"occurrence": 3, "since_at_us": AT_US, **more})


def content(states: Mapping[str, AlarmState], second: Mapping[str, AlarmState] | None = None) -> dict[str, Any]:
    watches = [(MARROW, states), *([(SECOND, second)] if second else [])]
    message = alarms_message(TOPICS, MARROW, alarms_payload(MARROW, watches, simulated=False))
    assert message.retain
    return read_payload(message.payload, "alarms")


def test_a_vat_without_a_trouble_says_none() -> None:
    assert content({}) == {
        "vat": "marrow",
        "worst": "none",
        "priority": None,
        "since": None,
        "lines": [],
        "stands": [],
        "occurrences": {},
        "simulated": False,
    }


def test_what_stands_is_told_with_its_occurrence_its_lines_and_absolute_times() -> None:
    told = Notification(lines=("Marrow: pH 4.71.",))
    said = content({"ph-high": standing(State.UNACKNOWLEDGED, told=told)})
    stands = {"alarm": "ph-high", "how": "unacknowledged", "held": False, "priority": "high", "occurrence": 3}
    assert said["stands"] == [{**stands, "since": "2026-11-25T02:10:00.123456Z"}]
    assert (said["worst"], said["priority"], said["lines"]) == ("unacknowledged", "high", ["Marrow: pH 4.71."])
    assert (said["since"], said["occurrences"]) == ("2026-11-25T02:10:00.123456Z", {"ph-high": 3})


@pytest.mark.parametrize(
    ("state", "worst"),
    [
        (standing(State.NORMAL), "none"),
        (standing(State.NORMAL, suppressed_until_us=1), "none"),
        (standing(State.UNACKNOWLEDGED, shelved_until_us=1), "shelved"),
        (standing(State.NORMAL, out_of_service=True), "shelved"),
        (standing(State.ACKNOWLEDGED), "acknowledged"),
        (standing(State.LATCHED_ACKNOWLEDGED), "acknowledged"),
        (standing(State.UNACKNOWLEDGED, held=True), "held"),
        (standing(State.UNACKNOWLEDGED), "unacknowledged"),
        (standing(State.RETURNED), "unacknowledged"),
        (standing(State.LATCHED_UNACKNOWLEDGED), "unacknowledged"),
    ],
)
def test_how_the_worst_alarm_stands_follows_from_its_state(state: AlarmState, worst: str) -> None:
    said = content({"ph-high": state})
    assert said["worst"] == worst
    assert said["occurrences"] == ({"ph-high": 3} if worst in ("held", "unacknowledged") else {})


def test_every_state_of_an_alarm_has_its_word() -> None:
    words = {content({"ph-high": standing(state)})["worst"] for state in State}
    assert words <= {worst.value for worst in Worst}


def test_an_acknowledged_alarm_of_high_priority_lends_it_to_no_other() -> None:
    states = {
        "ph-high": standing(State.ACKNOWLEDGED),
        "no-data": standing(State.UNACKNOWLEDGED, occurrence=1),
    }
    assert (content(states)["worst"], content(states)["priority"]) == ("unacknowledged", "medium")


def test_the_lines_are_those_of_the_newest_of_the_highest_priority() -> None:
    high = replace(MARROW.alarms[0], id="harder")
    vat = replace(MARROW, alarms=(*MARROW.alarms, high))
    states = {
        name: standing(State.UNACKNOWLEDGED, since_at_us=AT_US + number, told=Notification(lines=(name,)))
        for number, name in enumerate(("harder", "ph-high", "no-data"))
    }
    said = alarms_payload(vat, [(vat, states)], simulated=False)
    assert said.lines == ("ph-high",)


def test_the_alarms_of_a_second_probe_stand_with_those_of_its_vat() -> None:
    said = content({}, {"blind": standing(State.UNACKNOWLEDGED)})
    assert said["occurrences"] == {"marrow-reference/blind": 3}
    assert (said["worst"], said["priority"]) == ("unacknowledged", "medium")


def acknowledged(occurrences: Mapping[str, int]) -> AcknowledgeAll | Entry:
    payload = json.dumps({"occurrences": dict(occurrences)}).encode()
    incoming = Incoming(TOPICS.acknowledge_all("marrow"), payload)
    asked = command_of(incoming, TOPICS, vats=(MARROW, SECOND, TEASEL), at_us=AT_US)
    assert isinstance(asked, AcknowledgeAll | Entry)
    return asked


def test_all_that_stands_is_acknowledged_each_by_its_occurrence() -> None:
    said = content({"ph-high": standing(State.RETURNED)}, {"blind": standing(State.UNACKNOWLEDGED, occurrence=7)})
    asked = acknowledged(said["occurrences"])
    assert isinstance(asked, AcknowledgeAll)
    found = [(command.kind, command.vat, command.alarm, command.occurrence) for command in asked.commands]
    assert found == [("acknowledge", "marrow", "ph-high", 3), ("acknowledge", "marrow-reference", "blind", 7)]
    assert all(isinstance(command, Command) and command.by == "mqtt" for command in asked.commands)


@pytest.mark.parametrize(
    ("occurrences", "why"),
    [
        ({}, "nothing stands that waits to be acknowledged"),
        ({"gone": 1}, "vat marrow has no alarm 'gone'"),
        ({"teasel/ph-high": 1}, "'teasel' is no second probe of vat marrow"),
        ({"ph-high": -1}, "expected"),
    ],
)
def test_what_cannot_be_acknowledged_is_refused_with_the_reason(occurrences: Mapping[str, int], why: str) -> None:
    refused = acknowledged(occurrences)
    assert isinstance(refused, Entry)
    assert why in refused.text
