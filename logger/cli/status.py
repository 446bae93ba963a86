"""Show what the daemon knows now.

Law: reads only; exit 3 when a person should do something.
"""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from logger.cli._common import (
    ATTENTION,
    CAUTION,
    SIMULATED,
    Between,
    config_option,
    folded,
    json_option,
    load_config,
    print_json,
    screen_width,
    sentences,
)
from logger.cli._requests import examples, now_us, print_simulated, reading_store
from logger.cli._times import utc_option
from logger.cli._watching import watch
from logger.config import Config
from logger.errors import StoreBusyError
from logger.store import Store

if TYPE_CHECKING:
    from logger.report.local_time import LocalTime


@click.command(
    epilog=examples(
        "vatvigil status",
        "vatvigil status --watch",
        "vatvigil status --json | jq .vats[0].newest.ph",
    ),
)
@click.option(
    "--watch",
    "every_s",
    type=Between(0.5, 3600),
    is_flag=False,
    flag_value=5.0,
    metavar="[SECONDS]",
    help="Show it again every 5 s, or so many, until Ctrl-C; what needs attention comes first.",
)
@config_option
@json_option
@utc_option
@sentences
def status(every_s: float | None, config_path: Path, *, as_json: bool, utc: bool) -> None:
    """Show what the daemon knows now: readings, belief, alarms, probes, the outbox.

    Exit code 3: something needs attention (an old reading, an alarm that nobody acknowledged, no calibration).
    """
    from logger.report import page
    from logger.report.local_time import LocalTime
    from logger.report.status import gather

    if every_s is not None and as_json:
        raise click.UsageError("--watch draws a screen, --json is for scripts: leave one of them out")
    config = load_config(config_path)
    clock = LocalTime.of(config.people, utc=utc)
    with reading_store(config) as store:
        if every_s is not None:
            watch(lambda: _screen(config, store, clock), every_s=every_s)
        overview = gather(config, store, at_us=now_us(config))
    if as_json:
        print_json({**msgspec.to_builtins(overview), "caution": CAUTION})
    else:
        print_simulated(simulated=config.simulated)
        click.echo("\n".join(page.lines(overview, clock, screen_width())))
        click.echo(f"\n{folded(CAUTION)}")
    sys.exit(ATTENTION if overview.attention else 0)


def _screen(config: Config, store: Store, clock: "LocalTime") -> list[str]:
    """Return the page as it is drawn over and over; a store that is busy for a moment is no end of it."""
    from logger.report import page
    from logger.report.status import gather

    try:
        overview = gather(config, store, at_us=now_us(config))
    except StoreBusyError as busy:
        return [str(busy)]
    head = [f"{clock.shown_text(overview.at)}. Ctrl-C ends."] + [SIMULATED] * config.simulated
    return [*head, *page.lines(overview, clock, screen_width(), attention_first=True)]
