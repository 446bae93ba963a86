"""Read a span of the log as the items of a recording, to be replayed.

Law: the indications as they came and the commands as they were consumed, each before the record it was applied before.
A span that begins in the middle of a log begins with the start of the batch, and with the calibrations and checks of
it. Memory does
not grow with it.
"""

from collections.abc import Iterable, Iterator

import numpy as np

from logger.errors import RefusedError
from logger.model import Block, Command, CommandKind, Mark
from logger.model.figures import HOURS_AGO
from logger.store import Store, history, queries
from logger.store.history import RecordSpan
from logger.structs import replace
from logger.units import SECOND_US

CHUNK = 360
"""Records a line: an hour of a probe that is read every 10 s."""


def items(store: Store, span: RecordSpan) -> Iterator[Block | Command]:
    """Yield what a recording of the span holds. Raises RefusedError if its records are not in one piece."""
    commands = history.consumed_commands(store, span)
    return woven([*_told_before(store, span, commands), *commands], _whole(store, span))


def woven(commands: Iterable[Command], blocks: Iterable[Block]) -> Iterator[Block | Command]:
    """Yield blocks cut so that each command stands right before the record it was applied before."""
    waiting = list(commands)
    for block in blocks:
        rest = block
        while waiting and waiting[0].seq <= rest.seq[-1]:
            cut = int(np.searchsorted(rest.seq, waiting[0].seq))
            if cut:
                yield rest[:cut]
            yield waiting.pop(0)
            rest = rest[cut:]
        yield rest


def _whole(store: Store, span: RecordSpan) -> Iterator[Block]:
    last = span.first - 1
    for block in history.indications(store, span, chunk=CHUNK):
        if block.seq[0] != last + 1 or np.any(np.diff(block.seq) != 1):
            raise RefusedError(
                f"the records of {span.probe} at vat {span.vat} are not in one piece (the probe was at another vat in "
                "between): choose a part of them with --from and --to"
            )
        last = int(block.seq[-1])
        yield block


def _told_before(store: Store, span: RecordSpan, commands: Iterable[Command]) -> Iterator[Command]:
    """Yield what told the estimate that is in force when the span begins, unless one of `commands` calibrates there.

    That is the start of the batch, and the calibrations and checks since then; without them u would be another.
    """
    first = RecordSpan(vat=span.vat, probe=span.probe, first=span.first, last=span.first)
    (begin,) = history.measurements(store, first)
    applied, at_us = int(begin.calibration[0]), int(begin.at_us[0])
    put = [c for c in commands if c.kind is CommandKind.CALIBRATE and c.seq <= span.first]
    if any(command.calibration and command.calibration.id == applied for command in put):
        return
    before = history.consumed_commands(store, RecordSpan(vat=span.vat, probe=span.probe, first=1, last=span.first - 1))
    calibrated = [n for n, c in enumerate(before) if c.kind is CommandKind.CALIBRATE and _is_applied(c, applied)]
    if not calibrated:  # put in force where these records were of another vat
        yield from _from_shelf(store, span, applied)
        return
    started = [n for n, c in enumerate(before) if c.kind is CommandKind.MARK and c.note == Mark.STARTED]
    earlier = [n for n, c in enumerate(before) if c.calibration is not None and started and n < started[-1]]
    since = min(calibrated[-1], earlier[-1]) if earlier else 0
    for n, command in enumerate(before[since:], since):
        told = replace(command, note=command.note or "told before the excerpt begins", seq=span.first)
        if command.kind in (CommandKind.CALIBRATE, CommandKind.CHECK):
            yield told
        elif started and n == started[-1]:
            ago_s = (command.duration_s or 0.0) + (at_us - command.at_us) / SECOND_US
            if HOURS_AGO.why_not(ago_s / 3600.0) is None:
                yield replace(told, duration_s=ago_s)


def _is_applied(command: Command, calibration: int) -> bool:
    return command.calibration is not None and command.calibration.id == calibration


def _from_shelf(store: Store, span: RecordSpan, applied: int) -> Iterator[Command]:
    """Yield the command that puts a stored calibration in force."""
    for stored in queries.calibrations(store, span.probe):
        calibration = stored.calibration
        if calibration.id == applied:
            yield Command(
                id=0,
                at_us=calibration.at_us,
                kind=CommandKind.CALIBRATE,
                vat="",
                probe=span.probe,
                calibration=calibration,
                by=calibration.by,
                note="in force when the excerpt begins",
                seq=span.first,
            )
