"""Read a span of the log as the items of a recording, to be replayed.

Law: the indications as they came and the commands as they were consumed, each before the record it was applied before.
A span that begins in the middle of a log begins with the calibration then in force and the checks of it. Memory does
not grow with it.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from logger.errors import RefusedError
from logger.model import Block, Command, CommandKind
from logger.store import Store, history, queries
from logger.store.history import RecordSpan

CHUNK = 360
"""Records a line: an hour of a probe that is read every 10 s."""


def items(store: Store, span: RecordSpan) -> Iterator[Block | Command]:
    """Yield what a recording of the span holds. Raises RefusedError if its records are not in one piece."""
    commands = history.consumed_commands(store, span)
    return woven([*_calibration_before(store, span, commands), *commands], _whole(store, span))


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


def _calibration_before(store: Store, span: RecordSpan, commands: Iterable[Command]) -> Iterator[Command]:
    """Yield the command that puts in force what was in force when the span begins, unless one of `commands` does."""
    first = RecordSpan(vat=span.vat, probe=span.probe, first=span.first, last=span.first)
    applied = next((int(rows.calibration[0]) for rows in history.measurements(store, first)), 0)
    put = [c for c in commands if c.kind is CommandKind.CALIBRATE and c.seq <= span.first]
    if any(command.calibration and command.calibration.id == applied for command in put):
        return
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
            yield from _checks_before(store, span, calibration=calibration.id)


def _checks_before(store: Store, span: RecordSpan, *, calibration: int) -> Iterator[Command]:
    """Yield the checks that told the drift of the calibration in force, for without them u would be another."""
    before = history.consumed_commands(store, RecordSpan(vat=span.vat, probe=span.probe, first=1, last=span.first - 1))
    put = [n for n, c in enumerate(before) if c.calibration is not None and c.calibration.id == calibration]
    for command in before[put[-1] + 1 :] if put else ():
        if command.kind is CommandKind.CHECK:
            yield replace(command, note="told before the excerpt begins", seq=span.first)
