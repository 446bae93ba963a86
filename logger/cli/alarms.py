"""List, acknowledge and shelve alarms; read their journal.

Law: whatever changes an alarm goes through the daemon, which journals it with who asked. An acknowledgement carries
the occurrence that the person saw.
"""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, ParamSpec, TypedDict, Unpack

import click
import msgspec

from logger.cli._common import config_option, folded, json_option, load_config, print_json, print_table, sentences
from logger.cli._performance import report
from logger.cli._requests import (
    CommandsFor,
    PendingRequest,
    by_option,
    check_name,
    examples,
    exit_refused,
    note_option,
    now_us,
    outcome,
    print_requests,
    print_simulated,
    reading_store,
    submit,
    submit_all,
    tell_elsewhere,
    vat_of,
    wait_option,
)
from logger.cli._times import EXAMPLES, Given, HouseTime, at, moment_option, utc_option
from logger.config import Config, VatConfig
from logger.model import AlarmState, Carry, Command, CommandKind, Entry
from logger.model.figures import OCCURRENCE
from logger.report.local_time import LocalTime
from logger.store import Store
from logger.watch import system

P = ParamSpec("P")


class _ListByDefault(click.Group):
    """Runs `list` when no command is named; `--report` is another name of `report`."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put `list` in front of options that stand alone."""
        if args and args[0] == "--report":
            args = ["report", *args[1:]]
        if not args or (args[0].startswith("-") and args[0] not in ctx.help_option_names):
            args = ["list", *args]
        return super().parse_args(ctx, args)


@click.group(
    cls=_ListByDefault,
    epilog=examples(
        "vatvigil alarms",
        "vatvigil alarms ack marrow ph-high",
        "vatvigil alarms ack --all",
        'vatvigil alarms shelve marrow ph-high --minutes 60 --note "topped up"',
        "vatvigil alarms journal --from 22:00",
        "vatvigil alarms --report --from 2026-11-01",
    ),
)
def alarms() -> None:
    """List the alarms (the default), answer them, read their journal."""


alarms.add_command(report)


