"""Send a test alarm the whole way to you, before the night.

Law: it only asks and looks; each step is told by what is stored of it.
"""

import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill

import click

from logger.cli._common import ATTENTION, Between, config_option, json_option, load_config, print_json, sentences
from logger.cli._requests import (
    BUSY_S,
    GRACE_S,
    LOOK_S,
    await_answers,
    by_option,
    examples,
    fastest,
    print_simulated,
    watch_now_us,
)
from logger.config import Config
from logger.errors import RefusedError
from logger.model import Carry, Cause, Command, CommandKind, Entry
from logger.model.figures import WITHIN_S
from logger.store import Store, queries
from logger.units import SECOND_US
from logger.watch import system
from logger.watch.rehearsal import TEST


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalStep:
    """Something that happened to the test, `after_s` it came (real seconds)."""

    step: str
    after_s: float
    text: str


@click.command(
    epilog=examples("vatvigil rehearse", "vatvigil rehearse --within-s 120"),
)
@click.option(
    "--within-s",
    type=Between(WITHIN_S.low, WITHIN_S.high),
    metavar="SECONDS",
    help="How long it waits for its acknowledgement [default: rehearsal.within_s].",
)
@by_option
@config_option
@json_option
@sentences
def rehearse(within_s: float | None, by: str, config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flag
    """Send one test alarm through the whole chain: store, daemon, broker or push, you.

    Acknowledge it at the hub as you would an alarm, or by `vatvigil alarms ack system rehearsal`. Everything it says
    begins with TEST. Exit code 0: it was acknowledged in time; 3: it was not, and the alarm `rehearsal-failed` says
    where it got stuck.
    """
    config = load_config(config_path)
    if not config.has_way_out:
        raise RefusedError("there is no [mqtt], [push] or [hook] in the configuration: nothing could be tested")
    seconds = config.system.rehearse_within_s if within_s is None else within_s
    if not as_json:
        print_simulated(simulated=config.simulated)
    with Store.open(config.store_url, simulated=config.simulated, busy_s=BUSY_S) as store:
        occurrence = _begin(config, store, seconds, by=by)
        steps = []
        patience_s = seconds + 2 * _poll_s(config) + GRACE_S
        for step in _steps(store, occurrence, patience_s=patience_s, speed=_speed(config)):
            steps.append(step)
            if not as_json:
                click.echo(fill(f"{step.after_s:5.0f} s  {step.text}", 80, subsequent_indent=" " * 9))
        failed = _carry(store).reported.rehearsal.failed
    if as_json:
        content = {"simulated": config.simulated, "occurrence": occurrence, "acknowledged": not failed}
        print_json({**content, "steps": steps, "failed": failed or None})
    sys.exit(ATTENTION if failed else 0)


def _begin(config: Config, store: Store, within_s: float, *, by: str) -> int:
    """Put the test into the inbox and wait until the daemon has taken it; return its occurrence."""
    kind, at_us = CommandKind.REHEARSE, watch_now_us(config, store)
    with store.begin() as work:
        command = Command(id=0, at_us=at_us, kind=kind, vat=system.SYSTEM, duration_s=within_s, by=by)
        number = work.add_command(command)
        work.commit()
    (pending,) = await_answers(config, store, [number], probe=fastest(config), wait_s=2 * _poll_s(config) + GRACE_S)
    if not pending.taken:
        raise RefusedError(
            f"the test is stored (command {number}), but no daemon has taken it: look whether `vatvigil run` runs; one"
            f" that starts later than {within_s:g} s from now refuses it"
        )
    if not pending.applied:
        raise RefusedError(pending.text)
    return _carry(store).alarms[TEST].occurrence


def _poll_s(config: Config) -> float:
    """Return how long the daemon may take (real seconds) until it looks into the inbox."""
    return config.probe(fastest(config)).poll_s / _speed(config)


def _speed(config: Config) -> float:
    return config.simulation.speed if config.simulation else 1.0


def _carry(store: Store) -> Carry:
    return queries.watches(store)[system.SYSTEM]


def _steps(store: Store, occurrence: int, *, patience_s: float, speed: float) -> Iterator[RehearsalStep]:
    """Yield each step as it is stored, until the test is over. Raises RefusedError when nobody ends it."""
    until, seen_entries, is_over = time.monotonic() + patience_s, list[Entry](), False
    while not is_over:
        is_over = (
            _carry(store).reported.rehearsal.until_us is None
        )  # before the journal, so that the last step is in it
        entries = [e for e in queries.entries(store, limit=100, alarm=TEST) if e.occurrence == occurrence]
        for entry in entries[len(seen_entries) :]:
            yield RehearsalStep(step=entry.cause, after_s=_after_s(entry, entries[0], speed), text=_words(entry))
        seen_entries = entries
        if not is_over and time.monotonic() > until:
            raise RefusedError("the daemon did not end the test: look whether `vatvigil run` still runs")
        time.sleep(0.0 if is_over else LOOK_S)
    failed = _carry(store).reported.rehearsal.failed
    words = f"NOT acknowledged in time: {failed}" if failed else "The test is over: an alarm reaches you"
    after_s = _after_s(seen_entries[-1], seen_entries[0], speed)
    yield RehearsalStep(step="failed" if failed else "passed", after_s=after_s, text=f"{words.rstrip('.')}.")


def _after_s(entry: Entry, first: Entry, speed: float) -> float:
    return (entry.at_us - first.at_us) / SECOND_US / speed


def _words(entry: Entry) -> str:
    if entry.cause is Cause.ANNUNCIATED:
        return f"TEST: occurrence {entry.occurrence} of {TEST} is in the journal and in the outbox. Acknowledge it."
    by = f" by {entry.by}" if entry.by else ""
    return f"{entry.text}{by}."
