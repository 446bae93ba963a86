"""Quiet hours hold what need not wake anybody: nothing is lost, one occurrence annunciates once at most.

Each night begins at 18:00 UTC, with a record every 10 s; 18:01 is before record 7, 18:05 before record 31.
"""

from collections.abc import Sequence

import pytest

from logger.config import AlarmConfig, AlarmKind, PeopleConfig, Priority, QuietConfig
from logger.model import Command, CommandKind, WatchState
from logger.mqtt.event import event_of
from logger.structs import replace
from logger.watch import pipeline
from tests.alarm.notation import Night, ask, carried, mark, values
from tests.series import calibrate, of_ph, raw_alarm, watch

QUIET = QuietConfig(begin_min=18 * 60 + 1, end_min=18 * 60 + 5)
HIGH = raw_alarm()
URGENT = raw_alarm(priority=Priority.HIGH)


def quiet_night(
    text: str, *alarms: AlarmConfig, commands: Sequence[Command] = (), wakes: tuple[Priority, ...] = (Priority.HIGH,)
) -> Night:
    bare = watch(*alarms)
    watched = replace(bare, vat=replace(bare.vat, people=PeopleConfig(quiet=replace(QUIET, wakes=wakes))))
    return carried(watched, of_ph(values(text)), [calibrate(), *commands])


def events(seen: Night) -> list[str]:
    """What leaves for the hub."""
    told = [entry for entry in seen.entries if entry.alarm and event_of(entry, simulated=False)]
    return [f"{entry.seq} {entry.cause}{' !' if entry.annunciates else ''}" for entry in told]


def test_what_stands_when_quiet_hours_end_annunciates_then_as_the_same_occurrence() -> None:
    seen = quiet_night("4.5x9 4.7x40", HIGH)
    assert seen.told() == ["10 ph-high: annunciated, unacknowledged", "31 ph-high: released, unacknowledged !1"]
    assert [(e.held, e.occurrence) for e in seen.of("ph-high")] == [(True, 1), (False, 1)]
    assert events(seen) == ["31 released !"]
    assert seen.entries[-1].text.startswith("Held through the quiet hours: pH 4.70")


def test_what_returns_in_quiet_hours_is_journalled_and_never_annunciates() -> None:
    seen = quiet_night("4.5x9 4.7x5 4.5x40", HIGH)
    assert seen.told() == ["10 ph-high: annunciated, unacknowledged", "15 ph-high: returned, returned-unacknowledged"]
    assert [entry.held for entry in seen.of("ph-high")] == [True, True]
    assert events(seen) == []


def test_whoever_acknowledges_it_in_quiet_hours_is_not_told_in_the_morning() -> None:
    seen = quiet_night("4.5x9 4.7x40", HIGH, commands=[ask(20, CommandKind.ACKNOWLEDGE, HIGH.id)])
    assert seen.told()[1:] == ["20 ph-high: acknowledged, acknowledged"]
    late = quiet_night("4.5x9 4.7x40", HIGH, commands=[ask(31, CommandKind.ACKNOWLEDGE, HIGH.id)])
    assert late.told()[1:] == ["31 ph-high: acknowledged, acknowledged"]


def test_chosen_priorities_and_broken_glass_annunciate_at_any_hour() -> None:
    assert quiet_night("4.5x9 4.7x40", URGENT).told() == ["10 ph-high: annunciated, unacknowledged !1"]
    both = quiet_night("4.5x9 4.7x40", HIGH, wakes=(Priority.HIGH, Priority.MEDIUM))
    assert both.told() == ["10 ph-high: annunciated, unacknowledged !1"]
    assert AlarmKind.TRUST_LOST.row.is_glass


def test_what_annunciated_before_goes_on_standing_and_is_not_told_again() -> None:
    seen = quiet_night("4.7x3 4.7x40", replace(HIGH, reminder_s=60.0))
    assert events(seen) == ["1 annunciated !", "31 reminder", "37 reminder", "43 reminder"]
    assert [(e.seq, e.held) for e in seen.of("ph-high")][1:5] == [(7, True), (13, True), (19, True), (25, True)]


