"""Watch the vats until stopped: the daemon."""

import gc
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

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
    with _without_collector():
        from logger import settings
        from logger.daemon import start
    config = load_config(config_path)
    gc.collect()  # what reading the file left, 0.5 MB, is used again by what is built now
    warn_if_simulated(simulated=config.simulated)
    complain(CAUTION)
    for sentence in config.retired:
        logging.getLogger(__name__).warning(sentence)
    start.run(config, config_hash=settings.config_hash(config))


@contextmanager
def _without_collector() -> Iterator[None]:
    """Look for no garbage while modules are imported, which takes 15 % of the start, and never again in what they made.

    A look into all of it would hold up the loop for 50 ms.
    """
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
