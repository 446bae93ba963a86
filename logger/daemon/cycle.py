"""Run the acquire cycle: indications and commands in, one transaction out.

Law: one transaction holds everything a cycle made. A store that is busy, full or does not answer is expected:
evaluation goes on, what was made waits in memory in order, its events go out once `told_file` remembers them, and all
of it is committed in order on recovery, many cycles a transaction and few transactions a round. The queue is bounded;
past its end records are evaluated but not kept (what the watch carries is), and the journal says how many.

Readings are numbered per probe from 1. Commands are applied before a record, so that a replay of records and commands
is exact; an acknowledgement takes effect at the next poll. While the store takes nothing, what the hub asks takes
effect from memory and is stored with its answer once the store is back, in that order, so a replay sees it at the same
record; commands of the command line need the store. Record numbers that are missing (a store that took nothing for
days) are read as a gap. A command that even so cannot be stored is refused before it is queued (`keep_storable`): at
the commit it would end each daemon that it is sent to.
"""

import logging
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import islice
from typing import Protocol

from logger.config import Priority
from logger.daemon.blocks import block_of
from logger.daemon.store_thread import Ask, at_once
from logger.errors import RefusedError, StoreBusyError
from logger.model import (
    Answer,
    Carry,
    Cause,
    Command,
    Entry,
    Event,
    Indication,
    Outcome,
    WatchState,
)
from logger.mqtt.event import events_of
from logger.mqtt.messages import Receipt
from logger.store import Store, UnitOfWork, queries, rows
from logger.store.queries import Unreadable
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from logger.watch.system import SYSTEM

log = logging.getLogger(__name__)

MOST_WAITING = 20_000
"""Cycles that may wait for the store: over two days of one probe at 10 s."""
CYCLES_A_TRANSACTION, TRANSACTIONS_A_ROUND = 100, 2
"""On recovery: days of backlog hold up no round. Common practice, no source."""


@dataclass(slots=True, kw_only=True)
class CycleResult:
    """What one cycle made, to be committed whole."""

    outcomes: list[Outcome] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)
    """Commands that came from outside, on their way into the inbox."""
    answers: list[Answer] = field(default_factory=list)
    """Answers to commands that concern no vat that we watch."""
    receipts: list[Receipt] = field(default_factory=list)
    """Of the messages that asked for some of this: handed back when it is stored."""
    asked: list[Command] = field(default_factory=list)
    """Commands about the system, still to be applied."""
    pending: list[Command] = field(default_factory=list)
    """All commands that are applied or refused by this cycle."""
    system: Carry | None = None
    """What the watch over the system carries now; None: as before."""

    def __bool__(self) -> bool:
        """Tell whether there is anything to store."""
        return bool(self.outcomes or self.entries or self.commands or self.answers or self.receipts)

    def keep_storable(self, commands: Iterable[Command]) -> list[Command]:
        """Return the commands from outside that can be stored; journal the refusal of the others.

        Met only when it is stored, such a command would end this daemon, and the next one to which the broker sends it.
        """
        kept = []
        for command in commands:
            try:
                rows.check_storable(command)
                kept.append(command)
            except RefusedError as refused:
                vat = "" if command.vat == SYSTEM else command.vat
                entry = Entry(seq=0, at_us=command.at_us, vat=vat, cause=Cause.REFUSED, by=command.by)
                self.entries.append(replace(entry, text=f"{command.kind} refused: {refused}"))
        return kept

    def all_answers(self) -> list[Answer]:
        """Return what became of each of the pending commands."""
        return [*(answer for outcome in self.outcomes for answer in outcome.answers), *self.answers]

    def all_entries(self) -> list[Entry]:
        """Return every journal entry of the batch in the order of the journal: what was merged into it comes last."""
        return [*(entry for outcome in self.outcomes for entry in outcome.entries), *self.entries]


@dataclass(slots=True)
class WatchedProbe:
    """A watch, its state and the number of its newest record."""

    watch: Watch
    state: WatchState
    seq: int


