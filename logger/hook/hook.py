"""Decides when the executable of the second way out is run, and for which event.

Law: events of high priority that no person caused, in their order, each until a run for it succeeds, until the broker
has it, or until the tries are used up; then the journal says so, once until a run succeeds. An event that got out by
neither way is tried anew after a restart. No clock: time is an argument (steady, in real microseconds).

The hook hears of an event by the same outbox as the broker, so a restart forgets none; that it went out is a row of the
append-only `hook_delivery`, for the outbox row has its one completion left for the broker. The order is kept through
failures, since "returned" before "annunciated" would mislead: a bad executable holds up what waits behind it for at
most `retries` runs. Where there is no broker, what the executable took counts as delivered, and only urgent events are
made, so the outbox stays empty. Its own failure is told with medium priority, or it would call itself. One that leaves
its process group on purpose, or outlives a SIGKILL of the daemon, is the service manager's to kill.
"""

import logging
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Self

from logger.config import Config, HookConfig
from logger.errors import ThreadCrash
from logger.hook.runner import HookResult, Runner
from logger.model import Cause, Entry, Event
from logger.mqtt.event import is_urgent
from logger.units import SECOND_US

log = logging.getLogger(__name__)

FIRST_RETRY_US = 5 * SECOND_US
LONGEST_RETRY_US = 60 * SECOND_US
LAST_RUN_S = 3.0
"""How long `stop` waits for the present run."""
_IDS_REMEMBERED = 4096


@dataclass(slots=True, kw_only=True)
class _PendingRun:
    """An event that waits, when its run is due, and how many runs for it failed."""

    event: Event
    due_us: int
    tries: int = 0


@dataclass(slots=True, kw_only=True)
class Hook:
    """The second way out: the queue of events and their tries. `runner` only posts results."""

    config: HookConfig
    after_s: float
    """How long the broker is given; 0 where there is none."""
    post: Callable[[HookResult | ThreadCrash], None]
    runner: Runner = field(init=False)
    _waiting: deque[_PendingRun] = field(default_factory=deque)
    _running: bool = False
    _failing: bool = False
    _offered_ids: OrderedDict[str, None] = field(default_factory=OrderedDict)
    _done: list[str] = field(default_factory=list)

    @classmethod
    def of(cls, config: Config, *, post: Callable[[HookResult | ThreadCrash], None]) -> Self | None:
        """Return the second way out of a configuration, None if it has none."""
        after_s = config.hook.after_s if config.hook and config.mqtt else 0.0
        return cls(config=config.hook, after_s=after_s, post=post) if config.hook else None

    def __post_init__(self) -> None:
        """Prepare the thread; nothing runs before `start`."""
        self.runner = Runner(config=self.config, post=self.post)

    def start(self) -> None:
        """Begin."""
        self.runner.start()

    def stop(self) -> None:
        """Give the present run a moment, then kill it; its event is tried again after the next start."""
        self.runner.stop(LAST_RUN_S)

    def offer(self, events: Iterable[Event], now_us: int, *, waited_s: float = 0.0) -> None:
        """Queue the urgent ones of these events; the time that they have waited already is counted."""
        due_us = now_us + round(max(0.0, self.after_s - max(0.0, waited_s)) * SECOND_US)
        for event in events:
            if event.id not in self._offered_ids and is_urgent(event):
                self._offered_ids[event.id] = None
                self._waiting.append(_PendingRun(event=event, due_us=due_us))
        while len(self._offered_ids) > _IDS_REMEMBERED + len(self._waiting):
            self._offered_ids.popitem(last=False)

    def forget(self, ids: Iterable[str]) -> None:
        """Forget events that the broker has."""
        forgotten = set(ids)
        if forgotten:
            self._waiting = deque(run for run in self._waiting if run.event.id not in forgotten)

    def pump(self, now_us: int) -> None:
        """Start a run if one is due and none is under way."""
        if self._waiting and not self._running and self._waiting[0].due_us <= now_us:
            self._running = True
            self.runner.submit(self._waiting[0].event)

    @property
    def next_due_us(self) -> int | None:
        """Return when `pump` must be called next if nothing else happens; None: not before something does."""
        return self._waiting[0].due_us if self._waiting and not self._running else None

    def take_done(self) -> list[str]:
        """Return the ids of events whose run succeeded since the last call: mark them in the store."""
        done, self._done = self._done, []
        return done

    def on_result(self, result: HookResult, now_us: int, *, at_us: int) -> Entry | None:
        """Handle the result of a run; return the journal entry of a failure at that UTC, None: there is none."""
        self._running = False
        run = self._waiting[0] if self._waiting and self._waiting[0].event.id == result.event else None
        if not result.trouble:
            self._failing = False
            self._done.append(result.event)
            self.forget([result.event])
            return None
        log.warning("The second way out failed on event %s: %s", result.event, result.trouble)
        return self._failed(run, result, now_us=now_us, at_us=at_us) if run else None

    def _failed(self, run: _PendingRun, result: HookResult, *, now_us: int, at_us: int) -> Entry | None:
        run.tries += 1
        if run.tries <= self.config.retries:
            run.due_us = now_us + min(FIRST_RETRY_US << min(run.tries - 1, 16), LONGEST_RETRY_US)
            return None
        self._waiting.popleft()
        if self._failing:
            return None
        self._failing = True
        times = f"{run.tries} times" if run.tries > 1 else "once"
        text = (
            f"The second way out ({self.config.command[0]}) was tried {times} in vain: {result.trouble}. Try it by hand"
        )
        return Entry(seq=0, at_us=at_us, vat="", cause=Cause.HOOK_FAILED, priority="medium", text=text)
