"""Say a moment as the clock on the wall says it: in the time zone of [people], or in UTC.

Law: pure. What is stored and what scripts read stays in UTC; local time is made when it is shown, here and nowhere
else. Each time carries its zone, so the hour that a night of daylight saving has twice is never ambiguous.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Self
from zoneinfo import ZoneInfo

from logger.config import PeopleConfig
from logger.units import SECOND_US

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class LocalTime:
    """The clock of one time zone."""

    zone: tzinfo

    @classmethod
    def of(cls, people: PeopleConfig, *, utc: bool = False) -> Self:
        """Return the clock of these people; `utc`: that of UTC all the same."""
        return cls(UTC if utc else ZoneInfo(people.zone))

    def shown(self, at_us: int) -> str:
        """Return UTC microseconds for a screen, without what is below a second: `2026-11-25 03:10:00 CET`."""
        moment = self.moment(at_us)
        return f"{moment:%Y-%m-%d %H:%M:%S} {moment.tzname()}"

    def shown_text(self, rfc3339: str) -> str:
        """Return a time that is already written by RFC 3339, for a screen."""
        return self.shown((datetime.fromisoformat(rfc3339) - _EPOCH) // _MICROSECOND)

    def iso(self, at_us: int) -> str:
        """Return UTC microseconds for a table, to the microsecond: `2026-11-25T03:10:00.000000+01:00` (RFC 3339)."""
        return self.moment(at_us).replace(microsecond=at_us % SECOND_US).isoformat(timespec="microseconds")

    def moment(self, at_us: int) -> datetime:
        """Return the local time of UTC microseconds, to the second."""
        return datetime.fromtimestamp(at_us // SECOND_US, self.zone)
