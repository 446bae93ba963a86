"""Times and ages for a person."""

import pytest

from logger.report.words import age, moment, names_of_tests


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (-3, "0 s"),
        (0, "0 s"),
        (59.99, "59 s"),
        (60, "1 min"),
        (3599, "59 min"),
        (3600, "1 h 0 min"),
        (86399, "23 h 59 min"),
        (86400, "1 d 0 h"),
        (190_000, "2 d 4 h"),
    ],
)
def test_an_age_names_its_two_largest_units_and_is_never_rounded_up(seconds: float, words: str) -> None:
    assert age(seconds) == words


def test_a_moment_is_rfc_3339_in_utc() -> None:
    # By GNU date: date -u -d @1795572600 +%FT%TZ
    assert moment(1_795_572_600_999_999) == "2026-11-25T02:10:00Z"


def test_tests_are_named_as_qartod_names_them() -> None:
    assert names_of_tests(1 | 8 | 64) == ["gross-range", "flat-line", "uncalibrated"]
