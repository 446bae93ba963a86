"""Limits the rate of inbound commands and of journalled refusals.

Law: a flood costs the journal and the inbox a bounded number of rows in any minute; the rest is counted, and the count
is journalled. A malformed command uses up nothing of the limit of well-formed ones. No clock: time is an argument
(steady, in real microseconds).

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
"""Refusals that are journalled one by one: enough to see who sends what (common practice, no source)."""
COMMANDS_A_MINUTE = 60
"""Commands that are accepted: nobody presses more buttons, a broken sender does (common practice, no source)."""


@dataclass(slots=True)
class _Allowance:
    """A number within any minute."""

    most: int
    taken_us: deque[int] = field(default_factory=deque)

    def take(self, now_us: int) -> bool:
        """Use up one; tell whether any was left."""
        while self.taken_us and now_us - self.taken_us[0] >= MINUTE_US:
            self.taken_us.popleft()
        if len(self.taken_us) >= self.most:
            return False
        self.taken_us.append(now_us)
        return True


@dataclass(slots=True)
class RateLimit:
    """Rate limiter for inbound commands and journalled refusals. Used by the main loop only."""

    _commands: _Allowance = field(default_factory=lambda: _Allowance(COMMANDS_A_MINUTE))
    _refusals: _Allowance = field(default_factory=lambda: _Allowance(REFUSALS_A_MINUTE))
    _uncounted: int = 0
    _since_us: int = 0

    def admit(self, command: T, now_us: int) -> T | None:
        """Return the command, or the entry of a refusal, if the limit allows it; else count it and return None."""
        allowance = self._refusals if isinstance(command, Entry) else self._commands
        if allowance.take(now_us):
            return command
        self._since_us = self._since_us if self._uncounted else now_us
        self._uncounted += 1
        return None

    def tally(self, now_us: int, *, at_us: int, last: bool = False) -> Entry | None:
        """Return a journal entry with the count of the rest, once a minute (`last`: now), at that UTC; None: none."""
        if not self._uncounted or (now_us - self._since_us < MINUTE_US and not last):
            return None
        count, self._uncounted = self._uncounted, 0
        text = (
            f"{count} more commands over MQTT were refused and not written down: only {REFUSALS_A_MINUTE} refusals and "
            f"{COMMANDS_A_MINUTE} commands a minute are; find out who sends them"
        )
        return Entry(seq=0, at_us=at_us, vat="", cause=Cause.REFUSED, by="mqtt", text=text)
