"""Replay a recording or a stored period through the pipeline that runs at night.

Law: nothing here evaluates anything; the outcome is the pipeline's. Stored again, it goes into a store of its own,
never into one that a daemon has written.

A recording of another probe is refused: its calibrations would be refused one by one.
"""

from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from importlib.metadata import version

from logger.errors import RefusedError
from logger.model import Block, Check, Command, Outcome, WatchState
from logger.mqtt.event import event_of, events_of
from logger.store import Store, UnitOfWork, queries
from logger.structs import Struct, field, replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch

ROWS = 65_536
"""Rows a step: enough to make the cost of a step vanish, few enough to stay in the cache."""


def replay(watch: Watch, items: Iterable[Block | Command], *, rows: int = ROWS) -> Iterator[Outcome]:
    """Yield the outcomes of a watch over the items, from nothing on."""
    for (outcome,) in side_by_side([watch], items, rows=rows):
        yield outcome


def side_by_side(
    watches: Sequence[Watch], items: Iterable[Block | Command], *, rows: int = ROWS
) -> Iterator[tuple[Outcome, ...]]:
    """Yield the outcomes of several watches over the same items, read once; each watch steps alone."""
    states = [pipeline.fresh(watch) for watch in watches]
    for block, commands in steps(items, rows=rows):
        stepped = [
            pipeline.step(watch, state, block, commands=commands) for watch, state in zip(watches, states, strict=True)
        ]
        states = [state for state, _ in stepped]
        yield tuple(outcome for _, outcome in stepped)


def steps(items: Iterable[Block | Command], *, rows: int) -> Iterator[tuple[Block, list[Command]]]:
    """Yield blocks of about `rows` rows, each with the commands that fall into it."""
    blocks: list[Block] = []
    commands: list[Command] = []
    gathered = 0
    for item in items:
        if isinstance(item, Command):
            commands.append(item)
            continue
        blocks.append(item)
        gathered += len(item)
        if gathered >= rows:
            yield _step(blocks, commands)
            gathered = 0
    if blocks:
        yield _step(blocks, commands)


def _step(blocks: list[Block], commands: list[Command]) -> tuple[Block, list[Command]]:
    """Take what was gathered; commands for later records stay."""
    block = Block.concatenate(blocks)
    due = [command for command in commands if command.seq <= int(block.seq[-1])]
    commands[:] = [command for command in commands if command.seq > int(block.seq[-1])]
    blocks.clear()
    return block, due


class ReplayStore(Struct, kw_only=True):
    """A store of its own for a replay."""

    store: Store
    simulated: bool
    run: int
    numbers: dict[int, int] = field(default_factory=dict)
    """Of the calibrations: in what is replayed, and here."""

    @classmethod
    def open(cls, url: str, *, simulated: bool) -> "ReplayStore":
        """Make the store. Raises RefusedError if there is something in it."""
        store = Store.open(url, simulated=simulated, migrate=True)
        if queries.runs(store):
            store.close()
            raise RefusedError(f"The store {store.where} has records in it: a replay is stored in a new one only")
        with store.begin() as work:
            number = work.start_run(at_us=0, elapsed_us=0, version=f"{version('vatvigil')} replay", config_hash="")
            work.commit()
        return cls(store=store, simulated=simulated, run=number)

    def add_commands(self, commands: Sequence[Command]) -> list[Command]:
        """Put commands into the inbox, as their answers will want; return them with the numbers they have there."""
        with self.store.begin() as work:
            numbered = []
            for command in commands:
                line = command.calibration and work.add_calibration(command.calibration)
                if command.calibration and line:
                    self.numbers[command.calibration.id] = line.id
                stored = replace(command, calibration=line, check=self._check(command.check, work))
                numbered.append(replace(stored, id=work.add_command(stored)))
            work.commit()
        return numbered

    def _check(self, check: Check | None, work: UnitOfWork) -> Check | None:
        """Put a check into the store; one of a calibration that was never put in force has none here to refer to."""
        number = None if check is None else self.numbers.get(check.calibration)
        return None if check is None or number is None else work.add_check(replace(check, calibration=number))

    def append(self, outcome: Outcome) -> None:
        """Store an outcome."""
        with self.store.begin() as work:
            work.append(outcome, run=self.run)
            work.add_events(events_of(outcome.entries, partial(event_of, simulated=self.simulated)))
            work.commit()


def replay_into(
    store: ReplayStore, watch: Watch, items: Iterable[Block | Command], *, rows: int = ROWS
) -> Iterator[Outcome]:
    """Replay and store; yield each outcome once it is durable."""
    state: WatchState = pipeline.fresh(watch)
    for block, commands in steps(items, rows=rows):
        state, outcome = pipeline.step(watch, state, block, commands=store.add_commands(commands) if commands else [])
        store.append(outcome)
        yield outcome
