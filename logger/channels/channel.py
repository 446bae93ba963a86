"""Decides when the program of a channel is run, and for which event: order, retries, giving up.

Law: the events that a channel wants, in their order, each until a run for it succeeds, until the tries are used up or,
where the channel only stands in for the broker, until that has it. When an event is given up the journal says so, once
until a run succeeds. No clock: time is an argument (steady, in real microseconds).

A channel hears of an event by the same outbox as the broker, so a restart forgets none; that it took one is an
append-only row of its own, for the outbox row has its one completion left for the broker. What it could not bring out
is tried anew after a restart; where it is a way of its own, also once more when a run succeeds again, for a network may
be away for hours, and one bad message must not block the others for ever. The order is kept through failures, since
"returned" before "annunciated" would mislead: a bad program holds up what waits behind it for at most `retries` runs.
Only what quiet hours hold lets later events pass. Its own failure is told with medium priority, or it would call
itself. A program that leaves its process group on purpose, or outlives a SIGKILL of the daemon, is the service
manager's to kill.
"""

import logging
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import islice

import msgspec

from logger.channels.process import Program, Runner, RunResult
from logger.errors import ThreadCrash
from logger.model import Cause, Entry, Event
from logger.structs import Struct
from logger.units import SECOND_US
from logger.watch.rehearsal import TEST

log = logging.getLogger(__name__)

FIRST_RETRY_US = 5 * SECOND_US
LONGEST_RETRY_US = 60 * SECOND_US
_IDS_REMEMBERED = 4096


def _at_once(_event: Event) -> float:
    return 0.0


class _PendingRun(Struct, kw_only=True):
    """An event that waits, when its run is due, and how many runs for it failed."""

    event: Event
    due_us: int
    tries: int = 0
    was_given_up: bool = False


@dataclass(slots=True, kw_only=True)
class Channel:
    """One way out: its queue of events and their tries. `runner` only posts results."""

    program: Program
    wants: Callable[[Event], bool]
    retries: int
    spared: bool
    """It stands in for the broker: what that has is not sent."""
    after_s: float = 0.0
    """How long the broker is given."""
    held_s: Callable[[Event], float] = _at_once
    """How long (real seconds) quiet hours hold an event."""
    failed: Cause
    """The cause of the entry that tells that an event was given up."""
    subject: str
    """What that entry calls the channel."""
    remedy: str
    post: Callable[[RunResult | ThreadCrash], None]
    runner: Runner = field(init=False)
    trouble: str = ""
    """Why the newest run failed; empty: it did not."""
    _waiting: deque[_PendingRun] = field(default_factory=deque)
    _given_up: list[Event] = field(default_factory=list)
    _running: _PendingRun | None = None
    _failing: bool = False
    _offered_ids: OrderedDict[str, None] = field(default_factory=OrderedDict)
    _taken: list[Event] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Prepare the thread; nothing runs before it is started."""
        self.runner = Runner(program=self.program, post=self.post)

    @property
    def id(self) -> str:
        """Return the name by which the store and results know it."""
        return self.program.channel

    def offer(self, events: Iterable[Event], now_us: int, *, waited_s: float = 0.0) -> None:
        """Queue those of these events that it wants; the time that they have waited already is counted."""
        for event in events:
            if event.id not in self._offered_ids and self.wants(event):
                wait_s = max(self.after_s, self.held_s(event)) - max(0.0, waited_s)
                self._offered_ids[event.id] = None
                self._waiting.append(_PendingRun(event=event, due_us=now_us + round(max(0.0, wait_s) * SECOND_US)))
        while len(self._offered_ids) > _IDS_REMEMBERED + len(self._waiting):
            self._offered_ids.popitem(last=False)

    def forget(self, ids: Iterable[str]) -> None:
        """Forget events that the broker has, if it stands in for that."""
        forgotten = set(ids)
        if forgotten and self.spared:
            self._waiting = deque(run for run in self._waiting if run.event.id not in forgotten)

    def pump(self, now_us: int) -> None:
        """Start a run if one is due and none is under way."""
        head = self._head()
        if head and not self._running and head.due_us <= now_us:
            self._running = head
            self.runner.submit(head.event)

    @property
    def next_due_us(self) -> int | None:
        """Return when `pump` must be called next if nothing else happens; None: not before something does."""
        head = self._head()
        return head.due_us if head and not self._running else None

    def take_taken(self) -> list[Event]:
        """Return the events whose run succeeded since the last call: mark them in the store."""
        taken, self._taken = self._taken, []
        return taken

    def on_result(self, result: RunResult, now_us: int, *, at_us: int) -> Entry | None:
        """Handle the result of a run; return what is journalled of it at that UTC, None: nothing."""
        run, self._running, self.trouble = self._running, None, result.trouble
        if run is None or run.event.id != result.event:
            raise AssertionError("one run at a time")
        if result.trouble:
            log.warning("%s failed on event %s: %s", self.program.title, result.event, result.trouble)
            return self._failed(run, result, now_us=now_us, at_us=at_us) if run in self._waiting else None
        self._failing = False
        self._taken.append(run.event)
        if run in self._waiting:  # else the broker was quicker
            self._waiting.remove(run)
        self._try_once_more(now_us)
        return self._tested(run.event, at_us=at_us)

    def _head(self) -> _PendingRun | None:
        """Return what goes next: what failed and is tried again, unless something before that is due earlier."""
        tried = next((place for place, run in enumerate(self._waiting) if run.tries), len(self._waiting))
        return min(islice(self._waiting, tried + 1), key=lambda run: run.due_us, default=None)

    def _try_once_more(self, now_us: int) -> None:
        """Put what was given up in front: the channel works again."""
        again = [_PendingRun(event=event, due_us=now_us, was_given_up=True) for event in self._given_up]
        self._waiting.extendleft(reversed(again))
        self._given_up = []

    def _failed(self, run: _PendingRun, result: RunResult, *, now_us: int, at_us: int) -> Entry | None:
        run.tries += 1
        if run.tries <= self.retries:
            run.due_us = now_us + min(FIRST_RETRY_US << min(run.tries - 1, 16), LONGEST_RETRY_US)
            return None
        self._waiting.remove(run)
        if not (self.spared or run.was_given_up):
            self._given_up.append(run.event)
        if self._failing:
            return None
        self._failing = True
        times = f"{run.tries} times" if run.tries > 1 else "once"
        text = f"{self.subject} was tried {times} in vain: {result.trouble}. {self.remedy}"
        return Entry(seq=0, at_us=at_us, vat="", cause=self.failed, priority="medium", text=text)

    def _tested(self, event: Event, *, at_us: int) -> Entry | None:
        """Return the step of the good-night test that an event's acceptance is, if it is that test's."""
        told = msgspec.json.decode(event.payload, type=_Test)
        if told.alarm != TEST or told.cause != Cause.ANNUNCIATED:
            return None
        text = f"TEST: {self.program.title} has taken the event"
        return Entry(seq=0, at_us=at_us, vat="", cause=Cause.TESTED, alarm=TEST, occurrence=told.occurrence, text=text)


class _Test(msgspec.Struct):
    alarm: str | None
    cause: str
    occurrence: int | None
