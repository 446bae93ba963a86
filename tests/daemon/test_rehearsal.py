"""The good-night test as the pure function tells it: begun, accepted, acknowledged in time or not, and why not."""

from pathlib import Path
from typing import Any

import pytest

from logger.config import HookConfig, PushConfig
from logger.model import Cause, Command, CommandKind, State
from logger.structs import replace
from logger.watch.system import SYSTEM, SystemFacts
from tests.daemon.factories import config_of
from tests.daemon.test_system import AWAY, WELL, Story, command

WAITS = replace(WELL, waiting=1)
DEAF = replace(WELL, unheard=True)
BEGUN = [(0, "rehearsal", Cause.ANNUNCIATED, 1)]


def rehearse(within_s: float = 600.0, **more: Any) -> Command:  # noqa: ANN401 - fields of it
    asked = Command(id=7, at_us=10**18, kind=CommandKind.REHEARSE, vat=SYSTEM, duration_s=within_s, by="tova")
    return replace(asked, **more)


def test_a_test_that_is_acknowledged_in_time_is_over_at_once() -> None:
    story = Story()
    assert story.goes_on(1, WELL, rehearse()) == BEGUN
    assert story.goes_on(3, WAITS) == []
    assert story.goes_on(8) == [(4, "rehearsal", Cause.TESTED, 1)]
    assert story.entries[-1].text == "TEST: the broker has accepted the event, and somebody listens there"
    told = story.goes_on(1, WELL, command(CommandKind.ACKNOWLEDGE, "rehearsal", occurrence=1))
    assert told == [(12, "rehearsal", Cause.ACKNOWLEDGED, 1), (12, "rehearsal", Cause.RETURNED, 1)]
    assert story.goes_on(1000) == []
    assert story.carry.alarms["rehearsal"].shown is State.NORMAL
    assert [entry.text[:4] for entry in story.entries] == ["TEST"] * 4
    assert story.entries[0].told is not None
    assert story.entries[0].told.lines == (
        "System: TEST, no real alarm: the good-night test since 18:00 UTC.",
        "First acknowledge this TEST, as you would an alarm.",
    )


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        (replace(WAITS, broker=AWAY), f"the broker was not reached. {AWAY}"),
        (replace(WAITS, refused="Not authorized."), "the broker did not accept the event. Not authorized."),
        (DEAF, "the broker accepted the event, but nobody listens there: look whether the hub runs and is connected"),
        (WELL, "the broker accepted the event, and somebody listens: look at the hub's automation, at the telephone"),
    ],
    ids=["away", "refused", "nobody listens", "nobody acknowledged"],
)
def test_a_test_that_nobody_acknowledges_says_how_far_it_came(facts: SystemFacts, why: str) -> None:
    story = Story()
    story.goes_on(1, facts, rehearse(60.0))
    story.goes_on(59, facts)
    assert all(entry.alarm in ("rehearsal", "broker-away") for entry in story.entries)
    told = story.goes_on(1, facts)
    assert [(alarm, cause, n) for _, alarm, cause, n in told if alarm.startswith("rehearsal")] == [
        ("rehearsal", Cause.RETURNED, 1),
        ("rehearsal-failed", Cause.ANNUNCIATED, 1),
    ]
    (failed,) = [entry for entry in story.entries if entry.alarm == "rehearsal-failed"]
    assert failed.text.startswith(f"The good-night test was not acknowledged: {why}")
    assert failed.priority == "high"


def test_without_a_broker_none_accepts_and_the_other_ways_out_say_what_failed() -> None:
    story, facts = Story(), replace(WELL, has_broker=False, channels="Push service 1 (json) failed: no network.")
    assert story.goes_on(1, facts, rehearse(60.0)) == BEGUN
    story.goes_on(60, facts)
    assert Cause.TESTED not in {entry.cause for entry in story.entries}
    (failed,) = [entry for entry in story.entries if entry.alarm == "rehearsal-failed"]
    assert "there is no broker: look whether another way out took the event" in failed.text
    assert failed.text.endswith("Push service 1 (json) failed: no network.")


def test_each_night_that_fails_is_told_anew() -> None:
    story = Story()
    for night in (1, 2):
        story.goes_on(1, WELL, rehearse(60.0))
        story.goes_on(70)
        assert story.carry.alarms["rehearsal-failed"].shown is State.UNACKNOWLEDGED
        assert story.carry.alarms["rehearsal-failed"].occurrence == night
    story.goes_on(1, WELL, rehearse(60.0))
    assert story.carry.alarms["rehearsal-failed"].shown is State.RETURNED


def test_a_second_test_and_one_asked_for_long_ago_are_refused() -> None:
    story = Story()
    story.goes_on(1, WELL, rehearse(), rehearse())
    assert [answer.applied for answer in story.answers] == [True, False]
    story = Story()
    story.goes_on(1, WELL, rehearse(60.0, at_us=0))
    assert (story.answers[0].applied, story.entries) == (False, [])
    assert "too long ago" in story.answers[0].text


@pytest.mark.parametrize(
    ("ways", "applied"),
    [
        ({}, False),
        ({"hook": HookConfig(command=("/bin/true",))}, True),
        ({"push": PushConfig(urls=("json://hall",))}, True),
    ],
    ids=["none", "hook", "push"],
)
def test_where_nothing_goes_out_nothing_can_be_tested(ways: dict[str, object], *, applied: bool) -> None:
    story = Story(config=config_of(Path("/nowhere"), **ways))
    story.goes_on(1, WELL, rehearse())
    assert story.answers[0].applied is applied