@dataclass(slots=True)
class Acquisition:
    """Turns indications into batches. Reads the inbox; writes nothing.

    A vat's second probe is read by a watch of its own, which steps first: its newest believed pH goes into the records
    of the first, so that a replay of the first alone tells the same.
    """

    store: Store
    watched: dict[str, WatchedProbe]
    """By probe."""
    _applied: set[int] = field(default_factory=set)
    """Commands applied already whose consumption may still wait for the store."""
    ask: Ask = at_once
    """Does what asks the store."""
    numbers: dict[int, int] = field(default_factory=dict)
    """Of the commands applied from memory: in the inbox, once they are stored. `Commit` fills it."""
    _from_memory: list[Command] = field(default_factory=list)
    _unreadable: list[Unreadable] = field(default_factory=list)

    def apply_from_memory(self, commands: Sequence[Command]) -> list[Command]:
        """Apply commands from memory at the next records: the store takes nothing now. Return them as to be stored.

        What refers to a row of the store (a check) waits for it.
        """
        first = min(self.numbers, default=0)
        named = [c if c.check else replace(c, id=first - n) for n, c in enumerate(commands, start=1)]
        self._from_memory += [command for command in named if command.id < 0]
        for command in named:
            if command.id < 0:
                self.numbers[command.id] = 0
        return named

    def evaluate(self, indications: Sequence[Indication]) -> CycleResult:
        """Evaluate indications (at least one) together with the commands that wait for their vats."""
        pending = self._pending_commands()
        batch = CycleResult(pending=pending)
        self._refuse_unreadable(batch, indications[-1].at_us)
        by_probe: dict[str, list[Indication]] = {}
        for indication in indications:
            by_probe.setdefault(indication.probe, []).append(indication)
        references = {target.watch.vat.reference for target in self.watched.values()}
        for probe, read in sorted(by_probe.items(), key=lambda item: item[0] not in references):
            target = self.watched[probe]
            mine = [c for c in pending if c.vat == target.watch.vat.id or (not c.vat and c.probe == probe)]
            batch.outcomes.append(self._step(target, read, mine))
        batch.asked = [command for command in pending if command.vat == SYSTEM]
        unwatched = [command for command in pending if command.vat != SYSTEM and not self._is_ours(command)]
        self._applied |= {command.id for command in (*batch.asked, *unwatched)}
        batch.answers += [_refuse_unwatched(command) for command in unwatched]
        return batch

    def _step(self, target: WatchedProbe, indications: Sequence[Indication], commands: Sequence[Command]) -> Outcome:
        self._applied |= {command.id for command in commands}
        second = self.watched.get(target.watch.vat.reference)
        compared = second.state.recent if second else None
        block = block_of(indications, first_seq=target.seq + 1, second=compared)
        numbered = [replace(command, seq=target.seq + 1) for command in commands]
        target.state, outcome = pipeline.step(target.watch, target.state, block, commands=numbered)
        target.seq += len(block)
        return outcome

    def _pending_commands(self) -> list[Command]:
        """Return the commands that wait in the inbox or in memory and were not applied yet."""
        from_memory, self._from_memory, self._unreadable = self._from_memory, [], []
        try:
            rows = self.ask(partial(queries.pending, self.store))
        except StoreBusyError as busy:
            log.debug("The inbox cannot be read now: %s", busy)
            return from_memory
        self._applied &= {command.id for command in rows}
        handled = self._applied | {*self.numbers.values()}
        fresh = [command for command in rows if command.id not in handled]
        self._unreadable = [row for row in fresh if isinstance(row, Unreadable)]
        return [*(command for command in fresh if isinstance(command, Command)), *from_memory]

    def _refuse_unreadable(self, batch: CycleResult, at_us: int) -> None:
        """Refuse what is no command here: else it would end every daemon that reads it."""
        for row in self._unreadable:
            self._applied.add(row.id)
            batch.answers.append(Answer(command=row.id, seq=0, applied=False, text=row.why))
            text = f"Command {row.id} of the inbox refused: {row.why}."
            batch.entries.append(Entry(seq=0, at_us=at_us, vat="", cause=Cause.REFUSED, text=text))

    def _is_ours(self, command: Command) -> bool:
        vats = {target.watch.vat.id for target in self.watched.values()}
        return command.vat in vats or (not command.vat and command.probe in self.watched)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sending:
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


@dataclass(slots=True, kw_only=True)
class Commit:
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
    told: Memory | None = None
    """Remembers what was told and is not in the store; None: nothing does."""
    trouble: str = ""
    """Why nothing can be written now; empty: it can."""
    numbers: dict[int, int] = field(default_factory=dict)
    """By the id (negative) of a command that was applied from memory: its number in the inbox."""
    _lost: int = 0
    _receipts: list[Receipt] = field(default_factory=list)
    _sending: _Sending | None = None
    """What was given to the store last and may be in it or not; its batches still wait."""

    @property
    def has_work(self) -> bool:
        """Tell whether anything is to be stored."""
        return bool(self.waiting or self.delivered or self.superseded or self.taken or self.topics)

    def take_receipts(self) -> list[Receipt]:
        """Return the receipts of what was stored since the last call."""
        receipts, self._receipts = self._receipts, []
        return receipts

    def add(self, batch: CycleResult, *, at_us: int) -> list[Event]:
        """Queue a batch and commit what can be; return the events that are to go out now."""
        self.waiting.append(batch)
        events = self.events(batch)
        recovered = self.flush(at_us=at_us)
        if self.told and events and self.waiting and self.waiting[-1] is batch:
            self.told.tell(batch)
        events += recovered
        while len(self.waiting) > max(self.most_waiting, len(self._sending.batches) + 1 if self._sending else 1):
            self._drop_records()
        return events

    def _drop_records(self) -> None:
        """Merge the newest batch that waits into the one before, without its records."""
        dropped, last = self.waiting.pop(), self.waiting[-1]
        self._lost += sum(len(outcome.measurements) for outcome in dropped.outcomes)
        last.entries += dropped.all_entries()
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
        stored = {event.id for batch in sending.batches for event in self.events(batch)}
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
        """Return the outbox events of a batch."""
        return events_of(batch.all_entries(), self.event_of)

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


def _refuse_unwatched(command: Command) -> Answer:
    target = f"vat {command.vat}" if command.vat else f"probe {command.probe}"
    return Answer(command=command.id, seq=0, applied=False, text=f"{target} is not in the daemon's configuration")
