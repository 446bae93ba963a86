"""Times as people write them, on the clock of the house, also in the two nights of daylight saving."""

from datetime import UTC, datetime, timedelta

import click
import pytest

from logger.cli._times import HouseTime, at, between, given
from logger.config import PeopleConfig
from logger.report.local_time import LocalTime

# 2026: forward on 29 March at 01:00 UTC, back on 25 October at 01:00 UTC (Directive 2000/84/EC, articles 2 and 3).
LISBON = LocalTime.of(PeopleConfig(zone="Europe/Lisbon"))
PARIS = LocalTime.of(PeopleConfig(zone="Europe/Paris"))


def us(text: str) -> int:
    return (datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


MORNING = HouseTime(PARIS, us("2026-11-25T08:30:00Z"))  # 09:30 in Paris


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("22:00", "2026-11-24T21:00:00Z"),
        ("6:30", "2026-11-25T05:30:00Z"),
        ("09:30:00", "2026-11-25T08:30:00Z"),
        ("09:30:01", "2026-11-24T08:30:01Z"),
        ("today", "2026-11-24T23:00:00Z"),
        ("yesterday", "2026-11-23T23:00:00Z"),
        ("yesterday 18:15", "2026-11-24T17:15:00Z"),
        ("today 23:00", "2026-11-25T22:00:00Z"),
        ("2026-11-20", "2026-11-19T23:00:00Z"),
        ("2026-11-20 18:00", "2026-11-20T17:00:00Z"),
        ("2026-11-20T18:00:05", "2026-11-20T17:00:05Z"),
        ("2026-11-20T18:00:00Z", "2026-11-20T18:00:00Z"),
        ("2026-11-20T18:00:00-05:00", "2026-11-20T23:00:00Z"),
    ],
)
def test_a_time_is_read_on_the_clock_of_the_house(text: str, moment: str) -> None:
    assert at(given(text), MORNING) == us(moment)


@pytest.mark.parametrize(
    "text", ["", "noon", "24:00", "12:60", "tomorrow", "yesterday noon", "22", "2026-13-01", "0900"]
)
def test_what_is_no_time_is_refused_with_examples(text: str) -> None:
    with pytest.raises(click.BadParameter, match="such as 22:00, yesterday, 2026-11-24 18:00"):
        given(text)


def test_a_year_beyond_all_logs_is_refused() -> None:
    with pytest.raises(click.BadParameter, match="choose a year from 1971 to 9000"):
        given("1822-11-20")


@pytest.mark.parametrize(
    ("now", "since", "until", "begins", "ends"),
    [
        ("2026-11-25T08:30:00Z", "22:00", "06:00", "2026-11-24T21:00:00Z", "2026-11-25T05:00:00Z"),
        ("2026-11-25T22:30:00Z", "22:00", "06:00", "2026-11-25T21:00:00Z", "2026-11-26T05:00:00Z"),
        ("2026-11-25T22:30:00Z", "22:00", "23:45", "2026-11-25T21:00:00Z", "2026-11-25T22:45:00Z"),
        ("2026-11-25T08:30:00Z", "yesterday", "06:00", "2026-11-23T23:00:00Z", "2026-11-25T05:00:00Z"),
        ("2026-11-25T08:30:00Z", "yesterday", "today", "2026-11-23T23:00:00Z", "2026-11-24T23:00:00Z"),
    ],
)
def test_a_time_of_day_that_ends_a_period_lies_after_its_beginning(
    now: str, since: str, until: str, begins: str, ends: str
) -> None:
    assert between(given(since), given(until), HouseTime(PARIS, us(now))) == (us(begins), us(ends))


def test_an_end_that_is_not_given_is_none() -> None:
    assert between(None, None, MORNING) == (None, None)
    assert between(None, given("06:00"), MORNING) == (None, us("2026-11-25T05:00:00Z"))


@pytest.mark.parametrize(
    ("now", "text", "moment"),
    [
        # forward: 01:30 does not exist; the offset before the gap counts (RFC 5545, 3.3.5): 01:30 UTC, 02:30 WEST
        ("2026-03-29T08:00:00Z", "01:30", "2026-03-29T01:30:00Z"),
        ("2026-03-29T08:00:00Z", "22:00", "2026-03-28T22:00:00Z"),
        # back: 01:30 comes twice; the first counts (RFC 5545, 3.3.5), an offset says the second
        ("2026-10-25T08:00:00Z", "01:30", "2026-10-25T00:30:00Z"),
        ("2026-10-25T08:00:00Z", "2026-10-25T01:30:00+00:00", "2026-10-25T01:30:00Z"),
        ("2026-10-25T08:00:00Z", "22:00", "2026-10-24T21:00:00Z"),
        ("2026-10-25T08:00:00Z", "yesterday", "2026-10-23T23:00:00Z"),
    ],
)
def test_a_night_of_daylight_saving_is_read_as_quiet_hours_are(now: str, text: str, moment: str) -> None:
    assert at(given(text), HouseTime(LISBON, us(now))) == us(moment)
