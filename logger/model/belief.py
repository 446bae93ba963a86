"""What is made of a reading before any process alarm looks at it."""

from dataclasses import dataclass
from enum import IntEnum

from logger.model.records import Tests


class Belief(IntEnum):
    """What a value may do: a doubtful one may raise a process alarm but never clears one; a silent one does neither."""

    BELIEVED = 0
    DOUBTFUL = 1
    SILENT = 2

    @property
    def word(self) -> str:
        """Say it as outputs spell it: believed, suspect or not-believed."""
        return _WORDS[self]


_WORDS = {Belief.BELIEVED: "believed", Belief.DOUBTFUL: "suspect", Belief.SILENT: "not-believed"}

LEADING = (
    Tests.ATTENDED,
    Tests.NOT_BACK,
    Tests.UNCALIBRATED,
    Tests.OUT_OF_LIQUID,
    Tests.ERRATIC,
    Tests.TEMPERATURE,
    Tests.GROSS_RANGE,
    Tests.FLAT_LINE,
    Tests.JUMP,
    Tests.RATE_OF_CHANGE,
)
"""Tests that speak against a reading, the one first that explains the others: a verdict names the first that spoke."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stance:
    """The verdict on the newest record, and since when it has been the same for the same reason."""

    code: int
    """Belief and leading reason in one number; see `measure/belief.py`."""
    since_at_us: int
    """UTC of the first record of that verdict and reason."""