def test_a_re_alarm_in_quiet_hours_is_held_like_any_new_occurrence() -> None:
    acknowledged = ask(3, CommandKind.ACKNOWLEDGE, HIGH.id)
    seen = quiet_night("4.7x40", replace(HIGH, realarm_s=120.0), commands=[acknowledged])
    assert seen.told()[2:] == ["15 ph-high: re-alarm, unacknowledged", "31 ph-high: released, unacknowledged !2"]


def test_a_raised_priority_lets_out_what_is_held() -> None:
    seen = quiet_night("4.5x9 4.7x40", replace(HIGH, reminder_s=60.0, raise_after_reminders=2))
    assert seen.told()[:3] == [
        "10 ph-high: annunciated, unacknowledged",
        "16 ph-high: reminder, unacknowledged",
        "22 ph-high: raised, unacknowledged !1",
    ]
    assert events(seen) == ["22 raised !", "28 reminder", "34 reminder", "40 reminder", "46 reminder"]
    assert {entry.priority for entry in seen.of("ph-high")[2:]} == {"high"}


def test_a_priority_raised_to_one_that_does_not_wake_stays_held() -> None:
    low = replace(HIGH, priority=Priority.LOW, reminder_s=60.0, raise_after_reminders=1)
    seen = quiet_night("4.5x9 4.7x40", low)
    assert seen.told()[1:5] == [
        "16 ph-high: raised, unacknowledged",
        "22 ph-high: reminder, unacknowledged",
        "28 ph-high: reminder, unacknowledged",
        "31 ph-high: released, unacknowledged !1",
    ]
    assert seen.entries[-1].priority == "medium"


def test_the_priority_is_raised_once_and_the_next_occurrence_begins_as_configured() -> None:
    alarm = replace(HIGH, priority=Priority.LOW, reminder_s=30.0, raise_after_reminders=2)
    bare = watch(alarm)
    seen = carried(bare, of_ph(values("4.7x20 4.5x2 4.7")), [calibrate()])
    assert [(e.cause, e.priority) for e in seen.of("ph-high")] == [
        ("annunciated", "low"),
        ("reminder", "low"),
        ("raised", "medium"),
        *[("reminder", "medium")] * 4,
        ("returned", "medium"),
        ("annunciated", "low"),
    ]


def test_unshelving_in_quiet_hours_is_held_and_a_cover_ends_the_holding() -> None:
    shelved = [ask(3, CommandKind.SHELVE, HIGH.id, duration_s=100.0)]
    seen = quiet_night("4.7x40", HIGH, commands=shelved)
    assert seen.told()[2:] == ["13 ph-high: shelf-expired, unacknowledged", "31 ph-high: released, unacknowledged !2"]
    covered = quiet_night("4.5x9 4.7x40", HIGH, commands=[mark(20, "probe-out", 600.0)])
    assert covered.told()[1:] == ["20 ph-high: suppressed, suppressed"]


@pytest.mark.parametrize("cut", [12, 30])
def test_a_restart_in_quiet_hours_neither_tells_nor_forgets(cut: int) -> None:
    bare = watch(replace(HIGH, reminder_s=60.0, raise_after_reminders=9))
    watched = replace(bare, vat=replace(bare.vat, people=PeopleConfig(quiet=QUIET)))
    rows = of_ph(values("4.5x9 4.7x40"))
    state, first = pipeline.step(watched, pipeline.fresh(watched), rows[:cut], commands=[calibrate()])
    _, second = pipeline.step(watched, WatchState.of(state.carry, state.recent), rows[cut:])
    told = [entry for entry in (*first.entries, *second.entries) if entry.annunciates]
    assert [(entry.seq, entry.cause) for entry in told] == [(31, "released")]


def test_when_the_quiet_hours_leave_the_configuration_what_they_held_annunciates_at_once() -> None:
    bare = watch(HIGH)
    watched = replace(bare, vat=replace(bare.vat, people=PeopleConfig(quiet=QUIET)))
    rows = of_ph(values("4.5x9 4.7x40"))
    state, _ = pipeline.step(watched, pipeline.fresh(watched), rows[:15], commands=[calibrate()])
    _, outcome = pipeline.step(bare, state, rows[15:])
    assert [(entry.seq, entry.cause) for entry in outcome.entries] == [(16, "released")]
