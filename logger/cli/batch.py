"""Keep the record of a batch, from its start to its end.

Law: whatever is entered stays: a correction is a new entry beside the old one. What happens now goes to the watch too.
"""

from collections.abc import Iterator, Mapping
from typing import Any

import click

from logger.cli._batch_add import add, depart
from logger.cli._batch_correct import corrected
from logger.cli._batch_entry import EntryOptions, content_options, desk, entry_options, filled
from logger.cli._batch_import import import_
from logger.cli._batch_measure import measure
from logger.cli._batch_report import report, verify
from logger.cli._batch_show import list_, show
from logger.cli._common import load_config
from logger.cli._requests import examples, vat_of
from logger.cli._times import HouseTime
from logger.config import AlarmKind, Config, VatConfig
from logger.errors import RefusedError
from logger.model import BatchContent, CommandKind, Mark, batch_id, figures, plain_text
from logger.model.batch import BatchEnd, BatchHeader, BatchStart, CriticalLimits, Finish, Ingredient, Remark
from logger.model.batch_record import compose, filled_fields, newest_version
from logger.store import batches
from logger.structs import replace
from logger.units import SECOND_US

LIMIT = "limit-"
_OF_START = frozenset({"retention"})


@click.group(
    epilog=examples(
        'vatvigil batch start marrow --product "brined roots" --lot N-17 --salt 2.6',
        'vatvigil batch note marrow "pressed down, brine covers all"',
        'vatvigil batch add marrow ingredient --name "black radish" --lot R4 --mass 82',
        'vatvigil batch measure marrow --ph 4.31 --u 0.05 --instrument "hand meter 2"',
        'vatvigil batch depart marrow --limit "temperature above 24 C" --cause "heater stuck"',
        'vatvigil batch correct marrow 7 --set lot=R5 --why "misread the label"',
        "vatvigil batch end marrow --disposition release",
        "vatvigil batch show marrow",
        "vatvigil batch report marrow --out marrow.html",
    ),
)
def batch() -> None:
    """Keep the record of a batch from its start to its end.

    BATCH is its id (or how it begins), its lot, or its vat, which means the newest batch there. Nothing that was
    entered is changed or taken away; a correction stands beside it, with who made it and why. A record proves what was
    written down, not that a food is safe: follow a tested recipe, local rules and a licensed process authority.
    """


for command in (add, depart, measure, list_, show, report, verify, import_):
    batch.add_command(command)


@batch.command()
@click.argument("vat")
@content_options(BatchHeader, leave_out=_OF_START)
@click.option("--ingredient", "ingredients", multiple=True, metavar="TEXT", help="What goes in; may be repeated.")
@content_options(CriticalLimits, prefix=LIMIT, leave_out=frozenset({"origin"}))
@click.option("--profile", default="", metavar="NAME", help="The profile of the vat, as the configuration names it.")
@entry_options
def start(vat: str, *, asked: EntryOptions, ingredients: tuple[str, ...], **said: object) -> None:
    """Begin a batch in VAT: its record, and what is watched from a start on.

    The critical limits are those of the configuration (target, deadline, the wide temperature band), unless an option
    says another. They count as set before the start only if the start is not backdated (--at).
    """
    config = load_config(asked.config_path)
    target = vat_of(config, vat)
    with desk(asked, config) as at:
        who = at.who
        begun = batch_id(target.id, who.at_us)
        contents = [*_contents(config, target, said, at.now), *(Ingredient(name=name) for name in ingredients)]
        entries = tuple(who.entry(begun, target.id, content) for content in contents)
        ago_s = (who.at_us - who.happened_at_us) / SECOND_US
        marked = who.command(kind=CommandKind.MARK, vat=target.id, note=Mark.STARTED.value, duration_s=ago_s or None)
        at.put(compose(entries), entries, (marked,), is_always_heard=True)


def _contents(config: Config, vat: VatConfig, said: Mapping[str, object], now: HouseTime) -> Iterator[BatchContent]:
    """Yield what a batch begins with: its start, its header and its limits."""
    from logger import settings

    written = settings.config_hash(config)
    yield BatchStart(profile=str(said["profile"]), config_hash=written)
    header, limits = filled(BatchHeader, said, now), filled(CriticalLimits, said, now, prefix=LIMIT)
    if header != BatchHeader():
        yield header
    said_here: dict[str, Any] = dict(filled_fields(limits))
    yield replace(_configured_limits(config, vat, written), **said_here)


