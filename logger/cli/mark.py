"""Record what was done at a vat.

Law: a mark is a command like any other.
"""

from pathlib import Path

import click

from logger.cli._common import config_option, json_option, load_config, sentences
from logger.cli._requests import by_option, examples, print_requests, submit, vat_of, wait_option
from logger.model import Carry, Command, CommandKind, Mark

_MINUTES = (Mark.PROBE_OUT, Mark.STIRRED, Mark.TOPPED_UP)


@click.command(
    epilog=examples(
        'vatvigil mark marrow probe-out --minutes 30 --note "calibrating"',
        "vatvigil mark marrow probe-in",
        "vatvigil mark marrow stirred",
        'vatvigil mark marrow topped-up --litres 4 --note "brine, 2.6 % salt"',
        "vatvigil mark marrow started --hours-ago 3",
    ),
)
@click.argument("vat")
@click.argument("what", type=click.Choice([mark.value for mark in Mark]))
@click.option(
    "--minutes",
    type=float,
    help="With probe-out, stirred, topped-up: how long it counts at most"
    " [default: probe_out_s or unsettled_s of the vat].",
)
@click.option("--litres", type=float, help="With topped-up: how much.")
@click.option("--hours-ago", type=float, help="With started: how long ago [default: now].")
@by_option
@click.option("--note", default="", metavar="TEXT", help="A remark, for the journal: salt, why, who helped.")
@wait_option
@config_option
@json_option
@sentences
def mark(  # noqa: PLR0913, PLR0917 - one parameter for each option
    vat: str,
    what: str,
    minutes: float | None,
    litres: float | None,
    hours_ago: float | None,
    by: str,
    note: str,
    wait_s: float | None,
    config_path: Path,
    as_json: bool,  # noqa: FBT001 - click's flag
) -> None:
    """Record what was done at VAT, so that its alarms judge the readings rightly.

    \b
    probe-out  The process alarms are suspended for a limited time, until
               probe-in; mark it before the probe is lifted.
    probe-in   The probe is back; until you say so no reading is believed
               and the alarms stay held back.
    stirred    For a limited time the alarms of change (rate-of-change,
               rise) are paused.
    topped-up  The same; and the lowest pH moves by the step that it made.
    started    A batch begins; its deadlines count from there. Its record
               begins too, see `vatvigil batch`.
    ended      The batch has ended; its course is watched no more.
    """  # noqa: D301 - click's mark of a paragraph as it stands
    _check(what, minutes=minutes, litres=litres, hours_ago=hours_ago)
    config = load_config(config_path)
    target = vat_of(config, vat)
    duration_s = minutes * 60 if minutes is not None else hours_ago * 3600 if hours_ago is not None else None

    def commands_for(_: Carry, at_us: int) -> list[Command]:
        marked = Command(
            id=0,
            at_us=at_us,
            kind=CommandKind.MARK,
            vat=target.id,
            duration_s=duration_s,
            litres=litres,
            by=by,
            note=what,
        )
        remark = Command(id=0, at_us=at_us, kind=CommandKind.NOTE, vat=target.id, by=by, note=note)
        return [marked, remark] if note else [marked]

    print_requests(submit(config, target, commands_for, wait_s=wait_s), as_json=as_json)


def _check(what: str, *, minutes: float | None, litres: float | None, hours_ago: float | None) -> None:
    """Raise UsageError for an option that says nothing about this mark."""
    if minutes is not None and what not in _MINUTES:
        raise click.UsageError(f"--minutes goes with {', '.join(_MINUTES)}: {what} has no end to set")
    if litres is not None and what != Mark.TOPPED_UP:
        raise click.UsageError("--litres goes with topped-up")
    if hours_ago is not None and what != Mark.STARTED:
        raise click.UsageError("--hours-ago goes with started")
