"""Make a batch of the past of a recording: replay it into a store of its own, with a record.

Law: the record says when it was really entered. What the recording tells (marks, notes, checks) is entered as of then,
for somebody said it then; the start, the header and an end that it does not tell are entered now, and say so.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import click

from logger.cli._batch_entry import C, Entering, EntryOptions, content_options, entry_options, filled
from logger.cli._common import folded, load_config, print_json
from logger.cli._replay_source import bar, chosen_vat, from_file
from logger.cli._requests import examples, print_simulated
from logger.cli._times import HouseTime
from logger.errors import RefusedError
from logger.model import AnyEntry, Block, Command, CommandKind, Mark, batch_id
from logger.model.batch import BatchEnd, BatchHeader, BatchStart
from logger.replay import ReplayStore, replay_into
from logger.store import batches
from logger.structs import replace
from logger.units import SECOND_US
from logger.watch.pipeline import Watch


@dataclass(slots=True)
class _Past:
    """The items of a recording, with a start where it has none, and when it ends."""

    items: Iterator[Block | Command]
    vat: str
    first_us: int = 0
    last_us: int = 0
    start: Command | None = None
    """The mark that begins the batch."""
    leading: list[Block | Command] = field(default_factory=list)

    def begin(self) -> None:
        """Read up to the first record."""
        for item in self.items:
            self.leading.append(item)
            if isinstance(item, Block):
                self.first_us = int(item.at_us[0])
                break
            if item.kind is CommandKind.MARK and item.note == Mark.STARTED and item.vat == self.vat:
                self.start = item
        if not self.first_us:
            raise RefusedError("the recording has no record: there is nothing to make a batch of")
        if self.start is None:
            first = self.leading[-1]
            seq = int(first.seq[0]) if isinstance(first, Block) else 1
            mark = Mark.STARTED.value
            self.start = Command(id=0, at_us=self.first_us, kind=CommandKind.MARK, vat=self.vat, note=mark, seq=seq)
            self.leading.insert(-1, self.start)

    def all(self) -> Iterator[Block | Command]:
        """Yield everything, and note when the last record was made."""
        for item in chain(self.leading, self.items):
            if isinstance(item, Block):
                self.last_us = int(item.at_us[-1])
            yield item


@click.command(
    "import",
    epilog=examples('vatvigil batch import night.jsonl --into 2025.sqlite --product "brined roots" --lot N-3'),
)
@click.argument("recording", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--into",
    required=True,
    type=click.Path(dir_okay=False, path_type=Path),
    help="The new store; never one that a daemon has written.",
)
@click.option("--vat", "vat_id", help="The vat whose probe it is of; needed if the configuration has several.")
@content_options(BatchHeader)
@entry_options
def import_(recording: Path, *, into: Path, vat_id: str | None, asked: EntryOptions, **said: object) -> None:
    """Make a batch of the past of RECORDING: what the watch would have made of it, with a record, in a new store.

    Its start and end are those of the recording, unless that holds the mark itself; they say that they were entered
    later. To read it, let [store] of a configuration name the new store.
    """
    if asked.happened is not None:
        raise click.UsageError("the times are those of the recording: --at does not go with import")
    config = load_config(asked.config_path)
    vat, now = chosen_vat(config, vat_id), HouseTime.of(config)
    with from_file(recording, vat) as source, bar(source) as shown:
        past = _Past(iter(source.items), vat.id)
        past.begin()
        kept = ReplayStore.open(f"sqlite:///{into}", simulated=source.simulated)
        with kept.store:
            batch = _begin(kept, past, asked, now, filled(BatchHeader, said, now), recording.name)
            for _ in replay_into(kept, Watch(vat=vat, probe=config.probe(vat.probe)), past.all()):
                shown()
            _end(kept, past, asked, now, batch)
    if asked.as_json:
        print_json({"simulated": source.simulated, "batch": batch, "vat": vat.id, "store": str(into)})
        return
    print_simulated(simulated=source.simulated)
    ends = f"{now.clock.shown(past.first_us)} to {now.clock.shown(past.last_us)}"
    click.echo(folded(f"Batch {batch} of {vat.id}, {ends}, is in {into}."))


def _entered(past: _Past, asked: EntryOptions, now: HouseTime, happened_at_us: int, batch: str, content: C) -> AnyEntry:
    who = Entering(at_us=now.at_us, happened_at_us=happened_at_us, by=asked.by, note=asked.note)
    return who.entry(batch, past.vat, content)


def _begin(kept: ReplayStore, past: _Past, asked: EntryOptions, now: HouseTime, header: BatchHeader, file: str) -> str:
    """Enter the start, unless the recording will, and the header; return the identity of the batch."""
    start = past.start
    batch = batch_id(past.vat, start.at_us if start else past.first_us)
    begun_us = past.first_us if start is None else start.at_us - round((start.duration_s or 0.0) * SECOND_US)
    began = replace(_entered(past, asked, now, begun_us, batch, BatchStart()), note=f"imported from {file}")
    said = [began] if header == BatchHeader() else [began, _entered(past, asked, now, begun_us, batch, header)]
    with kept.store.begin() as work:
        for entry in said:
            work.add_batch_entry(entry)
        work.commit()
    return batch


def _end(kept: ReplayStore, past: _Past, asked: EntryOptions, now: HouseTime, batch: str) -> None:
    """Enter the end, unless the recording told it."""
    found = batches.record(kept.store, batch)
    if found is None or found.end is not None:
        return
    with kept.store.begin() as work:
        work.add_batch_entry(_entered(past, asked, now, past.last_us, batch, BatchEnd()))
        work.commit()