def _configured_limits(config: Config, vat: VatConfig, written: str) -> CriticalLimits:
    """Return the critical limits that the configuration holds."""

    def setpoints(kind: AlarmKind) -> list[float]:
        return [each.setpoint for each in vat.alarms if each.kind is kind and each.setpoint is not None]

    return CriticalLimits(
        ph=None if vat.target is None else vat.target.ph,
        deadline_h=min(setpoints(AlarmKind.DEADLINE), default=None),
        low_c=min(setpoints(AlarmKind.TEMPERATURE_LOW), default=None),
        high_c=max(setpoints(AlarmKind.TEMPERATURE_HIGH), default=None),
        monitoring_s=config.probe(vat.probe).poll_s,
        origin=f"the configuration {written[:12]}",
    )


@batch.command()
@click.argument("batch")
@content_options(BatchEnd)
@content_options(Finish)
@entry_options
def end(batch: str, *, asked: EntryOptions, **said: object) -> None:
    """End BATCH: its course is watched no more; what is asked of every vat (temperature, trust) goes on.

    What is not known yet (the finished product, where it went) is entered later by `batch add`.
    """
    with desk(asked) as at:
        meant, who = batches.find(at.store, batch), at.who
        if meant.end is not None:
            ended = at.now.clock.shown(meant.end.happened_at_us)
            raise RefusedError(f"batch {meant.id} of {meant.vat} ended at {ended}: `batch correct` corrects that")
        if who.happened_at_us < meant.started_at_us:
            began = at.now.clock.shown(meant.started_at_us)
            raise RefusedError(f"batch {meant.id} began at {began}: it cannot end before")
        contents: list[BatchContent] = [
            filled(BatchEnd, said, at.now),
            *(one for one in [filled(Finish, said, at.now)] if one != Finish()),
        ]
        marked = who.command(kind=CommandKind.MARK, vat=meant.vat, note=Mark.ENDED.value)
        entries = tuple(who.entry(meant.id, meant.vat, content) for content in contents)
        at.put(meant, entries, (marked,), is_always_heard=True)


@batch.command()
@click.argument("batch")
@click.argument("text")
@entry_options
def note(batch: str, text: str, *, asked: EntryOptions) -> None:
    """Enter TEXT in the record of BATCH, exactly as it is written."""
    if not text.strip():
        raise click.UsageError("TEXT is empty: write what is to be noted")
    with desk(asked) as at:
        meant, who = batches.find(at.store, batch), at.who
        told = who.command(kind=CommandKind.NOTE, vat=meant.vat, note=_for_journal(text))
        at.put(meant, (who.entry(meant.id, meant.vat, Remark(text=text)),), (told,))


def _for_journal(text: str) -> str:
    """Return a text as long as the journal takes it; the record of the batch has it whole."""
    return plain_text.shown(text, figures.LONGEST_TEXT)


@batch.command()
@click.argument("batch")
@click.argument("number", type=int)
@click.option("--set", "changes", multiple=True, metavar="FIELD=VALUE", help="The field and what it should say.")
@click.option("--withdraw", is_flag=True, help="Take the entry back whole.")
@click.option("--why", required=True, metavar="TEXT", help="The reason.")
@entry_options
def correct(
    batch: str, number: int, *, changes: tuple[str, ...], withdraw: bool, why: str, asked: EntryOptions
) -> None:
    """Correct entry NUMBER of BATCH, as `batch show` numbers it: by fields (--set), its time (--at), or take it back.

    The old entry stays in the record, with the correction, its reason and who made it.
    """
    if not why.strip():
        raise click.UsageError("--why is empty: say the reason")
    if not changes and not withdraw and asked.happened is None:
        raise click.UsageError("give --set FIELD=VALUE, --at TIME or --withdraw")
    with desk(asked) as at:
        meant = batches.find(at.store, batch)
        named = next((each for each in meant.entries if each.id == number), None)
        old = None if named is None else newest_version(meant.entries, named.entry)
        if old is None:
            raise RefusedError(f"batch {meant.id} has no entry {number}: `vatvigil batch show {batch}` numbers them")
        at.put(meant, (corrected(old, changes, asked, why=why, now=at.now, is_withdrawal=withdraw),))
