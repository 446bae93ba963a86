"""Condition of a probe in the words of NAMUR NE 107."""

from logger.config import Health
from logger.structs import Struct


class Finding(Struct, frozen=True, kw_only=True):
    """What was found, in one sentence with what to do, and the status it puts the probe in."""

    status: Health
    text: str
