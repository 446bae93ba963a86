"""Open a guided session: the probe, its store, and the source of its readings.

Law: the port has one owner; a running daemon is asked, only without one is the port opened here. One person works
with a probe at a time: the end of a second session would switch the alarms on while the first has it in a buffer.
"""

import fcntl
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

import click

from logger import private_file
from logger.cli._common import Between
from logger.cli._requests import BUSY_S, LOOK_S, check_probe
from logger.config import Config, ProbeConfig, VatConfig
from logger.daemon import clock as clocks
from logger.daemon.clock import Clock
from logger.errors import RefusedError
from logger.guided import storing
from logger.guided.calibrating import CalibrationPlan
from logger.guided.immersion import CalibrationInForce
from logger.guided.keys import Keys
from logger.guided.loop import Keep, run_guided
from logger.guided.reading_source import (
    AbsentError,
    DaemonReadings,
    PortReadings,
    ReadingSource,
    ending,
    send_when_free,
)
from logger.guided.screen import fitting, folded
from logger.guided.state_machine import GuidedState, Task
from logger.measure.buffers import Buffer, by_id, shelf
from logger.model import Answer, Calibration, Method
from logger.probe.reader import reader
from logger.store import Store, queries
from logger.store.engine import parse, sqlite_path
from logger.units import SECOND_US

ANSWER_S = 4.0
"""Real seconds that a daemon which reads every second may take to answer. Common practice, no source."""
SILENT_S, SILENT_REAL_S = 5.0, 2.0
"""Common practice, no source."""

