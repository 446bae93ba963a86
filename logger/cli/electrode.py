"""Show the condition of an electrode over its life.

Law: reads only.
"""

from pathlib import Path

import click
import msgspec

from logger.cli._common import config_option, json_option, load_config, print_json, print_table, sentences
from logger.cli._requests import check_probe, examples, now_us, print_simulated, reading_store


@click.command(
    epilog=examples("vatvigil electrode marrow-probe", "vatvigil electrode marrow-probe --json | jq .forecast"),
)
@click.argument("probe")
@config_option
@json_option
@sentences
def electrode(probe: str, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flag
    """Show the condition of the electrode in PROBE: slope, offset, response, noise and drift over its calibrations.

    t95 is the time it took for 95 % of the change to the slowest buffer, `found off` how far the calibration before was
    off when this one was made. The forecast says when the slope leaves its limit, with a 95 % interval, once there are
    four calibrations.
    """
    from logger.report.electrode import COLUMNS, cells, gather, head, lines

    config = load_config(config_path)
    check_probe(config, probe)
    with reading_store(config) as store:
        condition = gather(config, store, config.probe(probe), at_us=now_us(config))
    if as_json:
        print_json(msgspec.to_builtins(condition))
        return
    print_simulated(simulated=config.simulated)
    click.echo("\n".join(head(condition)))
    if not condition.trend:
        click.echo(f"  No calibration of it is stored: `vatvigil calibrate {probe}` guides you through it.")
        return
    print_table("", COLUMNS, map(cells, condition.trend))
    click.echo("\n".join(lines(condition)))
