"""How many commands of the broker are let in, and how many refusals are written down.

Law: whatever floods us costs the journal and the inbox a bounded number of rows in any minute; what is not written down
is counted, and the count is. What is refused for its form uses up nothing of what well-formed commands are granted. No
clock: time is an argument (steady, in real microseconds).

In any minute of real time 20 refusals and 60 well-formed commands. Two allowances, so that rubbish shuts no
acknowledgement out; well-formed ones are bounded too, for each costs an inbox row, an answer and a journal row, also
when replayed.
"""

from collections import deque
from dataclasses import dataclass, field
from typing import TypeVar

from logger.model import Cause, Entry
from logger.units import MINUTE_US

T = TypeVar("T")
REFUSALS_A_MINUTE = 20
"""Refusals that are journalled one by one: enough to see who sends what. [CP]"""
COMMANDS_A_MINUTE = 60
"""Commands that are let in: nobody presses more buttons, a sender that has gone mad does. [CP]"""


@dataclass(slots=True)
class _Allowance:
    """So many within any minute."""

    most: int
    taken_us: deque[int] = field(default_factory=deque)

    def take(self, now_us: int) -> bool:
        """Take one of what is left; tell whether any was."""
        while self.taken_us and now_us - self.taken_us[0] >= MINUTE_US:
            self.taken_us.popleft()
        if len(self.taken_us) >= self.most:
            return False
        self.taken_us.append(now_us)
        return True


@dataclass(slots=True)
class RateLimit:
    """Stands between what the hub asks and what is written of it. Used by the main loop only."""

    _commands: _Allowance = field(default_factory=lambda: _Allowance(COMMANDS_A_MINUTE))
    _refusals: _Allowance = field(default_factory=lambda: _Allowance(REFUSALS_A_MINUTE))
    _uncounted: int = 0
    _since_us: int = 0

    def admit(self, asked: T, now_us: int) -> T | None:
        """Return what is asked for, or the entry of a refusal, if there is room for it; else count it."""
        allowance = self._refusals if isinstance(asked, Entry) else self._commands
        if allowance.take(now_us):
            return asked
        self._since_us = self._since_us if self._uncounted else now_us
        self._uncounted += 1
        return None

    def tally(self, now_us: int, *, at_us: int, last: bool = False) -> Entry | None:
        """Return the count of what was not written down, once a minute (`last`: now), at that UTC; None: nothing."""
        if not self._uncounted or (now_us - self._since_us < MINUTE_US and not last):
            return None
        count, self._uncounted = self._uncounted, 0
        text = (
            f"{count} more commands over MQTT were refused and not written down: only {REFUSALS_A_MINUTE} refusals and "
            f"{COMMANDS_A_MINUTE} commands a minute are; find out who sends them"
        )
        return Entry(seq=0, at_us=at_us, vat="", cause=Cause.REFUSED, by="mqtt", text=text)
