"""Run the acquire cycle: indications and commands in, what goes into one transaction (`commit.py`) out.

Law: readings are numbered per probe from 1. Commands are applied before a record, so that a replay of records and
commands is exact; an acknowledgement takes effect at the next poll. While the store takes nothing, what the hub asks
takes effect from memory and is stored with its answer once the store is back, in that order, so a replay sees it at the
same record; commands of the command line need the store. A command that even so cannot be stored is refused before it
is queued (`keep_storable`): at the commit it would end each daemon that it is sent to.
"""

import logging
from collections.abc import Iterable, Sequence
from functools import partial

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
from logger.mqtt.messages import Receipt
from logger.store import Store, queries, rows
from logger.store.queries import Unreadable
from logger.structs import Struct, field, replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from logger.watch.system import SYSTEM

log = logging.getLogger(__name__)


class CycleResult(Struct, kw_only=True):
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
    events: list[Event] | None = None
    """Of its entries; None: `Commit` has not made them yet."""

    def __bool__(self) -> bool:
        """Tell whether there is anything to store."""
        return bool(self.outcomes or self.entries or self.commands or self.answers or self.receipts)

    @property
    def can_wait(self) -> bool:
        """Tell whether it holds readings alone, while no alarm speaks and nobody works on the probe."""
        if self.commands or self.receipts or self.system or self.all_answers() or self.all_entries():
            return False
        return not any(_is_eventful(outcome.carry) for outcome in self.outcomes)

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


class WatchedProbe(Struct):
    """A watch, its state and the number of its newest record."""

    watch: Watch
    state: WatchState
    seq: int


class Acquisition(Struct):
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
            rows = self.ask(partial(queries.pending_now, self.store))
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


def _is_eventful(carry: Carry) -> bool:
    return carry.suppression.is_away or any(s.speaks or s.shown.is_standing for s in carry.alarms.values())


def _refuse_unwatched(command: Command) -> Answer:
    target = f"vat {command.vat}" if command.vat else f"probe {command.probe}"
    return Answer(command=command.id, seq=0, applied=False, text=f"{target} is not in the daemon's configuration")
