"""What is made of a reading before any process alarm looks at it."""

from dataclasses import dataclass
from enum import IntEnum

from logger.model.records import QualityTests


class Belief(IntEnum):
    """What a value may do: a doubtful one may raise a process alarm but never clears one; a silent one does neither."""

    BELIEVED = 0
    SUSPECT = 1
    NOT_BELIEVED = 2

    @property
    def word(self) -> str:
        """Say it as outputs spell it: believed, suspect or not-believed."""
        return _WORDS[self]


_WORDS = {Belief.BELIEVED: "believed", Belief.SUSPECT: "suspect", Belief.NOT_BELIEVED: "not-believed"}

LEADING = (
    QualityTests.ATTENDED,
    QualityTests.NOT_BACK,
    QualityTests.UNCALIBRATED,
    QualityTests.OUT_OF_LIQUID,
    QualityTests.ERRATIC,
    QualityTests.TEMPERATURE,
    QualityTests.GROSS_RANGE,
    QualityTests.FLAT_LINE,
    QualityTests.JUMP,
    QualityTests.RATE_OF_CHANGE,
)
"""Tests that speak against a reading, the one first that explains the others: a verdict names the first that spoke."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BeliefSince:
    """The verdict on the newest record, and since when it has been the same for the same reason."""

    code: int
    """Belief and leading reason in one number; see `measure/belief.py`."""
    since_at_us: int
    """UTC of the first record of that verdict and reason."""
