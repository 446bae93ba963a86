import json
from dataclasses import replace
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.alarm.belief_words import Evidence
from logger.model import AlarmState, Cause, Entry, Health, State
from logger.mqtt.alarm_state import alarm_message
from logger.mqtt.event import event_id, event_of
from logger.mqtt.health import health_message
from logger.mqtt.measurement import measurement_message
from logger.mqtt.schemas import schema
from logger.mqtt.status import heartbeat_message, status_message
from logger.mqtt.topics import Topics
from tests.mqtt.factories import AT_US, MARROW, NO_DATA, PH_HIGH, TOPICS, measurements

NAN = float("nan")
ENTRY = Entry(
    seq=812,
    at_us=AT_US,
    vat="marrow",
    cause=Cause.ANNUNCIATED,
    alarm="ph-high",
    occurrence=3,
    before=State.NORMAL,
    after=State.UNACKNOWLEDGED,
    annunciates=True,
    priority="high",
    value=4.712,
    u=0.061,
    setpoint=4.6,
    text="pH high.",
)
ENTRIES = st.builds(
    Entry,
    seq=st.integers(0, 2**40),
    at_us=st.integers(0, 4 * 10**15),
    vat=st.sampled_from(["", "marrow", "teasel"]),
    cause=st.sampled_from(Cause),
    alarm=st.sampled_from(["", "ph-high", "no-data"]),
    occurrence=st.none() | st.integers(0, 10**6),
    before=st.none() | st.sampled_from(State),
    after=st.none() | st.sampled_from(State),
    annunciates=st.booleans(),
    priority=st.sampled_from(["", "high", "medium", "low"]),
    value=st.none() | st.floats(),
    u=st.none() | st.floats(),
    setpoint=st.none() | st.floats(),
    reminder=st.integers(0, 99),
    by=st.text(),
    text=st.text(),
)


def read(payload: str, kind: str) -> dict[str, Any]:
    """Parse as strict JSON (no NaN) and hold it to its schema, by the jsonschema library."""

    def refuse(word: str) -> None:
        pytest.fail(f"{word} is no JSON (RFC 8259, 6)")

    content: dict[str, Any] = json.loads(payload, parse_constant=refuse)
    jsonschema.Draft202012Validator(schema(kind)).validate(content)
    return content


@pytest.mark.parametrize("online", [True, False])
def test_availability_is_retained(online: bool) -> None:  # noqa: FBT001 - pytest passes parameters by name
    message = status_message(TOPICS, online=online, store="a")
    assert message.retain
    assert read(message.payload, "status")["status"] == ("online" if online else "offline")


def test_the_heartbeat_tells_ages_and_what_waits() -> None:
    message = heartbeat_message(
        TOPICS,
        at_us=AT_US,
        store="a",
        believed_age_s={"marrow": 12.5, "teasel": None},
        waiting=2,
        oldest_at_us=AT_US - 60_000_000,
    )
    assert not message.retain
    assert read(message.payload, "heartbeat") == {
        "at": "2026-11-25T02:10:00.123456Z",
        "store": "a",
        "believed_age_s": {"marrow": 12.5, "teasel": None},
        "outbox": {"waiting": 2, "oldest_age_s": 60.0},
        "simulated": False,
    }


def test_a_measurement_tells_ph_with_its_expanded_uncertainty() -> None:
    message = measurement_message(
        TOPICS, "marrow", probe="marrow-probe", rows=measurements(), evidence=Evidence(), expiry_s=30
    )
    assert (message.topic, message.retain, message.expiry_s) == ("vatvigil/vat/marrow/measurement", False, 30)
    # U = k u with k = 2: JCGM 100:2008, 6.2.1
    assert read(message.payload, "measurement") == {
        "vat": "marrow",
        "probe": "marrow-probe",
        "at": "2026-11-25T02:10:00.123456Z",
        "ph": 4.7123,
        "expanded_uncertainty_ph": 0.122,
        "coverage_factor": 2,
        "temperature_c": 20.125,
        "quality": "pass",
        "calibration": 3,
        "belief": "believed",
        "verdict_since": "2026-11-25T02:10:00.123456Z",
        "verdict": "Believed: in the liquid, quiet",
        "simulated": False,
    }


def test_what_is_not_known_is_null() -> None:
    rows = measurements(ph=NAN, u=NAN, temperature_c=NAN, quality=9, calibration=0)
    content = read(
        measurement_message(TOPICS, "marrow", probe="p", rows=rows, evidence=Evidence()).payload, "measurement"
    )
    assert {key for key, value in content.items() if value is None} == {
        "ph",
        "expanded_uncertainty_ph",
        "temperature_c",
        "calibration",
    }
    assert content["quality"] == "missing"


