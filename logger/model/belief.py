"""Belief in a reading, and since when it has been the same."""

from enum import IntEnum

from logger.model.records import QualityTests, Reason
from logger.structs import Struct


class Belief(IntEnum):
    """What a value may do: a suspect one may raise a process alarm but clears none; one not believed does neither."""

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
    QualityTests.JUMPED,
    QualityTests.NOT_BORNE_OUT,
    QualityTests.LOOSE,
    QualityTests.FROZEN,
    QualityTests.OUT_OF_LIQUID,
    QualityTests.ERRATIC,
    QualityTests.SCATTERED,
    QualityTests.TEMPERATURE,
    QualityTests.GROSS_RANGE,
    QualityTests.FLAT_LINE,
    QualityTests.JUMP,
    QualityTests.RATE_OF_CHANGE,
)
"""Tests that speak against a reading, the one first that explains the others: the first that spoke leads."""


class BeliefSince(Struct, frozen=True, kw_only=True):
    """The belief in the newest record, and since when it has been the same for the same reason."""

    belief: Belief
    test: QualityTests
    """The leading test that spoke against it; NONE: none did, or `reason` says why there is no reading."""
    reason: Reason
    """Why there is no reading, where that is what leads."""
    since_at_us: int
    """UTC of the first record of that belief and reason."""
