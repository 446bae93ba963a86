"""The row of each kind of alarm is whole: words, a measure function, and keys that `AlarmConfig` has."""

import pytest

from logger.alarm import words
from logger.alarm.lifecycle import Transition
from logger.config import AlarmConfig, AlarmKind, Group, LookBack, Presence, Priority, default_alarm
from logger.measure import batch, maintenance, trend
from logger.model import Cause, State

CAME = Transition(cause=Cause.ANNUNCIATED, before=State.NORMAL, after=State.UNACKNOWLEDGED, annunciates=True)
RETURNED = Transition(cause=Cause.RETURNED, before=State.UNACKNOWLEDGED, after=State.NORMAL, annunciates=False)
FIELDS = {*AlarmConfig.__struct_fields__}


@pytest.mark.parametrize("kind", AlarmKind)
def test_an_alarm_by_the_defaults_of_its_kind_is_named_after_it(kind: AlarmKind) -> None:
    alarm = default_alarm(kind, priority=Priority.LOW)
    assert (alarm.id, alarm.kind, alarm.priority) == (kind.value, kind, Priority.LOW)
    assert {*kind.row.defaults, *kind.row.own_keys} <= FIELDS


@pytest.mark.parametrize("kind", AlarmKind)
@pytest.mark.parametrize("value", [None, 4.71])
def test_every_sentence_can_be_filled_in(kind: AlarmKind, value: float | None) -> None:
    alarm = default_alarm(kind, setpoint=4.6) if kind.has_value else default_alarm(kind)
    said = [words.sentence(alarm, step, value=value, u=None) for step in (CAME, RETURNED)]
    assert all(sentence and not set("{}") & set(sentence) for sentence in said)
    assert bool(words.what(alarm, value)) == bool(words.over(alarm, value)) == bool(kind.row.comes)


@pytest.mark.parametrize("kind", AlarmKind)
def test_a_value_has_its_words_and_a_setpoint_that_can_be_asked_for(kind: AlarmKind) -> None:
    row = kind.row
    assert bool(row.quantity) == kind.has_value
    assert not kind.has_value or "setpoint" in row.defaults or row.setpoint_words


@pytest.mark.parametrize("kind", AlarmKind.of_vats())
def test_it_is_measured(kind: AlarmKind) -> None:
    row = kind.row
    assert (row.signal is None) == (row.group in (Group.MAINTENANCE, Group.TARGET))
    assert (row.group is Group.MAINTENANCE) == (kind in maintenance.FAULTS)
    assert (row.look_back is LookBack.TREND) == (kind in trend.MEASURES)
    assert (row.look_back is LookBack.BATCH) == (kind in batch.MEASURES)


def test_a_kind_is_found_by_its_id() -> None:
    assert AlarmKind("ph-high") is AlarmKind.PH_HIGH
    assert str(AlarmKind.PH_HIGH) == "ph-high"


def test_every_alarm_of_high_priority_that_is_always_there_reminds_until_somebody_acknowledges_it() -> None:
    always = [kind for kind in AlarmKind.of_vats() if kind.row.presence is Presence.ALWAYS]
    high = [alarm for alarm in map(default_alarm, always) if alarm.priority is Priority.HIGH]
    assert {"no-data", "blind", "trust-lost", "no-calibration"} <= {alarm.id for alarm in high}
    assert [alarm.id for alarm in high if alarm.reminder_s is None] == []
