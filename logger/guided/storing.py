"""Store the result of a session. Law: one transaction holds all of it, or nothing of it is there."""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from logger.errors import StoreBusyError
from logger.guided.immersion import CalibrationInForce
from logger.measure import comparison
from logger.model import Calibration, Check, Command, CommandKind, figures
from logger.store import Store, queries
from logger.store.unit_of_work import UnitOfWork
from logger.structs import replace

log = logging.getLogger(__name__)

T = TypeVar("T")
TRIES = 30
PAUSE_S = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class SubmittedCalibration:
    """A calibration as it is in the store, and the commands that the daemon will take: one, or none."""

    calibration: Calibration
    commands: tuple[int, ...] = ()


def keep_calibration(
    store: Store, calibration: Calibration, checks: tuple[Check, ...] = (), *, is_wanted: bool, at_us: int, by: str
) -> SubmittedCalibration:
    """Store a calibration; if it is wanted in force, with what was found before it and the command that applies it."""

    def keep() -> SubmittedCalibration:
        with store.begin() as work:
            numbered = work.add_calibration(calibration, accepted=is_wanted)
            if not is_wanted:
                work.commit()
                return SubmittedCalibration(calibration=numbered)
            number = _put(work, numbered, checks, at_us=at_us, by=by)
            work.commit()
        return SubmittedCalibration(calibration=numbered, commands=(number,))

    return _retry_while_busy(keep)


def use_calibration(
    store: Store, calibration: Calibration, checks: tuple[Check, ...] = (), *, at_us: int, by: str
) -> tuple[int, ...]:
    """Store the command that puts a stored calibration in force, with what was found before it; return its number."""

    def keep() -> tuple[int, ...]:
        with store.begin() as work:
            number = _put(work, calibration, checks, at_us=at_us, by=by)
            work.commit()
        return (number,)

    return _retry_while_busy(keep)


def _put(work: UnitOfWork, calibration: Calibration, checks: tuple[Check, ...], *, at_us: int, by: str) -> int:
    """Put what was found and the command that applies a calibration into a transaction."""
    for check in checks:
        work.add_check(check)
    command = replace(_command(CommandKind.CALIBRATE, calibration.probe, at_us=at_us, by=by), calibration=calibration)
    figures.check(command)
    return work.add_command(command)


def keep_check(store: Store, check: Check, *, at_us: int, by: str) -> tuple[Check, int]:
    """Store a check and the command that makes the daemon take note of it; return it, and the command's number."""

    def keep() -> tuple[Check, int]:
        with store.begin() as work:
            numbered = work.add_check(check)
            command = _command(CommandKind.CHECK, check.probe, at_us=at_us, by=by)
            command = replace(command, check=numbered)
            figures.check(command)
            number = work.add_command(command)
            work.commit()
        return numbered, number

    return _retry_while_busy(keep)


def _command(kind: CommandKind, probe: str, *, at_us: int, by: str) -> Command:
    return Command(id=0, at_us=at_us, kind=kind, vat="", probe=probe, by=by)


def _retry_while_busy(keep: Callable[[], T]) -> T:
    """Store, waiting for the daemon to let go of the store. Raises StoreBusyError when it does not for long."""
    for _ in range(TRIES):
        try:
            return keep()
        except StoreBusyError as busy:
            log.debug("The store is busy: %s", busy)
            threading.Event().wait(PAUSE_S)
    return keep()


def in_force(store: Store, *, vat: str, probe: str) -> CalibrationInForce:
    """Return what is in force; a calibration that waits for the next record counts as if it were."""
    carry = queries.watches(store).get(vat)
    now = CalibrationInForce()
    if carry is not None and carry.probe == probe:
        now = CalibrationInForce(
            calibration=carry.electrode.calibration,
            estimate=carry.electrode.estimate,
            fresh_us=carry.windows.fresh_us,
            elsewhere=comparison.why_away(carry),
        )
    waiting = [c for c in queries.pending_commands(store) if c.probe == probe and c.kind is CommandKind.CALIBRATE]
    return replace(now, calibration=waiting[-1].calibration, estimate=None) if waiting else now
