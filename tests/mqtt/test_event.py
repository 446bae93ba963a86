"""The outbox events of journal entries, quiet hours and the morning summary included, against their schema."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config import PeopleConfig, Priority, QuietConfig
from logger.model import Cause, Entry, State
from logger.mqtt.event import event_id, event_of
from logger.structs import replace
from tests.alarm.notified_nights import acid, marrow, rows_of
from tests.alarm.test_notification import HIGH
from tests.mqtt.factories import AT_US, read_payload

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


PEOPLE = PeopleConfig(quiet=QuietConfig(begin_min=18 * 60, end_min=20 * 60 + 30), digest_min=20 * 60 + 30)
NIGHT = marrow(rows_of(acid(3, begin=4.3, per_h=0.15)), replace(HIGH, priority=Priority.LOW), people=PEOPLE)


def content_of(entry: Entry) -> dict[str, Any]:
    event = event_of(entry, simulated=False)
    assert event is not None
    return read_payload(event.payload, "event")


def test_an_event_is_named_by_when_where_what() -> None:
    event = event_of(ENTRY, simulated=False)
    assert event is not None
    assert event.id == "20261125T021000.123456Z-marrow-ph-high-3-annunciated-812"
    content = read_payload(event.payload, "event")
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
    content = read_payload(event.payload, "event")
    assert (content["vat"], content["simulated"]) == (None, True)


@pytest.mark.parametrize("cause", [Cause.DELAY_RESTARTED, Cause.NOTED, Cause.RUN_STARTED])
def test_what_is_for_the_record_only_makes_no_event(cause: Cause) -> None:
    assert event_of(replace(ENTRY, cause=cause), simulated=False) is None


@given(entry=ENTRIES)
def test_every_event_matches_its_schema_and_is_made_the_same_again(entry: Entry) -> None:
    event = event_of(entry, simulated=True)
    assert event == event_of(replace(entry), simulated=True)
    if event:
        content = read_payload(event.payload, "event")
        assert (content["event_id"], content["simulated"]) == (event.id, True)


def test_a_held_occurrence_makes_no_event_until_it_is_released() -> None:
    told = [entry for entry in NIGHT.entries if entry.alarm == HIGH.id]
    assert [(entry.cause, event_of(entry, simulated=False) is None) for entry in told[:2]] == [
        ("annunciated", True),
        ("released", False),
    ]
    released = content_of(told[1])
    assert (released["annunciates"], released["priority"]) == (True, "low")
    assert len(released["lines"]) == 3
    assert released["facts"]["believed"] is True


def test_the_summary_is_an_event_with_figures() -> None:
    (entry,) = [entry for entry in NIGHT.entries if entry.cause == "digest"]
    digest = content_of(entry)["digest"]
    assert (digest["annunciated"], digest["held"], digest["standing"]) == (
        {HIGH.id: 1},
        {HIGH.id: 1},
        [HIGH.id],
    )
