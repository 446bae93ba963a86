"""Limits the rate of inbound commands and of journalled refusals.

Law: a flood costs the journal and the inbox a bounded number of rows in any minute; the rest is counted, and the count
is journalled: that there is one at once, how many once a minute, so that a kill loses the number of a minute at most.
No kind of command uses up what is allowed of another. No clock: time is an argument (steady, in real microseconds).

In any minute of real time 20 refusals and 60 answers to alarms (acknowledge, shelve, unshelve); of all other commands
300 in any five minutes, for what was noted while the daemon was away comes at once. Three allowances, so that neither
rubbish nor notes shut an acknowledgement out; well-formed ones are bounded too, for each costs an inbox row, an answer
and a journal row, also when replayed.
"""

from collections import deque
from typing import TypeVar

from logger.model import Cause, Command, CommandKind, Entry
from logger.mqtt.commands import SpotReport
from logger.structs import Struct, field
from logger.units import MINUTE_US

T = TypeVar("T")
REFUSALS_A_MINUTE = 20
"""Refusals that are journalled one by one: enough to see who sends what (common practice, no source)."""
ANSWERS_A_MINUTE = 60
"""Answers to alarms that are accepted: nobody presses more, a broken sender does (common practice, no source)."""
OTHERS_AT_ONCE, OTHERS_WITHIN_US = 300, 5 * MINUTE_US
"""Notes, marks and the like that are accepted (common practice, no source)."""
_ANSWERS = (CommandKind.ACKNOWLEDGE, CommandKind.SHELVE, CommandKind.UNSHELVE)


class _Allowance(Struct):
    """A number within any span of so long."""

    most: int
    within_us: int = MINUTE_US
    taken_us: deque[int] = field(default_factory=deque)

    def take(self, now_us: int) -> bool:
        """Use up one; tell whether any was left."""
        while self.taken_us and now_us - self.taken_us[0] >= self.within_us:
            self.taken_us.popleft()
        if len(self.taken_us) >= self.most:
            return False
        self.taken_us.append(now_us)
        return True


class RateLimit(Struct):
    """Rate limiter for inbound commands and journalled refusals. Used by the main loop only."""

    _answers: _Allowance = field(default_factory=lambda: _Allowance(ANSWERS_A_MINUTE))
    _others: _Allowance = field(default_factory=lambda: _Allowance(OTHERS_AT_ONCE, OTHERS_WITHIN_US))
    _refusals: _Allowance = field(default_factory=lambda: _Allowance(REFUSALS_A_MINUTE))
    _uncounted: int = 0
    _told_us: int | None = None

    def admit(self, command: T, now_us: int, *, can_wait: bool = False) -> T | None:
        """Return the command, or the entry of a refusal, if the limit allows it; else None, counted unless it waits."""
        if self._allowance(command).take(now_us):
            return command
        self._uncounted += not can_wait
        return None

    def _allowance(self, command: object) -> _Allowance:
        if isinstance(command, Entry):
            return self._refusals
        is_other = isinstance(command, SpotReport) or (isinstance(command, Command) and command.kind not in _ANSWERS)
        return self._others if is_other else self._answers

    def tally(self, now_us: int, *, at_us: int, last: bool = False) -> Entry | None:
        """Return a journal entry with the count of the rest, once a minute (`last`: now), at that UTC; None: none."""
        is_early = self._told_us is not None and now_us - self._told_us < MINUTE_US
        if not self._uncounted or (is_early and not last):
            return None
        count, self._uncounted, self._told_us = self._uncounted, 0, now_us
        text = (
            f"{count} more commands over MQTT were refused and not written down: only {REFUSALS_A_MINUTE} refusals and "
            f"{ANSWERS_A_MINUTE} answers to alarms a minute and {OTHERS_AT_ONCE} other commands in five are; find out "
            "who sends them"
        )
        return Entry(seq=0, at_us=at_us, vat="", cause=Cause.REFUSED, by="mqtt", text=text)
