"""Local time on screens, also in the two nights of daylight saving."""

from datetime import UTC, datetime, timedelta

import pytest

from logger.config import PeopleConfig
from logger.report.local_time import LocalTime

# 2026: forward on 29 March at 01:00 UTC, back on 25 October at 01:00 UTC (Directive 2000/84/EC, articles 2 and 3).
# Each expected text by GNU date: TZ=Europe/Lisbon date -d 2026-03-29T01:00:00Z '+%F %T %Z %:z'
NIGHTS = [
    ("2026-03-29T00:59:59Z", "2026-03-29 00:59:59 WET", "+00:00"),
    ("2026-03-29T01:00:00Z", "2026-03-29 02:00:00 WEST", "+01:00"),
    ("2026-10-25T00:30:00Z", "2026-10-25 01:30:00 WEST", "+01:00"),
    ("2026-10-25T01:30:00Z", "2026-10-25 01:30:00 WET", "+00:00"),
]


def us(text: str) -> int:
    return (datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


@pytest.mark.parametrize(("utc", "shown", "offset"), NIGHTS)
def test_the_clock_on_the_wall_says_which_of_two_equal_hours_it_means(utc: str, shown: str, offset: str) -> None:
    clock = LocalTime.of(PeopleConfig(zone="Europe/Lisbon"))
    assert clock.shown(us(utc)) == shown
    assert clock.iso(us(utc) + 25) == f"{shown[:19].replace(' ', 'T')}.000025{offset}"


def test_without_a_zone_and_where_it_is_asked_for_it_is_utc() -> None:
    at = us("2026-11-25T02:10:00Z")
    wanted = "2026-11-25 02:10:00 UTC"
    assert LocalTime.of(PeopleConfig()).shown(at) == wanted
    assert LocalTime.of(PeopleConfig(zone="Europe/Paris"), utc=True).shown(at) == wanted
