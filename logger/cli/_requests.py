"""Ask the daemon: a command goes into the store's inbox, the daemon answers there.

Law: one short transaction puts everything in, then nothing is held while waiting. Whether the daemon runs or not, what
was put in is taken before the next record; what can be seen now to be impossible is refused before it is put in.
"""

import os
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import click

from logger.alarm import requests
from logger.alarm.lifecycle import Now
from logger.cli._common import SIMULATED, Between, complain, folded, print_json
from logger.config import Config, VatConfig
from logger.daemon import clock
from logger.errors import RefusedError
from logger.model import Answer, Carry, Command, figures
from logger.store import Store, queries
from logger.store.time_search import END_OF_TIME_US
from logger.units import SECOND_US

BUSY_S = 10.0
"""A person waits longer for the writer than the daemon would."""
LOOK_S = 0.1
GRACE_S = 2.0

by_option = click.option(
    "--by",
    default=lambda: os.environ.get("USER", ""),
    metavar="NAME",
    help="Who asks, for the journal [default: the environment variable USER].",
)
note_option = click.option("--note", default="", metavar="TEXT", help="Why, for the journal.")
wait_option = click.option(
    "--wait",
    "wait_s",
    type=Between(0, 3600),
    metavar="SECONDS",
    help="How long to wait for the daemon's answer; 0: not at all [default: two polls and 2 s, if it runs].",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PendingRequest:
    """What became of a command so far."""

    command: int
    taken: bool
    applied: bool | None
    record: int | None
    text: str
    simulated: bool


def examples(*lines: str) -> str:
    """Return the end of a help text, each example on a line of its own."""
    return "\n".join(["\b", "Examples:", *(f"  {line}" for line in lines)])


def now_us(config: Config) -> int:
    """Return UTC now in microseconds, in the accelerated time of a simulation."""
    return clock.of(config.simulation).read().at_us


def watch_now_us(config: Config, store: Store) -> int:
    """Return UTC now as the daemon has it; that of its newest record where only it has the simulation's clock."""
    from logger.report.status import now_of

    newest = [queries.latest(store, probe.id) for probe in config.probes]
    return now_of(config, newest, at_us=now_us(config)).at_us


def vat_of(config: Config, vat: str) -> VatConfig:
    """Return the vat of that id. Raises RefusedError naming the nearest, or all there are."""
    check_name(vat, [each.id for each in config.vats], what="the configuration has no vat")
    return next(each for each in config.vats if each.id == vat)


def check_probe(config: Config, probe: str) -> None:
    """Raise RefusedError, naming the nearest probe or all there are, unless one is called so."""
    check_name(probe, [each.id for each in config.probes], what="the configuration has no probe")


def check_name(name: str, allowed: Iterable[str], *, what: str) -> None:
    """Raise RefusedError, naming the nearest name or all there are, unless the name is known."""
    from logger.settings.problems import suggestion

    names = list(allowed)
    if name not in names:
        raise RefusedError(f"{what} {name!r}; {suggestion(name, names)}")


CommandsFor = Callable[[Carry, int], list[Command]]
"""Makes commands of what a vat's watch carries and the time (UTC, microseconds)."""


def submit(config: Config, vat: VatConfig, commands_for: CommandsFor, *, wait_s: float | None) -> list[PendingRequest]:
    """Put commands about a vat into the inbox and wait for their answers.

    Raises RefusedError for what the daemon would refuse as things stand.
    """
    return [pending for _, pending in submit_all(config, [(vat, commands_for)], wait_s=wait_s)]


def submit_all(
    config: Config, asked: Sequence[tuple[VatConfig, CommandsFor]], *, wait_s: float | None
) -> list[tuple[Command, PendingRequest]]:
    """Put commands about several vats into the inbox, all at once, and wait for all answers; as `submit`."""
    with Store.open(config.store_url, simulated=config.simulated, busy_s=BUSY_S) as store:
        at_us, carries = now_us(config), queries.watches(store)
        commands: list[Command] = []
        for vat, commands_for in asked:
            carry = carries.get(vat.id, Carry(probe=vat.probe))
            for command in commands_for(carry, at_us):
                figures.check(command)
                requests.apply(vat, carry.alarms, command, seq=0, now=Now(at_us=at_us, elapsed_us=0))
                commands.append(command)
        with store.begin() as work:
            numbers = [work.add_command(command) for command in commands]
            work.commit()
        slowest = max((vat.probe or fastest(config) for vat, _ in asked), key=lambda name: config.probe(name).poll_s)
        return [*zip(commands, await_answers(config, store, numbers, probe=slowest, wait_s=wait_s), strict=True)]


def fastest(config: Config) -> str:
    """Return the probe that is read most often: what concerns the system is taken with any record."""
    return min(config.probes, key=lambda probe: probe.poll_s).id


def await_answers(
    config: Config, store: Store, numbers: list[int], *, probe: str, wait_s: float | None
) -> list[PendingRequest]:
    """Return what became of commands, once all are answered or the time is over."""
    patience_s = _patience_s(config, store, probe) if wait_s is None else wait_s
    if patience_s > GRACE_S and sys.stderr.isatty():
        click.echo(f"Waiting up to {patience_s:.0f} s for the daemon's answer (--wait 0: do not wait) ...", err=True)
    until = time.monotonic() + patience_s
    while True:
        answers = [queries.answer(store, number) for number in numbers]
        if all(answers) or time.monotonic() >= until:
            return [_pending(config, number, answer) for number, answer in zip(numbers, answers, strict=True)]
        time.sleep(LOOK_S)


def _patience_s(config: Config, store: Store, probe: str) -> float:
    """Return how long an answer may take (real seconds): none comes from a daemon whose newest record is old."""
    from logger.report.status import is_clock_shared, is_stale

    speed = config.simulation.speed if config.simulation else 1.0
    end = queries.last_position(store, probe)
    age_s = float("inf") if end is None else (now_us(config) - end.at_us) / SECOND_US
    if is_clock_shared(config.simulation) and is_stale(config, config.probe(probe), age_s):
        return 0.0
    return 2 * config.probe(probe).poll_s / speed + GRACE_S


def _pending(config: Config, number: int, answer: Answer | None) -> PendingRequest:
    if answer is None:
        later = "the daemon has not taken it yet; it will as soon as it runs and its next reading is due"
        return PendingRequest(
            command=number, taken=False, applied=None, record=None, text=later, simulated=config.simulated
        )
    return PendingRequest(
        command=number,
        taken=True,
        applied=answer.applied,
        record=answer.seq,
        text=answer.text,
        simulated=config.simulated,
    )


def print_requests(pending: list[PendingRequest], *, as_json: bool) -> None:
    """Print what became of commands; exit 1 if the daemon refused one."""
    if as_json:
        print_json(pending[0] if len(pending) == 1 else pending)
    else:
        print_simulated(simulated=any(each.simulated for each in pending))
        print_outcomes(pending)
    exit_refused(pending)


def print_outcomes(pending: list[PendingRequest]) -> None:
    """Print what became of commands, a sentence each; refusals on standard error."""
    for each in pending:
        click.echo(folded(f"Command {each.command}: {outcome(each)}."), err=each.applied is False)


def exit_refused(pending: list[PendingRequest]) -> None:
    """Exit 1 if the daemon refused a command."""
    if any(each.applied is False for each in pending):
        sys.exit(1)


def outcome(pending: PendingRequest) -> str:
    """Say what became of a command, without the full stop."""
    if not pending.taken:
        return pending.text
    where = f" (before record {pending.record})" if pending.record else ""  # what concerns the system is before none
    return f"{pending.text}{where}" if pending.applied else f"refused: {pending.text}"


def print_simulated(*, simulated: bool) -> None:
    """Say on standard output, where the rest goes too, that what follows is simulated."""
    if simulated:
        click.echo(SIMULATED)


def tell_elsewhere(store: Store, vat: str, since_us: int | None, until_us: int | None) -> None:
    """Say on standard error where that is which was stored of a vat in a span of UTC and is not in this store."""
    for words in store.elsewhere(vat, since_us or 0, END_OF_TIME_US if until_us is None else until_us):
        complain(f"Note: {words}")


def reading_store(config: Config) -> Store:
    """Open the store for reading only."""
    return Store.open(config.store_url, simulated=config.simulated, read_only=True)