@alarms.command("list")
@click.option("--all", "everything", is_flag=True, help="Also those that are normal.")
@config_option
@json_option
@sentences
def list_(everything: bool, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flags
    """List the alarms that are not normal (the default).

    They stand, are shelved, suppressed or out of service.
    """
    config = load_config(config_path)
    with reading_store(config) as store:
        shown = [one for one in _alarm_states(config, store) if everything or one["state"] != "normal"]
    if as_json:
        print_json({"simulated": config.simulated, "alarms": shown})
        return
    print_simulated(simulated=config.simulated)
    if not shown:
        click.echo("No alarm stands (--all lists every one).")
        return
    print_table("", ["Vat, alarm", "State", "What"], map(_row, shown))


def _alarm_states(config: Config, store: Store) -> Iterator[dict[str, Any]]:
    from logger.report.status import alarms as standing
    from logger.report.status import now_of
    from logger.store import queries

    carries = queries.watches(store)
    newest = {vat.id: queries.latest(store, vat.probe) for vat in config.vats}
    now = now_of(config, [*newest.values()], at_us=now_us(config))
    for vat in (*config.vats, system.vat_of(config)):
        carry = carries.get(vat.id, Carry(probe=vat.probe))
        yield from map(msgspec.to_builtins, standing(vat, carry, newest.get(vat.id), now))


def _row(alarm: dict[str, Any]) -> list[str]:
    from logger.report.words import age

    since = "" if alarm["age_s"] is None else f"\nfor {age(alarm['age_s'])}"
    occurrence = f", occurrence {alarm['occurrence']}" if alarm["occurrence"] else ""
    state = alarm["state"].replace("-", " ") + since
    text = "\n".join([alarm["text"], *alarm["lines"][1:]])
    return [f"{alarm['vat']} {alarm['alarm']}", f"{state}\n{alarm['priority']}{occurrence}", text]


class _How(TypedDict):
    """The options that all requests share."""

    by: str
    note: str
    wait_s: float | None
    config_path: Path
    as_json: bool


def _options(command: Callable[P, None]) -> Callable[P, None]:
    """Give a command the options that all requests share."""
    for option in (json_option, config_option, wait_option, note_option, by_option):
        command = option(command)
    return command


@alarms.command
@click.argument("vat", required=False)
@click.argument("alarm", required=False)
@click.option("--all", "everything", is_flag=True, help="All that wait for it now, at VAT or (no VAT) everywhere.")
@click.option(
    "--occurrence",
    type=click.IntRange(0, int(OCCURRENCE.high)),
    metavar="N",
    help="The occurrence that you mean [default: the one that stands now].",
)
@_options
@sentences
def ack(
    vat: str | None,
    alarm: str | None,
    everything: bool,  # noqa: FBT001 - click's flag
    occurrence: int | None,
    **how: Unpack[_How],
) -> None:
    """Acknowledge an ALARM of VAT: a person knows of it.

    An occurrence that comes later needs an acknowledgement of its own.
    """
    if everything:
        if alarm is not None or occurrence is not None:
            raise click.UsageError("--all is for every alarm: name neither one nor an occurrence with it")
        _acknowledge_all(vat, how)
        return
    if vat is None or alarm is None:
        raise click.UsageError("name VAT and ALARM, or give --all for every alarm that waits")
    _request(CommandKind.ACKNOWLEDGE, vat, alarm, occurrence=occurrence, how=how)


def _acknowledge_all(vat: str | None, how: _How) -> None:
    """Acknowledge the occurrences that wait for it now, and say of each what became of it."""
    from logger.report.status import to_acknowledge

    config = load_config(how["config_path"])
    own = system.vat_of(config)
    targets = [*config.vats, own] if vat is None else [own if vat == system.SYSTEM else vat_of(config, vat)]

    def asked(target: VatConfig) -> tuple[VatConfig, CommandsFor]:
        return target, lambda carry, at_us: [
            _acknowledgement(target, name, state.occurrence, at_us=at_us, how=how)
            for name, state in to_acknowledge(target, carry)
        ]

    answered = submit_all(config, [asked(target) for target in targets], wait_s=how["wait_s"])
    if how["as_json"]:
        print_json([pending for _, pending in answered])
    else:
        print_simulated(simulated=config.simulated)
        click.echo("\n".join(_answered(*one) for one in answered) or "No alarm waits to be acknowledged.")
    exit_refused([pending for _, pending in answered])


def _answered(command: Command, pending: PendingRequest) -> str:
    return folded(f"{command.vat} {command.alarm}: {outcome(pending)}.")


def _acknowledgement(target: VatConfig, alarm: str, occurrence: int, *, at_us: int, how: _How) -> Command:
    return Command(
        id=0,
        at_us=at_us,
        kind=CommandKind.ACKNOWLEDGE,
        vat=target.id,
        alarm=alarm,
        occurrence=occurrence,
        by=how["by"],
        note=how["note"],
    )


@alarms.command
@click.argument("vat")
@click.argument("alarm")
@click.option("--minutes", type=float, required=True, help="For how long; at most max_shelve_s of the vat.")
@_options
@sentences
def shelve(vat: str, alarm: str, minutes: float, **how: Unpack[_How]) -> None:
    """Silence an ALARM of VAT for some minutes.

    It goes on being judged and comes back by itself.
    """
    _request(CommandKind.SHELVE, vat, alarm, duration_s=minutes * 60, how=how)


@alarms.command
@click.argument("vat")
@click.argument("alarm")
@_options
@sentences
def unshelve(vat: str, alarm: str, **how: Unpack[_How]) -> None:
    """End the shelving of an ALARM of VAT.

    If it is abnormal, it comes anew.
    """
    _request(CommandKind.UNSHELVE, vat, alarm, how=how)


@alarms.command
@click.argument("vat")
@click.argument("alarm")
@_options
@sentences
def reset(vat: str, alarm: str, **how: Unpack[_How]) -> None:
    """Reset a latching ALARM of VAT.

    It must have returned and been acknowledged.
    """
    _request(CommandKind.RESET, vat, alarm, how=how)


@alarms.command("out-of-service")
@click.argument("vat")
@click.argument("alarm")
@_options
@sentences
def out_of_service(vat: str, alarm: str, **how: Unpack[_How]) -> None:
    """Take an ALARM of VAT out of service.

    Until it is returned by hand.
    """
    _request(CommandKind.OUT_OF_SERVICE, vat, alarm, how=how)


@alarms.command("return-to-service")
@click.argument("vat")
@click.argument("alarm")
@_options
@sentences
def return_to_service(vat: str, alarm: str, **how: Unpack[_How]) -> None:
    """Return an ALARM of VAT to service.

    If it is abnormal, it comes.
    """
    _request(CommandKind.RETURN_TO_SERVICE, vat, alarm, how=how)


def _request(
    kind: CommandKind,
    vat: str,
    alarm: str,
    *,
    how: _How,
    occurrence: int | None = None,
    duration_s: float | None = None,
) -> None:
    """Ask for one thing, and say what became of it."""
    config = load_config(how["config_path"])
    target = system.vat_of(config) if vat == system.SYSTEM else vat_of(config, vat)
    check_name(alarm, [str(each.id) for each in target.alarms], what=f"vat {target.id} has no alarm")

    def commands_for(carry: Carry, at_us: int) -> list[Command]:
        shown_occurrence = occurrence
        if kind is CommandKind.ACKNOWLEDGE and shown_occurrence is None:
            shown_occurrence = carry.alarms.get(alarm, AlarmState()).occurrence
        return [
            Command(
                id=0,
                at_us=at_us,
                kind=kind,
                vat=target.id,
                alarm=alarm,
                occurrence=shown_occurrence,
                duration_s=duration_s,
                by=how["by"],
                note=how["note"],
            )
        ]

    print_requests(submit(config, target, commands_for, wait_s=how["wait_s"]), as_json=how["as_json"])


@alarms.command
@click.option("--vat", help="Only of this vat, or of the system [default: of all].")
@click.option("--limit", type=click.IntRange(1, 100_000), default=50, show_default=True, help="The newest so many.")
@moment_option("--from", "--since", "since", help=f"Only from this time on, {EXAMPLES}.")
@config_option
@json_option
@utc_option
@sentences
def journal(vat: str | None, limit: int, since: Given | None, config_path: Path, *, as_json: bool, utc: bool) -> None:
    """Show the journal: what happened, who did what.

    Oldest first.
    """
    from logger.store import queries

    config = load_config(config_path)
    with reading_store(config) as store:
        since_us = None if since is None else at(since, HouseTime.of(config, utc=utc))
        for each in [one.id for one in config.vats] if vat is None else ["" if vat == system.SYSTEM else vat]:
            tell_elsewhere(store, each, since_us, None)
        only_vat = "" if vat == system.SYSTEM else vat
        entries = queries.entries(store, limit=limit, vat=only_vat, since_at_us=since_us)
        if vat not in (None, system.SYSTEM) and not entries and not queries.entries(store, limit=1, vat=vat):
            vat_of(config, vat)
    if as_json:
        print_json({"simulated": config.simulated, "entries": [_entry(entry) for entry in entries]})
        return
    print_simulated(simulated=config.simulated)
    if not entries:
        click.echo("Nothing is in the journal for that.")
        return
    clock = LocalTime.of(config.people, utc=utc)
    print_table("", ["When", "Vat, alarm", "What"], [_journal_row(entry, clock) for entry in entries])


def _entry(entry: Entry) -> dict[str, Any]:
    from logger.mqtt.payloads import rfc3339

    return {"at": rfc3339(entry.at_us), **msgspec.to_builtins(entry)}


def _journal_row(entry: Entry, clock: LocalTime) -> list[str]:
    what = f"{entry.cause}: {entry.text}" if entry.text not in ("", entry.cause.value) else entry.cause.value
    by = f" (by {entry.by})" if entry.by else ""
    return [clock.shown(entry.at_us), " ".join([entry.vat or system.SYSTEM, entry.alarm]).strip(), what + by]
