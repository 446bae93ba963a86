"""Bring what cycles made into the store: one transaction holds everything a cycle made.

Law: a store that is busy, full or does not answer is expected: evaluation goes on, what was made waits in memory in
order, its events go out once `told_file` remembers them, and all of it is committed in order on recovery, many cycles a
transaction and few transactions a round. The queue is bounded; past its end records are evaluated but not kept (what
the watch carries is), and the journal says how many. Record numbers that are missing then are read as a gap.

By `[store] commit_every_s` readings alone may wait too, to be stored together: a memory card wears out by commits. What
anybody is told of never waits, and what waits goes before it.
"""

import logging
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from itertools import islice
from typing import Protocol

from logger.config import Priority
from logger.daemon.cycle import CycleResult
from logger.daemon.store_thread import Ask, at_once
from logger.errors import StoreBusyError
from logger.model import Answer, Cause, Command, Entry, Event
from logger.mqtt.event import events_of
from logger.mqtt.messages import Receipt
from logger.store import Store, UnitOfWork
from logger.structs import Struct, field, replace
from logger.watch.system import SYSTEM

log = logging.getLogger(__name__)

MOST_WAITING = 20_000
"""Cycles that may wait for the store: over two days of one probe at 10 s."""
CYCLES_A_TRANSACTION, TRANSACTIONS_A_ROUND = 100, 2
"""On recovery: days of backlog hold up no round. Common practice, no source."""


class _Sending(Struct, frozen=True, kw_only=True):
    """What goes into the store in one transaction. It is not changed, for another thread may be at it."""

    batches: tuple[CycleResult, ...]
    delivered: Mapping[str, int]
    superseded: Mapping[str, str]
    taken: Mapping[tuple[str, str], int]
    topics: tuple[str, ...]
    numbers: Mapping[int, int]
    at_us: int
    is_last: bool
    """Nothing waits behind it."""


class Memory(Protocol):
    """What remembers over a kill what the store has not taken: `told_file.ToldFile`."""

    def tell(self, batch: CycleResult, /) -> None:
        """Remember it before its events leave."""

    def note(self, batches: Iterable[CycleResult], /, *, is_last: bool) -> None:
        """Note that the store took these, and whether nothing waits behind them."""


