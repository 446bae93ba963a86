"""Move what is old out of the store into a file that verifies.

Law: nothing is removed before the file was flushed to the disk and read again; what is removed is said before.
"""

import sys
from pathlib import Path
from shutil import disk_usage
from typing import TYPE_CHECKING

import click

from logger.cli._common import (
    command_line,
    config_option,
    folded,
    json_option,
    load_config,
    print_json,
    print_table,
    sentences,
)
from logger.cli._requests import BUSY_S, examples, print_simulated, reading_store, watch_now_us
from logger.cli._times import EXAMPLES, Given, HouseTime, at, moment_option, utc_option
from logger.config import Config
from logger.errors import RefusedError
from logger.report.local_time import LocalTime
from logger.report.words import counted
from logger.store import Store
from logger.units import DAY_US

if TYPE_CHECKING:
    from logger.store.archive_note import Note, Stretch
    from logger.store.archive_plan import Plan

DAYS = 365
before_option = moment_option(
    "--before", help=f"Only what is older than this, {EXAMPLES} [default: {DAYS} days before now]."
)
_FILE = click.Path(dir_okay=False, path_type=Path)


@click.group(
    epilog=examples(
        "vatvigil archive list",
        "vatvigil archive make /media/usb/vats-2025.sqlite --before 2026-01-01",
        "vatvigil archive verify /media/usb/vats-2025.sqlite",
        "vatvigil night north --evening 2025-03-01 --archive /media/usb/vats-2025.sqlite",
        "vatvigil batch report N-17 --also /media/usb/vats-2025.sqlite",
    )
)
def archive() -> None:
    """Move what is old out of the store into a file of its own, and verify such files.

    Moved are records, the journal and delivered events. What goes on stays: the batch under way, the last week of each
    vat, alarms that stand, the newest claim, events and commands that wait. Calibrations, checks, batches and the care
    diary stay too, and the archive gets a copy.
    """


@archive.command("list")
@before_option
@utc_option
@config_option
@json_option
@sentences
def list_(before: Given | None, config_path: Path, *, utc: bool, as_json: bool) -> None:
    """Show which archives were made of the store, and what could be moved now. Changes nothing."""
    from logger.store import archive_plan

    config = load_config(config_path)
    with reading_store(config) as store:
        now = HouseTime(LocalTime.of(config.people, utc=utc), watch_now_us(config, store))
        plan = archive_plan.plan(store, before_us=_before_us(before, now))
        moved = store.moved
    if as_json:
        print_json({"simulated": config.simulated, "archives": moved, "could_be_moved": plan})
        return
    print_simulated(simulated=config.simulated)
    for note in moved:
        _print_note(note, now.clock)
    if not moved:
        click.echo("Nothing was moved out of the store yet.")
    _print_plan(plan, now.clock, "Could be moved now", _before_us(before, now))


@archive.command()
@click.argument("file", type=_FILE)
@before_option
@click.option("--yes", "assume_yes", is_flag=True, help="Do not ask.")
@utc_option
@config_option
@sentences
def make(file: Path, before: Given | None, config_path: Path, *, assume_yes: bool, utc: bool) -> None:
    """Move what is old into FILE, a new one. End the daemon before.

    FILE is written, flushed to the disk and read again; only then is anything removed from the store. Whatever
    interrupts it: the same command goes on where it was. Afterwards the store gives the space back to its disk.
    """
    from logger.store import archive as archives

    config = load_config(config_path)
    with Store.open(config.store_url, simulated=config.simulated, busy_s=BUSY_S) as store:
        store.claim()
        print_simulated(simulated=config.simulated)
        now = HouseTime(LocalTime.of(config.people, utc=utc), watch_now_us(config, store))
        note = archives.begun(store, file, simulated=config.simulated)
        if note is not None:
            click.echo(folded(f"{file} was made already; it is verified, and what is left to be removed is removed."))
            note = archives.verify(file, simulated=config.simulated)
        else:
            note = _made(config, store, file, _before_us(before, now), now, assume_yes=assume_yes)
        if note is None:
            return
        click.echo("Removing it from the store ...")
        archives.finish(store, file, note, simulated=config.simulated, after=_quiet)
        shrunk = archives.shrink(store)
    _print_note(note, now.clock)
    click.echo(f"Read again and found the same. SHA-256 of what it holds: {note.digest}")
    if shrunk.why_not:
        click.echo(folded(f"The store is no smaller ({shrunk.why_not}): new records use the space again."))
    else:
        click.echo(folded(f"The store has {_size(shrunk.now)}, it had {_size(shrunk.before)}."))
    click.echo(folded("Copy that file to another disk: no backup of the store has it from now on. It is read by"))
    click.echo(command_line(f"vatvigil night --evening DATE --archive {file}"))
    click.echo("Start the daemon again.")


