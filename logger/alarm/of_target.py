"""Alarms on a vat's target: not shown in time, and a claim that does not hold.

Law: no data, bad data and no mark holds them: they judge what was shown, not the reading. Without a started batch a
deadline is not watched. A withdrawal whose claim had met a deadline speaks for both; one before the deadline leaves it
to come.
"""

from dataclasses import dataclass

import numpy as np

from logger.alarm.conditions import Code
from logger.alarm.evaluate import Series
from logger.config import AlarmConfig, AlarmKind
from logger.model import Floats, Ints, Measurements

HOUR_US = 3_600_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What stands of a target over the rows of a block."""

    started_us: int | None
    """Watch time of the start of the batch; None: nobody said."""
    claimed_from: int | None
    """Row from which a claim stands; None: none does."""
    withdrawn_us: int | None
    """Watch time at which the last claim was withdrawn, until there is a new one; None: it was not."""


def series(alarm: AlarmConfig, shown: Shown, rows: Measurements) -> Series:
    """Return what such an alarm judges, record by record: hours since the start of the batch, or nothing."""
    claimed = np.arange(len(rows)) >= (len(rows) if shown.claimed_from is None else shown.claimed_from)
    value, codes = np.full(len(rows), np.nan), np.full(len(rows), int(Code.PAST_DEADBAND))
    if alarm.kind is AlarmKind.DEADLINE:
        value, codes = _deadline(alarm, shown, rows)
    elif shown.withdrawn_us is not None:
        codes[:] = Code.ABNORMAL
    codes[claimed] = Code.PAST_DEADBAND
    none = np.zeros(len(rows), dtype=np.int64)
    u = np.full(len(rows), np.nan)
    return Series(row=np.arange(len(rows)), elapsed_us=rows.elapsed_us, value=value, u=u, codes=codes, spoken=none)


def _deadline(alarm: AlarmConfig, shown: Shown, rows: Measurements) -> tuple[Floats, Ints]:
    if shown.started_us is None or alarm.setpoint is None:
        return np.full(len(rows), np.nan), np.full(len(rows), int(Code.PAST_DEADBAND))
    due_us = shown.started_us + round(alarm.setpoint * HOUR_US)
    told = shown.withdrawn_us is not None and due_us <= shown.withdrawn_us
    late = (rows.elapsed_us >= due_us) & (not told)
    hours = (rows.elapsed_us - shown.started_us) / HOUR_US
    return hours, np.where(late, int(Code.ABNORMAL), int(Code.PAST_DEADBAND))
