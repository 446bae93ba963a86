"""Quiet hours and the time of the summary on the clock of a house, also in the two nights of daylight saving."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.alarm import quiet_hours
from logger.config import PeopleConfig, Priority, QuietConfig

LISBON = "Europe/Lisbon"
"""2026: forward on 29 March at 01:00 UTC, back on 25 October at 01:00 UTC (Directive 2000/84/EC, articles 2 and 3)."""
HOUR_US = 3600 * 10**6


def us(text: str) -> int:
    return (datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def people(begin: str, end: str, zone: str = LISBON) -> PeopleConfig:
    minutes = [int(hour) * 60 + int(minute) for hour, minute in (text.split(":") for text in (begin, end))]
    return PeopleConfig(zone=zone, quiet=QuietConfig(begin_min=minutes[0], end_min=minutes[1]), digest_min=minutes[1])


@pytest.mark.parametrize(
    ("at", "quiet"),
    [
        ("2026-11-24T21:59:59+00:00", False),
        ("2026-11-24T22:00:00+00:00", True),
        ("2026-11-25T06:59:59+00:00", True),
        ("2026-11-25T07:00:00+00:00", False),
        ("2026-07-24T20:59:59+00:00", False),  # in summer an hour earlier by UTC
        ("2026-07-24T21:00:00+00:00", True),
    ],
)
def test_quiet_hours_begin_at_their_minute_and_end_before_the_last(at: str, *, quiet: bool) -> None:
    assert quiet == (quiet_hours.quiet_span(people("22:00", "07:00"), us(at)).audible == frozenset({Priority.HIGH}))


@pytest.mark.parametrize(
    ("day", "end", "ends", "lasts_h"),
    [
        ("2026-03-28", "07:00", "2026-03-29T06:00:00+00:00", 8),  # forward: an hour is missing
        ("2026-10-24", "07:00", "2026-10-25T07:00:00+00:00", 10),  # back: an hour comes twice
        # 01:30 does not exist that night: the offset before the gap counts, so 02:30 summer time (RFC 5545, 3.3.5).
        ("2026-03-28", "01:30", "2026-03-29T01:30:00+00:00", 3.5),
        # 01:30 comes twice that night: the first counts (RFC 5545, 3.3.5), and quiet hours do not begin again.
        ("2026-10-24", "01:30", "2026-10-25T00:30:00+00:00", 3.5),
    ],
)
def test_a_night_of_daylight_saving_has_one_span_of_quiet_hours(day: str, end: str, ends: str, lasts_h: float) -> None:
    begin = datetime.fromisoformat(f"{day}T22:00:00").replace(tzinfo=ZoneInfo(LISBON)).astimezone(UTC)
    found = quiet_hours.quiet_span(people("22:00", end), us(begin.isoformat()))
    assert (us(ends), lasts_h) == (found.end_us, (found.end_us - found.begin_us) / HOUR_US)
    after = quiet_hours.quiet_span(people("22:00", end), found.end_us)
    assert (after.audible, after.begin_us) == (None, found.end_us)
    assert (after.end_us - after.begin_us) / HOUR_US > 12


@given(at=st.integers(us("2026-01-01T00:00:00+00:00"), us("2027-12-31T00:00:00+00:00")))
def test_every_moment_lies_in_its_span_and_spans_alternate(at: int) -> None:
    rules = people("22:00", "07:00")
    found = quiet_hours.quiet_span(rules, at)
    assert found.begin_us <= at < found.end_us
    following = quiet_hours.quiet_span(rules, found.end_us)
    assert (found.end_us, found.audible is None) == (following.begin_us, following.audible is not None)


@given(at=st.integers(us("2026-01-01T00:00:00+00:00"), us("2027-12-31T00:00:00+00:00")))
def test_summaries_are_a_day_apart_give_or_take_the_hour(at: int) -> None:
    last, due = quiet_hours.digest_due(people("22:00", "01:30"), at)
    assert last <= at < due
    assert (due - last) / HOUR_US in (23, 24, 25)


def test_quiet_hours_may_lie_in_one_day_and_in_another_zone() -> None:
    nap = PeopleConfig(quiet=QuietConfig(begin_min=13 * 60, end_min=15 * 60, zone="Asia/Kolkata"))
    found = quiet_hours.quiet_span(nap, us("2026-05-05T08:00:00+00:00"))  # UTC+05:30
    assert (us("2026-05-05T07:30:00+00:00"), us("2026-05-05T09:30:00+00:00")) == (found.begin_us, found.end_us)


def test_without_quiet_hours_everything_annunciates_always() -> None:
    assert quiet_hours.quiet_span(PeopleConfig(), us("2026-05-05T03:00:00+00:00")) == quiet_hours.ALWAYS


def test_a_time_is_said_with_its_zone_and_its_day_when_that_is_long_ago() -> None:
    house = PeopleConfig(zone="Europe/Paris")
    at = us("2026-11-25T02:05:00+00:00")
    assert (quiet_hours.clock_time(at, house), quiet_hours.clock_time(at, PeopleConfig())) == ("03:05 CET", "02:05 UTC")
    assert quiet_hours.clock_time(at, house, now_us=at + 20 * HOUR_US) == "25 Nov 03:05 CET"
