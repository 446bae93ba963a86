"""Who is notified, when and in which local time, from the file."""

from pathlib import Path

from logger.config import PeopleConfig, Priority, QuietConfig
from tests.settings.files import WHOLE, loaded


def people(file: Path, text: str) -> PeopleConfig:
    return loaded(file, WHOLE + text).vats[0].people


def test_without_a_word_texts_are_in_utc_and_no_hour_is_quiet(file: Path) -> None:
    assert people(file, "") == PeopleConfig(zone="UTC", quiet=None, digest_min=None)


def test_quiet_hours_wake_for_high_priority_and_end_with_a_summary(file: Path) -> None:
    assert people(file, '[people]\nzone = "Europe/Lisbon"\n[quiet]\nfrom = "22:00"\nto = "07:30"\n') == PeopleConfig(
        zone="Europe/Lisbon", quiet=QuietConfig(begin_min=1320, end_min=450), digest_min=450
    )


def test_every_key_can_be_written(file: Path) -> None:
    text = '[quiet]\nfrom = "13:00"\nto = "15:00"\nwakes = ["high", "medium"]\nzone = "Asia/Tokyo"\n'
    wakes = (Priority.HIGH, Priority.MEDIUM)
    quiet = QuietConfig(begin_min=780, end_min=900, wakes=wakes, zone="Asia/Tokyo")
    assert people(file, text + '[digest]\nat = "08:05"\n') == PeopleConfig(zone="UTC", quiet=quiet, digest_min=485)
