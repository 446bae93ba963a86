"""Condition of a probe in the words of NAMUR NE 107."""

from dataclasses import dataclass

from logger.config import Health


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What was found, in one sentence with what to do, and the status it puts the probe in."""

    status: Health
    text: str
