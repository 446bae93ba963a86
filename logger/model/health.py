"""Condition of a probe in the words of NAMUR NE 107."""

from dataclasses import dataclass
from enum import StrEnum


class Health(StrEnum):
    """Status signals of NE 107, worst first."""

    FAILURE = "failure"
    FUNCTION_CHECK = "function-check"
    OUT_OF_SPECIFICATION = "out-of-specification"
    MAINTENANCE_REQUIRED = "maintenance-required"
    GOOD = "good"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What was found, in one sentence with what to do, and the status it puts the probe in."""

    status: Health
    text: str
