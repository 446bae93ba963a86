"""Watch the vats until stopped: the daemon."""

import logging
from pathlib import Path

import click

import logger.daemon.start
from logger import own_files
from logger.cli._common import CAUTION, complain, config_option, load_config, sentences, warn_if_simulated
from logger.daemon import log_queue

_QUIET = ("alembic", "apscheduler")
"""Libraries that tell of every routine step."""


@click.command()
@config_option
@click.option("--verbose", "-v", is_flag=True, help="Log every detail.")
@sentences
def run(config_path: Path, *, verbose: bool) -> None:
    """Watch the vats until stopped (SIGTERM or Ctrl-C).

    Polls the probes, stores every record, raises alarms over MQTT. Makes the store, or brings it up to date after a
    copy. Logs to standard error and never waits for its reader: lines that nobody takes are dropped and counted. Under
    systemd use the unit in config_examples/.

    Example: vatvigil run -c vatvigil.toml
    """
    log_queue.take_over()
    level = logging.DEBUG if verbose else logging.INFO
    logging.basicConfig(level=level, format="%(levelname)s %(name)s: %(message)s")
    for name in _QUIET:
        logging.getLogger(name).setLevel(logging.WARNING)
    if wrong := own_files.foreign():
        complain(f"Installation: {wrong}")
    config = load_config(config_path)
    warn_if_simulated(simulated=config.simulated)
    complain(CAUTION)
    for sentence in config.retired:
        logging.getLogger(__name__).warning(sentence)
    from logger import settings

    logger.daemon.start.run(config, config_hash=settings.config_hash(config))