def _made(
    config: Config, store: Store, file: Path, before_us: int, now: HouseTime, *, assume_yes: bool
) -> "Note | None":
    """Make an archive if somebody wants it; None: nobody does, or there is nothing."""
    from logger.store import archive as archives
    from logger.store import archive_plan

    if not file.parent.is_dir():
        raise RefusedError(f"there is no folder {file.parent}: make it first")
    archive_plan.require_taken(store)
    plan = archive_plan.plan(store, before_us=before_us)
    _print_plan(plan, now.clock, f"To be moved into {file}", before_us)
    if plan.is_empty:
        return None
    free = disk_usage(file.parent).free
    if free < plan.bytes:
        raise RefusedError(f"that disk has {_size(free)} free: free some, or name a file on another one")
    if not assume_yes and not sys.stdin.isatty():
        click.echo("Nothing was moved: add --yes to move it.")
        return None
    if not assume_yes and not click.confirm("Move it?", default=False):
        click.echo("Nothing was moved.")
        return None
    click.echo(f"Writing {file} and reading it again ...")
    return archives.make(store, plan, file, simulated=config.simulated, at_us=now.at_us, after=_quiet)


@archive.command()
@click.argument("file", type=_FILE)
@utc_option
@config_option
@json_option
@sentences
def verify(file: Path, config_path: Path, *, utc: bool, as_json: bool) -> None:
    """Verify FILE: read every row of it, and compare with what it says and with what the store says of it."""
    from logger.store import archive as archives

    config = load_config(config_path)
    if not file.is_file():
        raise RefusedError(f"there is no file {file}")
    note = archives.verify(file, simulated=config.simulated)
    with reading_store(config) as store:
        known = note.digest in {each.digest for each in store.moved}
        is_of_store = note.store == store.identity
    if is_of_store and not known:
        raise RefusedError(
            f"{file} is whole, but the store does not know it: it was changed, or nothing was removed yet (the same"
            f" `vatvigil archive make {file}` goes on)"
        )
    if as_json:
        print_json({"simulated": config.simulated, "is_of_store": is_of_store, "archive": note})
        return
    print_simulated(simulated=config.simulated)
    _print_note(note, LocalTime.of(config.people, utc=utc))
    where = "The store says the same of it." if is_of_store else "It was made of another store than the present one."
    click.echo(folded(f"Whole: every row was read, and is as it was put in. {where}"))
    click.echo(f"SHA-256: {note.digest}")


@archive.command()
@click.argument("file", type=_FILE)
@config_option
@sentences
def upgrade(file: Path, config_path: Path) -> None:
    """Bring FILE, which an older version made, to what this version reads; a copy of it stays beside it."""
    from logger.store import archive as archives

    config = load_config(config_path)
    if not file.is_file():
        raise RefusedError(f"there is no file {file}")
    archives.upgrade(file, simulated=config.simulated)
    print_simulated(simulated=config.simulated)
    click.echo(f"{file} can be read by this version.")


def _before_us(before: Given | None, now: HouseTime) -> int:
    before_us = now.at_us - DAYS * DAY_US if before is None else at(before, now)
    if before_us > now.at_us:
        raise click.BadParameter("choose a time that has been.", param_hint="--before")
    return before_us


def _quiet(_step: str) -> None:
    """Say nothing of a step."""


def _print_plan(plan: "Plan", clock: LocalTime, title: str, before_us: int) -> None:
    title = f"{title}: what is older than {clock.shown(before_us)}"
    if plan.is_empty:
        click.echo(folded(f"Nothing that is older than {clock.shown(before_us)} can be moved (see --before)."))
    else:
        _print_stretches(plan.selection.stretches, clock, title)
        entries = counted(plan.entries, "row")
        size = f"About {_size(plan.bytes)} of {_size(plan.store_bytes)}."
        click.echo(folded(f"Also {entries} of the journal and {counted(plan.events, 'delivered event')}. {size}"))
    for one in plan.held:
        click.echo(folded(f"Of {one.vat} all since {_minute(one.since_us, clock)} stays: {one.why}."))


def _print_note(note: "Note", clock: LocalTime) -> None:
    _print_stretches(note.stretches, clock, f"In the archive {note.file}, made {clock.shown(note.made_at_us)}")
    rows = counted(note.rows["journal"], "row")
    click.echo(f"Also {rows} of the journal and {counted(note.rows['outbox'], 'delivered event')}.")


def _print_stretches(stretches: "tuple[Stretch, ...]", clock: LocalTime, title: str) -> None:
    rows = [
        [one.vat, one.probe, f"{one.records:,}", _minute(one.since_us, clock), _minute(one.until_us, clock)]
        for one in stretches
    ]
    print_table(title, ["Vat", "Probe", "Records", "From", "To"], rows)


def _minute(at_us: int, clock: LocalTime) -> str:
    """Return a time without its seconds and its zone."""
    return clock.shown(at_us)[:16]


def _size(count: int) -> str:
    return f"{count / 1e6:.1f} MB"
