"""What quiet hours, raised priorities, the telephone's lines and the morning summary make of our messages."""

import json
from dataclasses import replace

import jsonschema
import pytest

from logger.config import PeopleConfig, Priority, QuietConfig
from logger.model import Entry
from logger.mqtt.alarm_state import alarm_message
from logger.mqtt.event import event_of
from logger.mqtt.schemas import schema
from tests.alarm.notified_nights import acid, marrow, rows_of
from tests.alarm.test_notification import HIGH
from tests.mqtt.factories import AT_US, MARROW, PH_HIGH, TOPICS

PEOPLE = PeopleConfig(quiet=QuietConfig(begin_min=18 * 60, end_min=20 * 60 + 30), digest_min=20 * 60 + 30)
NIGHT = marrow(rows_of(acid(3, begin=4.3, per_h=0.15)), replace(HIGH, priority=Priority.LOW), people=PEOPLE)


def content_of(entry: Entry) -> dict[str, object]:
    event = event_of(entry, simulated=False)
    assert event is not None
    content: dict[str, object] = json.loads(event.payload)
    jsonschema.Draft202012Validator(schema("event")).validate(content)
    return content


def test_a_held_occurrence_makes_no_event_until_it_is_released() -> None:
    told = [entry for entry in NIGHT.entries if entry.alarm == HIGH.id]
    assert [(entry.cause, event_of(entry, simulated=False) is None) for entry in told[:2]] == [
        ("annunciated", True),
        ("released", False),
    ]
    released = content_of(told[1])
    assert (released["annunciates"], released["priority"]) == (True, "low")
    assert len(released["lines"]) == 3  # type: ignore[arg-type]
    assert released["facts"]["believed"] is True  # type: ignore[index]


def test_the_summary_is_an_event_with_figures() -> None:
    (entry,) = [entry for entry in NIGHT.entries if entry.cause == "digest"]
    digest = content_of(entry)["digest"]
    assert (digest["annunciated"], digest["held"], digest["standing"]) == (  # type: ignore[index]
        {HIGH.id: 1},
        {HIGH.id: 1},
        [HIGH.id],
    )


@pytest.mark.parametrize(("held", "raised", "priority"), [(True, False, "low"), (False, True, "medium")])
def test_the_standing_state_says_whether_it_is_held_its_priority_and_the_lines(
    *, held: bool, raised: bool, priority: str
) -> None:
    state = replace(NIGHT.carry.alarms[HIGH.id], held=held, raised=raised, since_at_us=AT_US)
    message = alarm_message(TOPICS, MARROW, alarm=replace(PH_HIGH, priority=Priority.LOW), state=state)
    content = json.loads(message.payload)
    jsonschema.Draft202012Validator(schema("alarm")).validate(content)
    assert (content["held"], content["priority"], len(content["lines"])) == (held, priority, 3)