time_out_option = click.option(
    "--time-out",
    "time_out_s",
    type=Between(10, 3600),
    default=180.0,
    show_default=True,
    metavar="SECONDS",
    help="After so long without a stable potential, say what to look for.",
)
method_option = click.option(
    "--method",
    type=click.Choice([method.value for method in Method]),
    default=Method.BRACKETING.value,
    show_default=True,
    help="Between neighbouring buffers the line through these two, or one line through all.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GuidedSession:
    """A probe that a person works with, and its open store."""

    config: Config
    store: Store
    clock: Clock
    probe: ProbeConfig
    vat: VatConfig
    standing: CalibrationInForce
    by: str

    @property
    def silent_s(self) -> float:
        """Return after how long (vat time) a missing reading is worth a word: ports are no faster than real time."""
        return max(SILENT_S, SILENT_REAL_S / self.clock.real_s(1.0))

    @property
    def in_force(self) -> Calibration | None:
        """Return the calibration in force."""
        return self.standing.calibration


@contextmanager
def open_session(config: Config, probe: str, *, by: str, migrate: bool = False) -> Iterator[GuidedSession]:
    """Open the store for work with a probe. Raises RefusedError for one that the configuration does not have."""
    check_probe(config, probe)
    vat = next(vat for vat in config.vats if vat.probe == probe)  # the settings know no probe without a vat
    with Store.open(config.store_url, simulated=config.simulated, migrate=migrate, busy_s=BUSY_S) as store:
        yield GuidedSession(
            config=config,
            store=store,
            clock=clocks.of(config.simulation),
            probe=config.probe(probe),
            vat=vat,
            standing=storing.in_force(store, vat=vat.id, probe=probe),
            by=by,
        )


def is_store_missing(config: Config) -> bool:
    """Tell whether the store is a file that does not exist yet: a first calibration may come before the first run."""
    path = sqlite_path(parse(config.store_url))
    return path is not None and not path.exists()


def calibration_plan(session: GuidedSession, *, method: Method, table: tuple[Buffer, ...] = ()) -> CalibrationPlan:
    """Return what a calibration of this probe goes by."""
    return CalibrationPlan(
        probe=session.probe,
        by=session.by,
        method=method,
        buffers=table,
        in_force=session.in_force,
        calibrations=tuple(one.calibration for one in queries.calibrations(session.store, session.probe.id)),
        checks=tuple(queries.checks(session.store, session.probe.id)),
    )


def buffers(config: Config, ids: str) -> tuple[Buffer, ...]:
    """Return the buffers of these ids, comma-separated. Raises RefusedError naming the nearest id."""
    all_buffers = shelf(config.buffers)
    names = dict.fromkeys(name.strip() for name in ids.split(",") if name.strip())
    if not names:
        raise RefusedError("no buffer is named: give ids separated by commas, such as gbt-phthalate,gbt-phosphate")
    return tuple(by_id(name, all_buffers) for name in names)


def run_session(session: GuidedSession, task: Task, keep: Keep, *, talk_to_stderr: bool = False) -> GuidedState:
    """Let a person do a task; return how it ended. Ctrl-C, SIGTERM and a closed terminal end it in good order."""
    stream = sys.stderr if talk_to_stderr else sys.stdout
    with ExitStack() as stack:
        interrupts = _noted_interrupts(stack)
        _lock_probe(session, stack)
        source = _source(session, stack)
        click.echo("\n".join(["", *folded([source.origin])]), file=stream)
        screen, clock = fitting(stream), session.clock
        return run_guided(task, source, Keys(0), screen=screen, clock=clock, keep=keep, interrupts=interrupts)


def _noted_interrupts(stack: ExitStack) -> Sequence[int]:
    """Return the list that Ctrl-C, SIGTERM and a closed terminal are noted in, until the stack is left.

    Each also raises KeyboardInterrupt, which ends a wait at once; but what is raised in the midst of a query or a
    callback may be lost there, and a note is not.
    """
    noted: list[int] = []

    def interrupt(number: int, _frame: object) -> None:
        noted.append(number)
        raise KeyboardInterrupt

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        stack.callback(signal.signal, number, signal.signal(number, interrupt))
    return noted


def _lock_probe(session: GuidedSession, stack: ExitStack) -> None:
    """Keep others from working with this probe; the lock ends with the process. Raises RefusedError when one does."""
    if session.store.path is None:
        return
    path = session.store.path.with_name(f"{session.store.path.name}.{session.probe.id}.sitting")
    try:
        lock = stack.enter_context(private_file.opened(path, "ab"))
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise RefusedError(
            f"somebody works with {session.probe.id} already (`calibrate` or `verify` in another"
            " terminal): end that first"
        ) from error
    except OSError:
        return  # a folder that cannot be written to is no reason to stop
    stack.callback(path.unlink, missing_ok=True)


def wait_for_answer(session: GuidedSession, commands: Sequence[int]) -> Answer | None:
    """Return what the daemon made of the last of these commands; None: it does not run, or takes its time."""
    until = time.monotonic() + 2 * session.clock.real_s(1.0) + ANSWER_S
    while True:
        answer = queries.answer(session.store, commands[-1])
        if answer is not None or time.monotonic() > until:
            return answer
        time.sleep(LOOK_S)


def _source(session: GuidedSession, stack: ExitStack) -> ReadingSource:
    """Enter and return the daemon's readings, or those of the port when no daemon answers."""
    if _may_run(session):
        daemon = DaemonReadings(
            store=session.store, vat=session.vat, probe=session.probe, clock=session.clock, by=session.by
        )
        click.echo(f"Asking the daemon (its next reading is due within {session.probe.poll_s:g} s) ...", err=True)
        try:
            return stack.enter_context(daemon)
        except AbsentError as absent:
            click.echo(f"Note: {absent}; the port is opened instead.", err=True)
    return stack.enter_context(
        PortReadings(
            reader=reader(session.probe, simulated=session.config.simulated),
            clock=session.clock,
            leave=lambda is_back: send_when_free(
                session.store, ending(session.vat.id, session.clock, by=session.by, is_back=is_back)
            ),
        )
    )


def _may_run(session: GuidedSession) -> bool:
    """Tell whether the newest record is young enough for the daemon to run."""
    from logger.report.status import is_clock_shared, is_stale

    end = queries.last_position(session.store, session.probe.id)
    if end is None:
        return bool(queries.runs(session.store))
    age_s = (session.clock.read().at_us - end.at_us) / SECOND_US
    return not is_clock_shared(session.config.simulation) or not is_stale(session.config, session.probe, age_s)
