"""Show a span of a vat's log as a picture.

Law: reads only, and of the log only that span.
"""

import re
from pathlib import Path

import click

from logger.cli._common import config_option, load_config, screen_width, sentences
from logger.cli._picture import draw
from logger.cli._requests import check_probe, examples, print_simulated, reading_store, vat_of, watch_now_us
from logger.cli._times import Given, HouseTime, between, moment_option, utc_option
from logger.config import Config
from logger.errors import RefusedError
from logger.store import Store
from logger.units import DAY_US, HOUR_US, MINUTE_US

_UNITS = {"min": MINUTE_US, "h": HOUR_US, "d": DAY_US}
LONGEST_US = 400 * DAY_US
NIGHT_US = 20 * HOUR_US
"""In a longer span a time of day alone may be taken for another day's."""


def _length(_ctx: click.Context, _param: click.Parameter, value: str | None) -> int | None:
    """Return a length of time in microseconds. Raises click.BadParameter."""
    if value is None:
        return None
    match = re.fullmatch(r"(\d+(?:\.\d+)?) ?(min|h|d)", value.strip(), re.ASCII)
    length_us = round(float(match[1]) * _UNITS[match[2]]) if match else 0
    if not MINUTE_US <= length_us <= LONGEST_US:
        raise click.BadParameter(f"{value!r} is no length of time such as 30min, 12h or 7d (1 min to 400 d).")
    return length_us


@click.command(
    epilog=examples(
        "vatvigil show north",
        "vatvigil show north --last 3d",
        "vatvigil show north --from 22:00 --to 06:00",
    ),
)
@click.argument("vat")
@click.option(
    "--last", "last_us", callback=_length, metavar="LENGTH", help="So long until now, as 30min, 12h, 7d [12h]."
)
@moment_option("--from", "since", help="From this time on.")
@moment_option("--to", "until", help="Up to this time [default: now].")
@click.option("--probe", help="What another probe read at the vat [default: the vat's present one].")
@utc_option
@config_option
@sentences
def show(
    vat: str,
    last_us: int | None,
    since: Given | None,
    until: Given | None,
    probe: str | None,
    config_path: Path,
    *,
    utc: bool,
) -> None:
    """Show pH and temperature at VAT as a picture: the band of uncertainty, limits, alarms, what was not believed."""
    from logger.report.local_time import LocalTime
    from logger.report.night import curve_of
    from logger.report.night_page import NightPage

    if last_us is not None and since is not None:
        raise click.UsageError("--last counts back from --to (or now): leave out --from")
    config = load_config(config_path)
    of_vat, clock = vat_of(config, vat), LocalTime.of(config.people, utc=utc)
    if probe is not None:
        check_probe(config, probe)
    with reading_store(config) as store:
        since_us, until_us = _ends(config, store, since, until, last_us=last_us, utc=utc)
        curve = curve_of(config, store, of_vat, since_us=since_us, until_us=until_us, probe=probe or "")
    print_simulated(simulated=config.simulated)
    page = NightPage(clock=clock, width=screen_width(), has_days=until_us - since_us > NIGHT_US)
    click.echo("\n".join(page.about(curve)))
    click.echo()
    draw(curve, clock)


def _ends(
    config: Config,
    store: Store,
    since: Given | None,
    until: Given | None,
    *,
    last_us: int | None,
    utc: bool,
) -> tuple[int, int]:
    """Return begin and end of the span (UTC, microseconds)."""
    now_at_us = watch_now_us(config, store)
    since_us, until_us = between(since, until, HouseTime(HouseTime.of(config, utc=utc).clock, now_at_us))
    end_us = now_at_us + 1 if until_us is None else until_us
    begin_us = end_us - (12 * HOUR_US if last_us is None else last_us) if since_us is None else since_us
    if begin_us >= end_us:
        raise RefusedError("that span ends before it begins: give --from before --to, and before now")
    return begin_us, end_us
