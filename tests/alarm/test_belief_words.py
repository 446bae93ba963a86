"""Sentences of belief."""

from dataclasses import fields

import numpy as np
import pytest

from logger.alarm.belief_words import Evidence, ago, sentence
from logger.model import LEADING, Belief, CheckKind, Measurements, Quality, Reason
from logger.model import QualityTests as Against
from logger.structs import replace
from tests.series import EPOCH_US, calibration, check

MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US
NIGHT_US = EPOCH_US + 5 * HOUR_US + 60 * MINUTE_US
"""2026-11-25T00:00:00Z."""
CHECK = replace(check(0.01), at_us=NIGHT_US - 31 * HOUR_US)
SPOT = replace(check(-0.03, reference_ph=4.74, kind=CheckKind.SPOT), at_us=NIGHT_US - 9 * HOUR_US)
MADE = replace(calibration(), at_us=NIGHT_US - 5 * 24 * HOUR_US)
WHOLE = Evidence(calibration=MADE, check=CHECK, spot=SPOT)


def record(
    tests: Against = Against.NONE,
    *,
    belief: Belief = Belief.NOT_BELIEVED,
    reason: Reason = Reason.NONE,
    minutes: int = 0,
) -> Measurements:
    """Return one record at midnight, whose verdict is so many minutes old."""
    columns = {f.name: np.zeros(1, dtype=np.int64) for f in fields(Measurements)}
    facts: dict[str, int] = {
        "tests": tests,
        "belief": belief,
        "reason": reason,
        "at_us": NIGHT_US,
        "quality": Quality.PASS,
    }
    told = {name: np.array([int(value)]) for name, value in facts.items()}
    return Measurements(**{**columns, **told, "since_at_us": np.array([NIGHT_US - minutes * MINUTE_US])})


BELIEVED = record(belief=Belief.BELIEVED)


@pytest.mark.parametrize(
    ("evidence", "grounds"),
    [
        (WHOLE, "checked 31 h ago, spot check 9 h ago agrees 4.71 / 4.74"),
        (Evidence(calibration=MADE, check=CHECK), "checked 31 h ago"),
        (Evidence(calibration=MADE, spot=SPOT), "calibrated 5 d ago, spot check 9 h ago agrees 4.71 / 4.74"),
        (Evidence(calibration=MADE), "calibrated 5 d ago and not checked since"),
        (
            replace(WHOLE, check=replace(CHECK, deviation_ph=0.12, passed=False)),
            "checked 31 h ago and found off by +0.12, spot check 9 h ago agrees 4.71 / 4.74",
        ),
        (
            replace(WHOLE, spot=replace(SPOT, reading_ph=4.44, passed=False)),
            "checked 31 h ago, spot check 9 h ago DISAGREES 4.44 / 4.74",
        ),
    ],
)
def test_a_believed_reading_says_what_it_rests_on(evidence: Evidence, grounds: str) -> None:
    assert sentence(BELIEVED, evidence) == f"Believed: nothing speaks against the probe, {grounds}"


def test_a_sentence_for_a_hub_names_moments_so_that_it_stays_the_same_until_something_happens() -> None:
    grounds = "checked 2026-11-23 17:00 UTC, spot check 2026-11-24 15:00 UTC agrees 4.71 / 4.74"
    assert sentence(BELIEVED, WHOLE, steady=True) == f"Believed: nothing speaks against the probe, {grounds}"
    began = record(Against.JUMPED, minutes=7)
    later = replace(began, at_us=began.at_us + 90 * HOUR_US)
    assert sentence(began, WHOLE, steady=True).endswith("is lost, since 2026-11-24 23:53 UTC")
    assert sentence(began, WHOLE, steady=True) == sentence(later, WHOLE, steady=True)


def test_nobody_says_that_nothing_speaks_against_a_probe_before_a_window_has_told() -> None:
    early = record(Against.UNWITNESSED, belief=Belief.BELIEVED)
    assert sentence(early, WHOLE).startswith("Believed: watched for too short a time to tell more, checked")


def test_a_probe_that_is_doubted_is_believed_and_says_so() -> None:
    for doubted in (Against.DOUBTED, Against.DOUBTED | Against.UNWITNESSED):
        told = sentence(record(doubted, belief=Belief.BELIEVED), WHOLE)
        assert told.startswith("Believed: though doubted (temperature or thermometer is odd), checked 31 h ago, spot")


def test_a_probe_without_trust_says_by_what_and_which_probe_is_judged() -> None:
    alone, by_second = record(Against.JUMPED), record(Against.JUMPED | Against.BY_SECOND_PROBE)
    lost = "Not believed: the reading jumped as no vat does, so trust in the probe is lost"
    assert sentence(alone, WHOLE) == f"{lost}, since 00:00 UTC (0 min)"
    assert sentence(by_second, WHOLE) == f"{lost} (alarms judge the second probe), since 00:00 UTC (0 min)"


LONGEST = 300
"""As the schema of a measurement says."""


def test_no_sentence_is_longer_than_is_declared() -> None:
    check_ = replace(CHECK, deviation_ph=-0.12, passed=False, at_us=NIGHT_US - 71 * HOUR_US)
    spot = replace(SPOT, reading_ph=4.44, passed=False, at_us=NIGHT_US - 71 * HOUR_US)
    whole = Evidence(calibration=MADE, check=check_, spot=spot)
    marks = Against.OWN_PH | Against.ASSUMED_TEMPERATURE | Against.OUTSIDE_BUFFERS | Against.DOUBTED
    told = [sentence(record(marks, belief=Belief.BELIEVED), whole)]
    told += [sentence(record(test | Against.BY_SECOND_PROBE, minutes=40_000), whole) for test in LEADING]
    told += [sentence(record(marks, belief=Belief.BELIEVED), whole, steady=True)]
    assert max(map(len, told)) <= LONGEST


def test_a_reading_beyond_the_buffers_says_so() -> None:
    beyond = record(Against.OUTSIDE_BUFFERS, belief=Belief.BELIEVED)
    assert sentence(beyond, Evidence(calibration=MADE)).endswith(", beyond the calibration's buffers")


@pytest.mark.parametrize(
    ("made", "told"),
    [
        (
            record(Against.OUT_OF_LIQUID | Against.JUMP, minutes=38),
            "Not believed: the probe seems to hang in air, so trust in it is lost, since 2026-11-24 23:22 UTC (38 min)",
        ),
        (
            record(Against.ATTENDED),
            "Not believed: somebody works on the probe or has it out of the vat, since 00:00 UTC (0 min)",
        ),
        (
            record(Against.FLAT_LINE, belief=Belief.SUSPECT, minutes=121),
            "Suspect: the reading is frozen, since 2026-11-24 21:59 UTC (2 h)",
        ),
        (
            record(reason=Reason.TIMEOUT, minutes=5),
            "Not believed: no reading, no reply in time, since 2026-11-24 23:55 UTC (5 min)",
        ),
    ],
)
def test_what_is_not_believed_says_why_and_since_when(made: Measurements, told: str) -> None:
    assert sentence(made, WHOLE) == told


def test_every_test_that_can_lead_has_words() -> None:
    for test in LEADING:
        assert sentence(record(test), WHOLE).startswith("Not believed: ")


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(-5, "0 min"), (59, "0 min"), (7199, "119 min"), (7200, "2 h"), (72 * 3600 - 1, "71 h"), (72 * 3600, "3 d")],
)
def test_an_age_is_never_rounded_up_nor_negative(seconds: int, words: str) -> None:
    assert ago(NIGHT_US - seconds * 1_000_000, NIGHT_US) == words
