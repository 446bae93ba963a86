"""`vatvigil mark`: the probe is out of the vat, or back. Law: a mark ends by itself; it is a command like any other."""

from pathlib import Path

import click

from logger.cli.asking import ask, by_option, examples, tell, vat_of, wait_option
from logger.cli.common import config_option, json_option, load_config, sentences
from logger.model import Carry, Command, CommandKind


@click.command(
    short_help="say that the probe is out of the vat",
    epilog=examples(
        'vatvigil mark marrow probe-out --minutes 30 --note "calibrating"',
        "vatvigil mark marrow probe-in",
    ),
)
@click.argument("vat")
@click.argument("what", type=click.Choice(["probe-out", "probe-in"]))
@click.option(
    "--minutes",
    type=float,
    help="With probe-out: how long the alarms stay suspended at most [default: probe_out_s of the vat].",
)
@by_option
@click.option("--note", default="", metavar="TEXT", help="A remark, for the journal.")
@wait_option
@config_option
@json_option
@sentences
def mark(
    vat: str,
    what: str,
    minutes: float | None,
    by: str,
    note: str,
    wait_s: float | None,
    config_path: Path,
    as_json: bool,  # noqa: FBT001 - click's flag
) -> None:
    """Say that the probe is out of VAT (probe-out) or back in it (probe-in).

    While it is out the process alarms of the vat are suspended, for a limited time; afterwards their delays start
    anew. Mark it before the probe is lifted for cleaning, calibration or a check.
    """
    if minutes is not None and what == "probe-in":
        raise click.UsageError("--minutes goes with probe-out: a probe that is back has no end to set")
    config = load_config(config_path)
    target = vat_of(config, vat)

    def make(_: Carry, at_us: int) -> list[Command]:
        duration_s = None if minutes is None else minutes * 60
        marked = Command(
            id=0, at_us=at_us, kind=CommandKind.MARK, vat=target.id, duration_s=duration_s, by=by, note=what
        )
        remark = Command(id=0, at_us=at_us, kind=CommandKind.NOTE, vat=target.id, by=by, note=note)
        return [marked, remark] if note else [marked]

    tell(ask(config, target, make, wait_s=wait_s), as_json=as_json)
