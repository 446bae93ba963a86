"""List batches, and show the record of one.

Law: reads only.
"""

from pathlib import Path

import click
import msgspec

from logger.cli._batch_entry import summary
from logger.cli._common import (
    CAUTION,
    config_option,
    folded,
    json_option,
    load_config,
    print_json,
    print_table,
    sentences,
)
from logger.cli._requests import print_simulated, reading_store
from logger.cli._times import Given, HouseTime, between, moment_option, utc_option
from logger.model import AnyEntry, BatchRecord
from logger.mqtt.payloads import rfc3339
from logger.report.local_time import LocalTime
from logger.store import batches


@click.command("list")
@click.option("--vat", metavar="ID", help="Of this vat alone.")
@moment_option("--from", "since", help="Under way at this time or later.")
@moment_option("--to", "until", help="Under way before this time.")
@utc_option
@config_option
@json_option
@sentences
def list_(
    vat: str | None,
    since: Given | None,
    until: Given | None,
    utc: bool,  # noqa: FBT001 - click's flag
    config_path: Path,
    as_json: bool,  # noqa: FBT001 - click's flag
) -> None:
    """List the batches, oldest first."""
    config = load_config(config_path)
    now = HouseTime.of(config, utc=utc)
    since_us, until_us = between(since, until, now)
    with reading_store(config) as store:
        found = batches.records(store, vat=vat, since_at_us=since_us, until_at_us=until_us)
    if as_json:
        print_json({"simulated": config.simulated, "batches": [_head(each) for each in found]})
        return
    print_simulated(simulated=config.simulated)
    if not found:
        click.echo("There is no batch. `vatvigil batch start VAT` begins one, so does `vatvigil mark VAT started`.")
        return
    print_table("", ["Batch", "Vat", "Lot", "Product", "Began", "Ended"], [_row(each, now.clock) for each in found])


def _head(batch: BatchRecord) -> dict[str, object]:
    ended = None if batch.ended_at_us is None else rfc3339(batch.ended_at_us)
    header = {"product": batch.header.product, "lot": batch.header.lot}
    return {"batch": batch.id, "vat": batch.vat, **header, "started": rfc3339(batch.started_at_us), "ended": ended}


def _row(batch: BatchRecord, clock: LocalTime) -> list[str]:
    ended = "under way" if batch.ended_at_us is None else clock.shown(batch.ended_at_us)
    return [batch.id, batch.vat, batch.header.lot, batch.header.product, clock.shown(batch.started_at_us), ended]


@click.command()
@click.argument("batch")
@utc_option
@config_option
@json_option
@sentences
def show(batch: str, utc: bool, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flags
    """Show every entry of BATCH as it was entered, the corrections among them."""
    config = load_config(config_path)
    clock = LocalTime.of(config.people, utc=utc)
    with reading_store(config) as store:
        found = batches.find(store, batch)
    if as_json:
        entries = [_entry(each) for each in found.entries]
        print_json({"simulated": config.simulated, **_head(found), "entries": entries})
        return
    print_simulated(simulated=config.simulated)
    click.echo(folded(_title(found, clock)))
    print_table("", ["No.", "When", "By", "What"], [_line(found, each, clock) for each in found.entries])
    click.echo(folded(CAUTION))


def _entry(entry: AnyEntry) -> dict[str, object]:
    times = {"entered": rfc3339(entry.at_us), "happened": rfc3339(entry.happened_at_us)}
    left_out = {"at_us", "happened_at_us", "batch", "vat"}
    plain = {name: value for name, value in msgspec.to_builtins(entry).items() if name not in left_out}
    return {**plain, **times, "kind": entry.kind.value, "backdated": entry.is_backdated}


def _title(batch: BatchRecord, clock: LocalTime) -> str:
    ended = "under way" if batch.ended_at_us is None else f"ended {clock.shown(batch.ended_at_us)}"
    return f"Batch {batch.id} in {batch.vat}, begun {clock.shown(batch.started_at_us)}, {ended}."


def _line(batch: BatchRecord, entry: AnyEntry, clock: LocalTime) -> list[str]:
    return [str(entry.id), clock.shown(entry.happened_at_us), entry.by, _words(batch, entry, clock)]


def _words(batch: BatchRecord, entry: AnyEntry, clock: LocalTime) -> str:
    old = next((each.id for each in batch.entries if each.entry == entry.corrects), None)
    words = f"{entry.kind}: {said}" if (said := summary(entry.content, clock)) else entry.kind.value
    if old is not None:
        words = f"withdraws entry {old}" if entry.is_withdrawal else f"corrects entry {old}: {words}"
    words += f" ({entry.note})" if entry.note else ""
    words += f". Entered {clock.shown(entry.at_us)}" if entry.is_backdated else ""
    return f"{words}. The watch refused it: {entry.refusal}" if entry.refusal else words