class Commit(Struct, kw_only=True):
    """Brings batches into the store, in order, whatever the store does meanwhile."""

    store: Store
    run: int
    event_of: Callable[[Entry], Event | None]
    ask: Ask = at_once
    """Does what writes to the store."""
    most_waiting: int = MOST_WAITING
    waiting: deque[CycleResult] = field(default_factory=deque)
    delivered: dict[str, int] = field(default_factory=dict)
    """Ids of events that the broker has, with the time, and whose row does not say so yet."""
    superseded: dict[str, str] = field(default_factory=dict)
    """Ids of reminders that need not be sent any more, with what superseded each, of which the store does not know."""
    taken: dict[tuple[str, str], int] = field(default_factory=dict)
    """Channels and the ids of events that they took, with the time, of which the store does not know yet."""
    topics: list[str] = field(default_factory=list)
    """Topics where the broker retains messages of ours, to be remembered in place of those before; empty: as before."""
    every_us: int = 0
    """How long (real, steady) readings alone may wait; 0: not at all."""
    told: Memory | None = None
    """Remembers what was told and is not in the store; None: nothing does."""
    trouble: str = ""
    """Why nothing can be written now; empty: it can."""
    numbers: dict[int, int] = field(default_factory=dict)
    """By the id (negative) of a command that was applied from memory: its number in the inbox."""
    _until_us: int | None = None
    """Until when (real, steady) what waits may; None: it waits for the store alone."""
    _lost: int = 0
    _receipts: list[Receipt] = field(default_factory=list)
    _sending: _Sending | None = None
    """What was given to the store last and may be in it or not; its batches still wait."""

    @property
    def has_work(self) -> bool:
        """Tell whether anything is to be stored."""
        return bool(self.waiting or self.has_marks)

    @property
    def has_marks(self) -> bool:
        """Tell whether it is to be stored what became of events, or where messages stand."""
        return bool(self.delivered or self.superseded or self.taken or self.topics)

    @property
    def is_behind(self) -> bool:
        """Tell whether something waits that should be in the store."""
        return bool(self.waiting) and self._until_us is None

    def is_due(self, now_us: int) -> bool:
        """Tell whether something waits that may wait no longer; `now_us`: real steady time."""
        return bool(self.waiting) and (self._until_us is None or now_us >= self._until_us)

    def take_receipts(self) -> list[Receipt]:
        """Return the receipts of what was stored since the last call."""
        receipts, self._receipts = self._receipts, []
        return receipts

    def add(self, batch: CycleResult, *, at_us: int, now_us: int = 0) -> list[Event]:
        """Queue a batch and commit what can be; return the events that are to go out now.

        `now_us`: real steady time, by which readings may wait.
        """
        self.waiting.append(batch)
        if self._may_wait(batch, now_us):
            return []
        events = [*self.events(batch)]
        recovered = self.flush(at_us=at_us)
        if self.told and events and self.waiting and self.waiting[-1] is batch:
            self.told.tell(batch)
        events += recovered
        while len(self.waiting) > max(self.most_waiting, len(self._sending.batches) + 1 if self._sending else 1):
            self._drop_records()
        return events

    def _may_wait(self, batch: CycleResult, now_us: int) -> bool:
        is_first = len(self.waiting) == 1
        if not self.every_us or not batch.can_wait or len(self.waiting) >= CYCLES_A_TRANSACTION:
            self._until_us = None
        elif is_first and not self.trouble:
            self._until_us = now_us + self.every_us
        return self._until_us is not None and now_us < self._until_us

    def _drop_records(self) -> None:
        """Merge the newest batch that waits into the one before, without its records."""
        dropped, last = self.waiting.pop(), self.waiting[-1]
        self._lost += sum(len(outcome.measurements) for outcome in dropped.outcomes)
        last.entries, last.events = [*last.entries, *dropped.all_entries()], None
        last.answers += [a for outcome in dropped.outcomes for a in outcome.answers] + dropped.answers
        last.commands += dropped.commands
        last.receipts += dropped.receipts
        last.system = dropped.system or last.system
        carried = [replace(o, measurements=o.measurements[:0], entries=(), answers=()) for o in dropped.outcomes]
        vats = {outcome.vat for outcome in carried}
        last.outcomes = [o for o in last.outcomes if len(o.measurements) or o.vat not in vats] + carried

    def flush(self, *, at_us: int) -> list[Event]:
        """Store some of what waits and mark what was delivered; return the event that tells of lost records, if any."""
        try:
            for _ in range(TRANSACTIONS_A_ROUND):
                if self.has_work:
                    self._store_next(at_us)
        except StoreBusyError as busy:
            if not self.trouble:
                log.error("%s; evaluation goes on, records wait in memory", busy)  # noqa: TRY400 - expected, no bug
            self.trouble = str(busy)
            return []
        return self._recovered(at_us=at_us) if self.trouble and not self.waiting else []

    def _store_next(self, at_us: int) -> None:
        """Store the oldest that waits, or the same as before if it is not known whether it was. StoreBusyError."""
        self._sending = sending = self._sending or self._take(at_us)
        numbers = self.ask(partial(self._write, sending))
        self._sending = None
        self.numbers.update(numbers)
        for batch in sending.batches:
            self.waiting.popleft()
            self._receipts += batch.receipts
        if self.told:
            self.told.note(sending.batches, is_last=sending.is_last)
        stored = {event.id for batch in sending.batches for event in self.events(batch)} if sending.delivered else ()
        for identity in sending.delivered:
            if sending.is_last or identity in stored:
                self.delivered.pop(identity, None)
        for identity in sending.superseded if sending.is_last else ():
            self.superseded.pop(identity, None)
        for taken in sending.taken if sending.is_last else ():
            self.taken.pop(taken, None)
        if sending.is_last and tuple(self.topics) == sending.topics:
            self.topics = []

    def _take(self, at_us: int) -> _Sending:
        batches = tuple(islice(self.waiting, CYCLES_A_TRANSACTION))
        is_last = len(batches) == len(self.waiting)
        return _Sending(
            batches=batches,
            delivered={**self.delivered},
            superseded={**self.superseded},
            taken={**self.taken},
            topics=tuple(self.topics),
            numbers={**self.numbers},
            at_us=at_us,
            is_last=is_last,
        )

    def events(self, batch: CycleResult) -> list[Event]:
        """Return the outbox events of a batch, which are made once."""
        if batch.events is None:
            batch.events = events_of(batch.all_entries(), self.event_of)
        return batch.events

    def _write(self, sending: _Sending) -> dict[int, int]:
        """Store it in one transaction; return the numbers of the commands that were applied from memory."""
        numbers = {**sending.numbers}
        with self.store.begin() as work:
            for batch in sending.batches:
                numbers |= self._write_batch(work, batch, numbers, sending.delivered)
            if sending.is_last:
                for identity, at_us in sending.delivered.items():
                    work.mark_delivered([identity], at_us)
                work.mark_superseded(sending.superseded, sending.at_us)
                work.mark_taken(sending.taken)
                if sending.topics:
                    work.remember_topics(sending.topics)
            work.commit()
        self.store.settled()
        return numbers

    def _write_batch(
        self, work: UnitOfWork, batch: CycleResult, numbers: Mapping[int, int], delivered: Mapping[str, int]
    ) -> dict[int, int]:
        events = self.events(batch)
        numbers = {**numbers, **self._add_commands(work, batch.commands)}
        for outcome in batch.outcomes:
            work.append(replace(outcome, answers=_numbered(outcome.answers, numbers)), run=self.run)
        if batch.system:
            work.remember(SYSTEM, batch.system)
        work.add_entries(batch.entries)
        work.add_events(events, {e.id: delivered[e.id] for e in events if e.id in delivered})
        work.consume(_numbered(batch.answers, numbers))
        return numbers

    def _add_commands(self, work: UnitOfWork, commands: Iterable[Command]) -> dict[int, int]:
        """Put commands into the inbox; return the numbers of those that were applied from memory."""
        numbers = {}
        for command in commands:
            check = command.check and work.add_check(command.check)
            numbers[command.id] = work.add_command(replace(command, check=check))
        return {memory: number for memory, number in numbers.items() if memory < 0}

    def _recovered(self, *, at_us: int) -> list[Event]:
        log.warning("The store can be written again; what waited is in it")
        lost, self.trouble, self._lost = self._lost, "", 0
        if not lost:
            return []
        text = f"{lost} records were evaluated but not kept, because the store took nothing for too long"
        entry = Entry(seq=0, at_us=at_us, vat="", cause=Cause.RECORDS_LOST, priority=Priority.HIGH, text=text)
        return self.add(CycleResult(entries=[entry]), at_us=at_us)


def _numbered(answers: Iterable[Answer], numbers: Mapping[int, int]) -> tuple[Answer, ...]:
    """Return answers with the numbers that their commands have in the inbox."""
    return tuple(replace(answer, command=numbers.get(answer.command, answer.command)) for answer in answers)
