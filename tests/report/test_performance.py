"""The measures of an alarm system on journals that are small enough to count by hand."""

from typing import Any

import numpy as np
import pytest

from logger.config import AlarmKind
from logger.model import Cause, Entry, State
from logger.report import performance
from logger.report.performance import Share
from tests.series import raw_alarm

MINUTE, HOUR, DAY = 60, 3600, 86_400
US = 1_000_000


def entry(at_s: float, cause: Cause, *, alarm: str = "ph-high", occurrence: int = 1, **more: Any) -> Entry:  # noqa: ANN401 - Entry's fields
    after = {
        Cause.ANNUNCIATED: State.UNACKNOWLEDGED,
        Cause.ACKNOWLEDGED: State.ACKNOWLEDGED,
        Cause.RETURNED: State.NORMAL,
        Cause.SHELVED: State.SHELVED,
        Cause.RELEASED: State.UNACKNOWLEDGED,
    }
    told: dict[str, Any] = {"priority": "high", "annunciates": cause is Cause.ANNUNCIATED, **more}
    at_us = round(at_s * US)
    return Entry(
        seq=1, at_us=at_us, vat="vat", cause=cause, alarm=alarm, occurrence=occurrence, after=after[cause], **told
    )


def assess(*entries: Entry, days: float = 30, since_s: float = 0) -> performance.Performance:
    return performance.assess(entries, since_us=round(since_s * US), until_us=round((since_s + days * DAY) * US))


def test_rates_are_counted_a_day_an_hour_and_ten_minutes() -> None:
    found = assess(*(entry(n * HOUR, Cause.ANNUNCIATED, occurrence=n) for n in range(72)), days=3)
    assert (found.annunciated, found.per_day, found.per_hour, found.enough) == (72, 24.0, 1.0, False)
    assert found.per_10_min == pytest.approx(1 / 6)
    assert assess(days=30).enough


def test_a_period_with_more_than_ten_alarms_is_a_flood() -> None:
    ten = [entry(n, Cause.ANNUNCIATED, occurrence=n) for n in range(10)]
    eleven = [entry(HOUR + n, Cause.ANNUNCIATED, occurrence=20 + n) for n in range(11)]
    found = assess(*ten, *eleven, days=1)
    assert found.most_in_10_min == 11
    assert found.periods_flooded_percent == pytest.approx(100 / 144)


def test_the_most_frequent_come_first_and_priorities_stand_beside_the_usual() -> None:
    found = assess(
        *(entry(n, Cause.ANNUNCIATED, occurrence=n) for n in range(3)),
        entry(9, Cause.ANNUNCIATED, alarm="blind", priority="low"),
    )
    assert found.most_frequent == [
        Share(name="vat ph-high", count=3, percent=75.0),
        Share(name="vat blind", count=1, percent=25.0),
    ]
    assert [(share.name, share.count, share.usual_percent) for share in found.priorities] == [
        ("high", 3, 5.0),
        ("medium", 0, 15.0),
        ("low", 1, 80.0),
    ]


def test_what_stands_for_more_than_a_day_is_stale() -> None:
    short = [entry(0, Cause.ANNUNCIATED), entry(DAY, Cause.RETURNED)]
    assert assess(*short).stale == []
    assert assess(short[0], entry(DAY + 1, Cause.RETURNED)).stale == ["vat ph-high"]
    acknowledged = assess(short[0], entry(MINUTE, Cause.ACKNOWLEDGED), days=2)
    assert (acknowledged.stale, acknowledged.standing) == (["vat ph-high"], ["vat ph-high"])
    assert assess(short[0], entry(DAY + 1, Cause.RETURNED), since_s=3 * DAY).stale == []


def test_answers_are_timed_from_the_annunciation_of_the_same_occurrence() -> None:
    found = assess(
        entry(0, Cause.ANNUNCIATED),
        entry(100, Cause.ACKNOWLEDGED),
        entry(1000, Cause.ANNUNCIATED, occurrence=2),
        entry(1300, Cause.ACKNOWLEDGED, occurrence=2),
        entry(2000, Cause.ANNUNCIATED, occurrence=3),
        entry(3000, Cause.RETURNED, occurrence=3),
    )
    assert found.answers == performance.AcknowledgementTimes(
        acknowledged=2, median_s=200.0, longest_s=300.0, unanswered=1
    )


def test_what_quiet_hours_held_counts_as_an_alarm_when_it_annunciates() -> None:
    held = entry(0, Cause.ANNUNCIATED, annunciates=False, held=True)
    never = assess(held, entry(60, Cause.RETURNED, held=True))
    assert (never.annunciated, never.held) == (0, 1)
    later = assess(held, entry(3600, Cause.RELEASED, annunciates=True), entry(3660, Cause.ACKNOWLEDGED))
    assert (later.annunciated, later.held, later.answers.median_s) == (1, 0, 60.0)


def test_covers_are_counted_and_named_at_the_end() -> None:
    found = assess(entry(0, Cause.ANNUNCIATED), entry(60, Cause.SHELVED))
    assert (found.covers["shelved"], found.shelved, found.standing, found.stale) == (1, ["vat ph-high"], [], [])


def chattered(values: list[float], every_s: float = 10.0) -> int:
    times = (np.arange(len(values)) * every_s * US).astype(np.int64)
    return performance.chatters(performance.crossings(raw_alarm(setpoint=4.6), times, np.array(values)))


def test_three_crossings_within_a_minute_are_chattering() -> None:
    assert chattered([4.5, 4.7, 4.5]) == 0
    assert chattered([4.5, 4.7, 4.5, 4.7]) == 1
    assert chattered([4.5, 4.7, 4.7, 4.7, 4.5, 4.5, 4.5, 4.7]) == 1  # the third crossing 60 s after the first
    assert chattered([4.5, 4.7, 4.7, 4.7, 4.5, 4.5, 4.5, 4.5, 4.7]) == 0  # 70 s
    assert chattered([4.5, 4.7] * 20) == 1
    assert chattered([4.5, 4.7] * 3 + [4.5] * 20 + [4.5, 4.7] * 3) == 2
    assert chattered([4.5, float("nan"), 4.7, 4.5, float("nan"), 4.7]) == 1


def test_a_low_alarm_is_crossed_the_other_way_and_on_its_setpoint() -> None:
    low = raw_alarm(AlarmKind.PH_LOW, 4.0)
    times = np.arange(3) * 10 * US
    assert performance.crossings(low, times, np.array([4.1, 4.0, 4.1])).tolist() == [10 * US, 20 * US]


def test_slow_polls_cannot_show_chattering() -> None:
    assert [performance.can_chatter(poll_s) for poll_s in (1.0, 20.0, 20.5)] == [True, True, False]
