"""Show what the daemon knows now.

Law: reads only; exit 3 when a person should do something.
"""

import sys
from pathlib import Path
from textwrap import fill

import click
import msgspec

from logger.cli._common import ATTENTION, CAUTION, config_option, json_option, load_config, print_json, sentences
from logger.cli._requests import examples, now_us, print_simulated, reading_store
from logger.cli._times import utc_option


@click.command(
    epilog=examples(
        "vatvigil status",
        "vatvigil status --json | jq .vats[0].newest.ph",
    ),
)
@config_option
@json_option
@utc_option
@sentences
def status(config_path: Path, *, as_json: bool, utc: bool) -> None:
    """Show what the daemon knows now: readings, belief, alarms, probes, the outbox.

    Exit code 3: something needs attention (an old reading, an alarm that nobody acknowledged, no calibration).
    """
    from logger.report import page
    from logger.report.local_time import LocalTime
    from logger.report.status import gather

    config = load_config(config_path)
    with reading_store(config) as store:
        overview = gather(config, store, at_us=now_us(config))
    if as_json:
        print_json({**msgspec.to_builtins(overview), "caution": CAUTION})
    else:
        print_simulated(simulated=config.simulated)
        click.echo("\n".join(page.lines(overview, LocalTime.of(config.people, utc=utc))))
        click.echo(f"\n{fill(CAUTION, page.WIDTH)}")
    sys.exit(ATTENTION if overview.attention else 0)
