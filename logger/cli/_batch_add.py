"""Enter in the record of a batch what it is, what went in, and what departed from the plan."""

from collections.abc import Mapping

import click

from logger.cli._batch_entry import (
    Entering,
    EntryOptions,
    content_options,
    desk,
    entry_options,
    filled,
    refuse_empty,
)
from logger.cli._requests import examples
from logger.model import AnyEntry, BatchContent, BatchEntryKind, Command, CommandKind, Mark, figures, plain_text
from logger.model.batch import CONTENT_TYPES, Addition, Departure
from logger.store import batches

WORDS = {
    BatchEntryKind.HEADER: "What the batch is: product, lot, recipe, who and where.",
    BatchEntryKind.LIMITS: "Critical limits, and who approved them.",
    BatchEntryKind.INGREDIENT: "What went in at the beginning, with its lot.",
    BatchEntryKind.ADDITION: "What was added later; the watch hears that the vat was topped up.",
    BatchEntryKind.FINISH: "The finished product.",
    BatchEntryKind.DISTRIBUTION: "Where it first went.",
    BatchEntryKind.REVIEW: "Somebody reviewed the record.",
}


class _AfterBatch(click.Group):
    """Takes BATCH before the kind: `add BATCH KIND`."""

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Show the kind after the batch."""
        formatter.write_usage(ctx.command_path, "BATCH KIND [OPTIONS]...")


@click.group(
    cls=_AfterBatch,
    epilog=examples(
        'vatvigil batch add marrow ingredient --name "sea salt" --use salt --mass 9.4 --part 2.6',
        'vatvigil batch add marrow addition --what "brine, 2.6 %" --litres 4',
        "vatvigil batch add marrow header --operators 'TV Tova, JN Jon'",
    ),
)
@click.argument("batch")
@click.pass_context
def add(ctx: click.Context, batch: str) -> None:
    """Enter in the record of BATCH what belongs there (`batch add BATCH KIND --help` lists the fields)."""
    ctx.obj = batch


def _add_command(kind: BatchEntryKind) -> None:
    content = CONTENT_TYPES[kind]

    @add.command(kind.value, help=WORDS[kind], short_help=WORDS[kind])
    @content_options(content)
    @entry_options
    @click.pass_obj
    def enter_one(batch: str, /, *, asked: EntryOptions, **said: object) -> None:
        _enter(batch, content, asked, said)


for _kind in WORDS:
    _add_command(_kind)


@click.command(
    epilog=examples(
        'vatvigil batch depart marrow --limit "below 4.6 within 36 h" --from 06:00 --until 09:20',
        'vatvigil batch correct marrow 12 --set "corrective_action=new heater" --why "evaluated"',
    ),
)
@click.argument("batch")
@content_options(Departure)
@entry_options
def depart(batch: str, *, asked: EntryOptions, **said: object) -> None:
    """Enter a departure of BATCH: which limit, from when to when, cause, action, disposition.

    What is known later goes in by `batch correct`, which keeps what stood there before.
    """
    _enter(batch, Departure, asked, said)


def _enter(batch: str, content: type[BatchContent], asked: EntryOptions, said: Mapping[str, object]) -> None:
    with desk(asked) as at:
        meant, who = batches.find(at.store, batch), at.who
        holds = filled(content, said, at.now)
        refuse_empty(holds)
        entry = who.entry(meant.id, meant.vat, holds)
        at.put(meant, (entry,), _commands(who, entry))


def _commands(who: Entering, entry: AnyEntry) -> tuple[Command, ...]:
    """Return what the watch is to hear of an entry."""
    holds = entry.content
    if isinstance(holds, Addition):
        litres = {} if holds.litres is None else {"litres": holds.litres}
        return (who.command(kind=CommandKind.MARK, vat=entry.vat, note=Mark.TOPPED_UP.value, **litres),)
    if isinstance(holds, Departure):
        text = plain_text.shown(f"departure: {holds.limit or 'no limit named'}", figures.LONGEST_TEXT)
        return (who.command(kind=CommandKind.NOTE, vat=entry.vat, note=text),)
    return ()
