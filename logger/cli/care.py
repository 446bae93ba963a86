"""Keep the care diary: rinsed, stored, cleaned, changed, opened.

Law: nothing is changed or taken away; the watch hears of each entry, and reminds by what the diary says.
"""

from collections.abc import Sequence
from pathlib import Path

import click

from logger.cli._batch_entry import EntryOptions, entry_options
from logger.cli._common import config_option, json_option, load_config, print_json, print_table, sentences
from logger.cli._requests import (
    BUSY_S,
    PendingRequest,
    await_answers,
    check_probe,
    examples,
    exit_refused,
    fastest,
    print_outcomes,
    print_simulated,
    reading_store,
    watch_now_us,
)
from logger.cli._times import Given, HouseTime, at, moment_option, utc_option
from logger.config import Config
from logger.errors import RefusedError
from logger.model import CareEntry, CareKind, Command, CommandKind, figures
from logger.model.care import standing, state_of, told_text
from logger.report.care import entry_json, words_of
from logger.report.local_time import LocalTime
from logger.store import Store
from logger.store.batch_writing import new_entry_id
from logger.store.care import diary
from logger.structs import replace

_OF_PROBE = [kind.value for kind in CareKind if kind is not CareKind.BUFFER_OPENED]


@click.group(
    epilog=examples(
        'vatvigil care done marrow-probe cleaned --using "pepsin in dilute acid"',
        'vatvigil care done marrow-probe stored --using "3 M KCl" --at 18:00',
        "vatvigil care done marrow-probe electrode-changed --electrode E2",
        "vatvigil care opened gbt-phthalate --lot B7 --expires 2026-12-31",
        "vatvigil care list marrow-probe",
        'vatvigil care withdraw 4 --why "the other probe"',
    ),
)
def care() -> None:
    """Enter what was done to keep a probe well, and which buffers were opened.

    `cleaning-overdue` and `buffer-expired` remind by it; `vatvigil electrode` shows it beside the calibrations.
    """


@care.command()
@click.argument("probe")
@click.argument("what", type=click.Choice(_OF_PROBE))
@click.option("--using", default="", metavar="TEXT", help="Storage solution or cleaner.")
@click.option("--electrode", default="", metavar="SERIAL", help="Serial number; of a new electrode, the new one.")
@entry_options
def done(probe: str, what: str, *, using: str, electrode: str, asked: EntryOptions) -> None:
    """Enter what was done to PROBE."""
    config = load_config(asked.config_path)
    check_probe(config, probe)
    electrode = electrode or (config.probe(probe).electrode if what != CareKind.ELECTRODE_CHANGED else "")
    made = CareEntry(
        entry=new_entry_id(),
        probe=probe,
        kind=CareKind(what),
        at_us=0,
        happened_at_us=0,
        using=using,
        electrode=electrode,
    )
    _keep(config, made, asked)


@care.command()
@click.argument("buffer")
@click.option("--lot", default="", metavar="TEXT", help="Lot on the bottle or sachet.")
@moment_option("--expires", help="Until when it serves; without it nothing reminds.")
@entry_options
def opened(buffer: str, *, lot: str, expires: Given | None, asked: EntryOptions) -> None:
    """Enter that a bottle or sachet of BUFFER (its id, as `vatvigil help calibrating` lists them) was opened."""
    from logger.cli._guided import buffers

    config = load_config(asked.config_path)
    (known,) = buffers(config, buffer)
    now = HouseTime.of(config)
    made = CareEntry(
        entry=new_entry_id(),
        probe="",
        kind=CareKind.BUFFER_OPENED,
        at_us=0,
        happened_at_us=0,
        buffer=known.id,
        lot=lot,
        expires_at_us=None if expires is None else at(expires, now),
    )
    _keep(config, made, asked)


