"""Show what happened in a night, with a picture.

Law: reads only, and of the log only that night.
"""

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.cli._common import (
    CAUTION,
    archive_option,
    config_option,
    folded,
    json_option,
    load_config,
    print_json,
    reading_from,
    screen_width,
    sentences,
)
from logger.cli._page_file import write_page
from logger.cli._picture import draw
from logger.cli._requests import examples, print_simulated, reading_store, vat_of, watch_now_us
from logger.cli._times import utc_option
from logger.config import Config, VatConfig
from logger.errors import RefusedError
from logger.store import Store

if TYPE_CHECKING:
    from logger.report.local_time import LocalTime
    from logger.report.night import Night


def _day(_ctx: click.Context, _param: click.Parameter, value: str | None) -> date | None:
    if value is None:
        return None
    try:
        return date.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is no date such as 2026-11-24.") from None


@click.command(
    epilog=examples(
        "vatvigil night",
        "vatvigil night north --evening 2026-11-24",
        "vatvigil night north --json | jq .nights[0].believed",
        "vatvigil night --html night.html",
    ),
)
@click.argument("vat", required=False)
@click.option(
    "--evening", callback=_day, metavar="DATE", help="The night that began on this evening [default: the last]."
)
@click.option(
    "--html",
    "html_path",
    type=click.Path(dir_okay=False, writable=True, path_type=Path),
    help="Write a page that any browser shows and prints to this file instead.",
)
@click.option("--no-plot", is_flag=True, help="Only the words.")
@archive_option
@config_option
@json_option
@utc_option
@sentences
def night(
    vat: str | None,
    evening: date | None,
    html_path: Path | None,
    archive: Path | None,
    config_path: Path,
    *,
    no_plot: bool,
    as_json: bool,
    utc: bool,
) -> None:
    """Show what happened at VAT (default: at each) from 18:00 to 08:00 by the clock of [people].

    Claims first, then what was believed, the lowest and the highest pH, alarms and who was told, what was done and
    what to do; below it the picture.
    """
    from logger.report import night_json
    from logger.report.local_time import LocalTime

    config = reading_from(load_config(config_path), archive)
    vats = [one for one in config.vats if not one.reference_of] if vat is None else [vat_of(config, vat)]
    with reading_store(config) as store:
        nights = [_gathered(config, store, one, evening) for one in vats]
    if html_path is not None:
        clocks = [LocalTime.of(one.people, utc=utc) for one in vats]
        _write(html_path, [(*one, clock) for one, clock in zip(nights, clocks, strict=True)])
        return
    if as_json:
        facts = [night_json.facts(one) for one, _ in nights]
        print_json({"simulated": config.simulated, "nights": facts, "caution": CAUTION})
        return
    print_simulated(simulated=config.simulated)
    for (one, is_over), of_vat in zip(nights, vats, strict=True):
        _show(one, LocalTime.of(of_vat.people, utc=utc), is_over=is_over, no_plot=no_plot)
    click.echo(folded(CAUTION))


def _gathered(config: Config, store: Store, vat: VatConfig, evening: date | None) -> tuple["Night", bool]:
    """Return a night of a vat, and whether it is over."""
    from logger.report import night

    now = watch_now_us(config, store)
    since_us, until_us = night.night_of(vat.people, at_us=now, evening=evening)
    if since_us > now:
        raise RefusedError(f"the night of {evening} has not begun yet: choose an earlier evening")
    found = night.gather(config, store, vat, since_us=since_us, until_us=min(until_us, now), at_us=now)
    return found, until_us <= now


def _write(path: Path, told: "list[tuple[Night, bool, LocalTime]]") -> None:
    """Write the page of some nights."""
    from logger.report import html_page

    page = html_page.nights(((one, clock, is_over) for one, is_over, clock in told), caution=CAUTION)
    write_page(path, page)
    click.echo(f"Written: {path}")


def _show(night: "Night", clock: "LocalTime", *, is_over: bool, no_plot: bool) -> None:
    from logger.report.night_page import NightPage

    click.echo("\n".join(NightPage(clock=clock, width=screen_width()).lines(night, is_over=is_over)))
    click.echo()
    if not no_plot:
        draw(night.curve, clock)
        click.echo()