def alarm_content(**changes: Any) -> dict[str, Any]:  # noqa: ANN401 - fields of AlarmState
    state = AlarmState(base=State.UNACKNOWLEDGED, occurrence=3, since_at_us=AT_US, value=4.712, u=0.061)
    message = alarm_message(TOPICS, MARROW, alarm=PH_HIGH, state=replace(state, **changes))
    assert message.retain
    return read(message.payload, "alarm")


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
    content = read(alarm_message(TOPICS, MARROW, alarm=NO_DATA, state=state).payload, "alarm")
    assert content["setpoint"] is None
    assert content["since"] is None
    assert content["text"] == "Marrow: no data (acknowledged)."


def test_an_event_is_named_by_when_where_what() -> None:
    event = event_of(ENTRY, simulated=False)
    assert event is not None
    assert event.id == "20261125T021000.123456Z-marrow-ph-high-3-annunciated-812"
    content = read(event.payload, "event")
    assert content["event_id"] == event.id
    assert (content["before"], content["after"]) == ("normal", "unacknowledged")
    assert (content["value"], content["u"], content["setpoint"]) == (4.712, 0.061, 4.6)


@pytest.mark.parametrize(
    "change",
    [
        {"at_us": AT_US + 1},
        {"seq": 813},
        {"vat": "teasel"},
        {"alarm": "ph-low"},
        {"occurrence": 4},
        {"cause": Cause.REMINDER, "reminder": 1},
        {"cause": Cause.REMINDER, "reminder": 2},
        {"cause": Cause.SHELVED, "text": "for 30 minutes"},
        {"cause": Cause.SHELVED, "text": "for 60 minutes"},
        {"cause": Cause.REFUSED, "occurrence": None, "text": "no such alarm"},
        {"cause": Cause.REFUSED, "occurrence": None, "text": "no such vat"},
        {"cause": Cause.MARKED, "occurrence": None, "alarm": "", "text": "probe out"},
    ],
)
def test_what_happened_otherwise_has_another_name(change: dict[str, Any]) -> None:
    others = [ENTRY, replace(ENTRY, cause=Cause.REFUSED, occurrence=None, text="another")]
    assert event_id(replace(ENTRY, **change)) not in [event_id(other) for other in others]


def test_new_wording_does_not_rename_an_annunciation() -> None:
    assert event_id(ENTRY) == event_id(replace(ENTRY, text="pH is high.", by="watch"))


def test_a_system_event_says_that_it_is_the_systems() -> None:
    entry = Entry(seq=0, at_us=AT_US, vat="", cause=Cause.BACKUP_FAILED, text="The disk is full.")
    event = event_of(entry, simulated=True)
    assert event is not None
    assert event.id.startswith("20261125T021000.123456Z-system-backup-failed-")
    content = read(event.payload, "event")
    assert (content["vat"], content["simulated"]) == (None, True)


@pytest.mark.parametrize("cause", [Cause.DELAY_RESTARTED, Cause.NOTED, Cause.RUN_STARTED])
def test_what_is_for_the_record_only_makes_no_event(cause: Cause) -> None:
    assert event_of(replace(ENTRY, cause=cause), simulated=False) is None


@given(entry=ENTRIES)
def test_every_event_matches_its_schema_and_is_made_the_same_again(entry: Entry) -> None:
    event = event_of(entry, simulated=True)
    assert event == event_of(replace(entry), simulated=True)
    if event:
        content = read(event.payload, "event")
        assert (content["event_id"], content["simulated"]) == (event.id, True)


def test_simulated_payloads_all_say_so() -> None:
    topics = Topics(root="simulated/vatvigil", simulated=True)
    messages = [
        ("status", status_message(topics, online=False, store="a")),
        ("heartbeat", heartbeat_message(topics, at_us=0, store="a", believed_age_s={}, waiting=0, oldest_at_us=None)),
        ("measurement", measurement_message(topics, "marrow", probe="p", rows=measurements(), evidence=Evidence())),
        ("alarm", alarm_message(topics, MARROW, alarm=PH_HIGH, state=AlarmState())),
        ("health", health_message(topics, "p", status=Health.GOOD, findings=[])),
    ]
    assert [read(message.payload, kind)["simulated"] for kind, message in messages] == [True] * 5
    assert {message.topic.split("/")[0] for _, message in messages} == {"simulated"}
