"""What is said of a check."""

import pytest

from logger.config import ErrorModel
from logger.measure import estimate
from logger.measure.check_words import sentence
from logger.model import Check, CheckKind
from tests.series import calibration, check

DAY_S = 86_400.0


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (
            check(0.021, at_s=DAY_S),
            "A check buffer was 4.00, the probe read 4.03: off by +0.02, passed (tolerance 0.05)",
        ),
        (
            check(0.061, at_s=9 * DAY_S),
            (
                "A check buffer was 4.00, the probe read 4.07: off by +0.06, failed (tolerance 0.05). Rinse and repeat;"
                " if it stays, clean the probe and calibrate it"
            ),
        ),
        (
            check(-0.021, at_s=DAY_S, kind=CheckKind.SPOT, instrument="paper strip"),
            "Paper strip read 4.00, the probe 3.98: off by -0.02, passed (tolerance 0.05)",
        ),
        (
            check(-0.021, at_s=DAY_S, kind=CheckKind.SPOT),
            "Another instrument read 4.00, the probe 3.98: off by -0.02, passed (tolerance 0.05)",
        ),
        (
            check(0.03, at_s=DAY_S, kind=CheckKind.INSTRUMENT, instrument="meter"),
            "Meter read 4.04 in a buffer of 4.00: off by +0.03, passed (tolerance 0.05)",
        ),
    ],
)
def test_a_check_is_told_in_one_sentence(made: Check, words: str) -> None:
    found = estimate.apply_check(estimate.start(calibration(), ErrorModel()), made)
    assert sentence(made, found) == words


def test_one_that_nobody_expected_says_what_to_do() -> None:
    made = check(0.5)
    told = sentence(made, estimate.apply_check(estimate.start(calibration(), ErrorModel()), made))
    assert "probe or reference? It counts" in told
    assert told.endswith("rinse, take a fresh buffer, check again, or calibrate")
