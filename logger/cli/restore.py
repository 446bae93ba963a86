"""Put a backup of the store in force.

Law: nothing is deleted: the store that was in force is kept under another name.
"""

from datetime import UTC, datetime
from pathlib import Path

import click

from logger.cli._common import config_option, folded, json_option, load_config, print_json, sentences
from logger.cli._requests import examples, print_simulated
from logger.daemon import renewal
from logger.units import SECOND_US


@click.command(
    epilog=examples("vatvigil restore", "vatvigil restore /var/backups/vatvigil/log-20261124T030000Z.sqlite")
)
@click.argument("backup", required=False, type=click.Path(dir_okay=False, path_type=Path), metavar="[FILE]")
@config_option
@json_option
@sentences
def restore(backup: Path | None, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flag
    """Put a backup in force: FILE, or the newest one of backup_dir. Stop the daemon before.

    The backup is checked, and copied into the place of the store; that is kept under a name that ends in the time.
    """
    config = load_config(config_path)
    done = renewal.put_in_force(config, backup)
    if as_json:
        print_json({"simulated": config.simulated, "restored": done})
        return
    print_simulated(simulated=config.simulated)
    newest = "no record"
    if done.newest_at_us:
        newest = (
            f"its newest record is of {datetime.fromtimestamp(done.newest_at_us // SECOND_US, UTC):%Y-%m-%d %H:%M} UTC"
        )
    kept = f"The store that was in force is kept as {done.aside}." if done.aside else "There was no store before."
    click.echo(
        folded(f"{done.backup} is in force: {newest}. {kept} Start the daemon, look at the vats, check each probe.")
    )
