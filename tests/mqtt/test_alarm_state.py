"""The message of an alarm's standing state, against its schema."""

from typing import Any

import pytest

from logger.config import Priority
from logger.model import AlarmState, State
from logger.mqtt.alarm_state import alarm_message
from logger.structs import replace
from tests.alarm.test_notification import HIGH
from tests.mqtt.factories import AT_US, MARROW, NO_DATA, PH_HIGH, TOPICS, read_payload
from tests.mqtt.test_event import NIGHT


def alarm_content(**changes: Any) -> dict[str, Any]:  # noqa: ANN401 - fields of AlarmState
    state = AlarmState(base=State.UNACKNOWLEDGED, occurrence=3, since_at_us=AT_US, value=4.712, u=0.061)
    message = alarm_message(TOPICS, MARROW, alarm=PH_HIGH, state=replace(state, **changes))
    assert message.retain
    return read_payload(message.payload, "alarm")


def test_a_standing_alarm_tells_its_occurrence_and_value() -> None:
    assert alarm_content() == {
        "vat": "marrow",
        "alarm": "ph-high",
        "state": "unacknowledged",
        "standing": True,
        "occurrence": 3,
        "since": "2026-11-25T02:10:00.123456Z",
        "held": False,
        "priority": "high",
        "text": "Marrow: pH high (unacknowledged): 4.71 (U 0.12, k = 2), setpoint 4.60.",
        "lines": [],
        "value": 4.712,
        "u": 0.061,
        "setpoint": 4.6,
        "probability": 0.9668,  # Phi(0.112 / 0.061), scipy.stats.norm.cdf
        "simulated": False,
    }


def test_an_alarm_that_does_not_stand_shows_no_value() -> None:
    content = alarm_content(base=State.NORMAL)
    assert (content["standing"], content["value"], content["u"]) == (False, None, None)
    assert content["text"] == "Marrow: pH high (normal)."


def test_a_shelved_alarm_does_not_stand() -> None:
    content = alarm_content(shelved_until_us=1)
    assert (content["state"], content["standing"]) == ("shelved", False)


def test_an_instrument_alarm_has_no_setpoint() -> None:
    state = AlarmState(base=State.ACKNOWLEDGED, occurrence=1)
    content = read_payload(alarm_message(TOPICS, MARROW, alarm=NO_DATA, state=state).payload, "alarm")
    assert content["setpoint"] is None
    assert content["since"] is None
    assert content["text"] == "Marrow: no data (acknowledged)."


@pytest.mark.parametrize(("held", "raised", "priority"), [(True, False, "low"), (False, True, "medium")])
def test_the_standing_state_says_whether_it_is_held_its_priority_and_the_lines(
    *, held: bool, raised: bool, priority: str
) -> None:
    state = replace(NIGHT.carry.alarms[HIGH.id], held=held, raised=raised, since_at_us=AT_US)
    message = alarm_message(TOPICS, MARROW, alarm=replace(PH_HIGH, priority=Priority.LOW), state=state)
    content = read_payload(message.payload, "alarm")
    assert (content["held"], content["priority"], len(content["lines"])) == (held, priority, 3)