@care.command()
@click.argument("number", type=int)
@click.option("--why", required=True, metavar="TEXT", help="The reason.")
@entry_options
def withdraw(number: int, *, why: str, asked: EntryOptions) -> None:
    """Take entry NUMBER of the diary back, as `care list` numbers it; it stays in the diary with the reason."""
    config = load_config(asked.config_path)
    with reading_store(config) as store:
        known = diary(store)
    old = next((each for each in standing(known) if each.id == number), None)
    if old is None:
        raise RefusedError(f"the diary has no entry {number} that stands: `vatvigil care list` numbers them")
    made = replace(old, id=0, entry=new_entry_id(), corrects=old.entry, is_withdrawal=True)
    _keep(config, made, replace(asked, note=why))


def _keep(config: Config, new: CareEntry, asked: EntryOptions) -> None:
    """Store an entry and the commands by which the watches hear of it; print what became of them."""
    with Store.open(config.store_url, simulated=config.simulated, busy_s=BUSY_S) as store:
        now = HouseTime(LocalTime.of(config.people), watch_now_us(config, store))
        happened_at_us = now.at_us if asked.happened is None else at(asked.happened, now)
        entry = replace(new, at_us=now.at_us, happened_at_us=happened_at_us, by=asked.by, note=asked.note)
        commands = _commands(config, [*diary(store), entry], entry)
        for command in commands:
            figures.check(command)
        with store.begin() as work:
            stored = work.add_care_entry(entry)
            numbers = [work.add_command(command) for command in commands]
            work.commit()
        pending = await_answers(config, store, numbers, probe=entry.probe or fastest(config), wait_s=asked.wait_s)
    _print(config, stored, pending, now.clock, as_json=asked.as_json)


def _commands(config: Config, entries: Sequence[CareEntry], new: CareEntry) -> list[Command]:
    """Return what the watch over each probe that an entry concerns is told."""
    probes = [new.probe] if new.probe else [probe.id for probe in config.probes]
    words = f"care: {words_of(new)}"
    return [
        Command(
            id=0,
            at_us=new.at_us,
            kind=CommandKind.CARE,
            vat="",
            probe=probe,
            by=new.by,
            note=told_text(words, state_of(entries, probe)),
        )
        for probe in probes
    ]


def _print(
    config: Config, stored: CareEntry, pending: list[PendingRequest], clock: LocalTime, *, as_json: bool
) -> None:
    if as_json:
        print_json({"simulated": config.simulated, "entry": entry_json(stored), "asked": pending})
    else:
        print_simulated(simulated=config.simulated)
        late = f", at {clock.shown(stored.happened_at_us)}" if stored.is_backdated else ""
        click.echo(f"Entry {stored.id} in the care diary: {words_of(stored)}{late}.")
        print_outcomes(pending)
    exit_refused(pending)


@care.command("list")
@click.argument("probe", required=False)
@utc_option
@config_option
@json_option
@sentences
def list_(probe: str | None, utc: bool, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flags
    """Show the care diary, of PROBE alone or of all, with what was taken back."""
    config = load_config(config_path)
    if probe is not None:
        check_probe(config, probe)
    with reading_store(config) as store:
        found = diary(store, probe)
    if as_json:
        print_json({"simulated": config.simulated, "entries": [entry_json(each) for each in found]})
        return
    print_simulated(simulated=config.simulated)
    if not found:
        click.echo("The care diary is empty: `vatvigil care done PROBE cleaned` makes an entry.")
        return
    clock, numbers = LocalTime.of(config.people, utc=utc), {each.entry: each.id for each in found}
    rows = [
        [str(each.id), clock.shown(each.happened_at_us), each.probe, each.by, _said(each, numbers, clock)]
        for each in found
    ]
    print_table("", ["No.", "When", "Probe", "By", "What"], rows)


def _said(entry: CareEntry, numbers: dict[str, int], clock: LocalTime) -> str:
    words = f"withdraws entry {numbers[entry.corrects]}" if entry.is_withdrawal else words_of(entry)
    words += f" ({entry.note})" if entry.note else ""
    return f"{words}. Entered {clock.shown(entry.at_us)}" if entry.is_backdated else words
