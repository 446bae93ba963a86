"""Judge the alarms on a vat's target: not shown in time, a claim that does not hold, pH above a target once claimed.

Law: pure. No data, bad data and no mark holds these alarms: they judge what was shown, not the reading. Without a
started batch a deadline is not watched. A withdrawal whose claim had met a deadline speaks for both; one before the
deadline leaves it to come. What an alarm says beside its own sentence was known at its record, not later. Nothing is
claimed at a record at which the condition of an alarm speaks against it, that record itself included; so those alarms
are judged first.

`above-target` is armed by the claim, and no other alarm need be configured for it: by the same windows that the target
is judged by, at once. It is disarmed when the claim is withdrawn, for `claim-withdrawn` speaks of that, and by another
batch.

A probability goes with high pH into sentence, journal and message: by value and u, rounded, and never "certain", for
beyond 99 % the normal tails are a guess.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from logger.alarm import words
from logger.alarm.conditions import Code, where_armed
from logger.alarm.evaluate import Series
from logger.config import AlarmConfig, AlarmKind, ProbeConfig, Signal, VatConfig
from logger.measure.conformance import conformance_probability
from logger.measure.target import TargetRun
from logger.model import Carry, Entry, Floats, Ints, Measurements, State, TargetWindow
from logger.units import HOUR_US
from logger.watch.signals import Signals
from logger.watch.trust_alarms import TrustCourse

MARGIN_PH = 0.02
"""So far above its target pH must read to be above it again; it is over at the target. Common practice, no source."""


def begin(
    vat: VatConfig, probe: ProbeConfig, carry: Carry, rows: Measurements, trusted: TrustCourse
) -> TargetRun | None:
    """Take up the target of a vat over these rows; None: it has none."""
    if vat.target is None:
        return None
    return TargetRun(vat=vat.id, target=vat.target, probe=probe, carry=carry, rows=rows, trust_at=trusted.at)


Against = Callable[[Ints], Iterable[NDArray[np.bool_]]]
"""Tells of each alarm that can speak against a claim whether it does at these rows."""


def follow(target: TargetRun | None, signals: Signals, against: Against) -> list[tuple[int, Entry]]:
    """Judge the target, if there is one; return what is to be journalled of it, each with its row."""
    if target is None:
        return []
    judged = signals.at(Signal.PH_UPPER, target.target.window_s)
    forbidden = np.zeros(len(judged), dtype=np.bool_)
    if len(judged) and target.progress.claim is None:
        for speaks in against(judged.row):
            forbidden |= speaks
    target.follow(judged, forbidden)
    return list(target.entries)


def series(alarm: AlarmConfig, target: TargetRun | None, rows: Measurements) -> Series:
    """Return what an alarm on the target judges, record by record: hours since the start of the batch, or nothing."""
    value, codes = np.full(len(rows), np.nan), np.full(len(rows), int(Code.PAST_DEADBAND))
    if target is not None:
        claimed = np.arange(len(rows)) >= (len(rows) if target.claimed_from is None else target.claimed_from)
        if alarm.kind is AlarmKind.DEADLINE:
            value, codes = _deadline(alarm, target, rows)
        elif alarm.kind is AlarmKind.ABOVE_TARGET:
            codes = _above(target, len(rows))
        elif target.withdrawn_us is not None:
            codes[:] = Code.ABNORMAL
        codes = where_armed(codes, claimed if alarm.kind is AlarmKind.ABOVE_TARGET else ~claimed)
    none = np.zeros(len(rows), dtype=np.int64)
    u = np.full(len(rows), np.nan)
    return Series(row=np.arange(len(rows)), elapsed_us=rows.elapsed_us, value=value, u=u, codes=codes, spoken=none)


def _deadline(alarm: AlarmConfig, target: TargetRun, rows: Measurements) -> tuple[Floats, Ints]:
    """Return the hours since the start of the batch and the codes; a withdrawal after the deadline speaks for both."""
    started_us, withdrawn_us = target.carry.batch.started_us, target.withdrawn_us
    if started_us is None or alarm.setpoint is None:
        return np.full(len(rows), np.nan), np.full(len(rows), int(Code.PAST_DEADBAND))
    due_us = started_us + round(alarm.setpoint * HOUR_US)
    is_said = withdrawn_us is not None and due_us <= withdrawn_us
    late = (rows.elapsed_us >= due_us) & (not is_said)
    hours = (rows.elapsed_us - started_us) / HOUR_US
    return hours, np.where(late, int(Code.ABNORMAL), int(Code.PAST_DEADBAND))


def _above(target: TargetRun, count: int) -> Ints:
    """Return what the newest window at each record says of a target that is claimed."""
    codes = np.full(count, int(Code.SILENT))
    for row, window in target.windows:
        codes[row:] = _above_code(window, target.target.ph)
    return codes


def _above_code(window: TargetWindow, limit_ph: float) -> Code:
    if not window.believed:
        return Code.SILENT
    if window.ph > limit_ph + MARGIN_PH:
        return Code.ABNORMAL
    return Code.IN_DEADBAND if window.ph > limit_ph else Code.PAST_DEADBAND


def with_facts(alarm: AlarmConfig, entry: Entry, target: TargetRun | None, row: int) -> Entry:
    """Say of an alarm on the target what stands behind it, of high pH how probable it is; of another alarm nothing."""
    if alarm.kind is AlarmKind.PH_HIGH:
        return _with_probability(entry)
    if target is None or not alarm.kind.is_of_target or entry.after is not State.UNACKNOWLEDGED:
        return entry
    fact = target.why_withdrawn if alarm.kind is AlarmKind.CLAIM_WITHDRAWN else target.fact_at(row)
    return replace(entry, text=f"{entry.text}. {fact}")


def _with_probability(entry: Entry) -> Entry:
    """Say how probable it is that pH is above the setpoint: no better than u, and of the brine at the probe."""
    if entry.after is not State.UNACKNOWLEDGED or entry.value is None or entry.u is None or entry.setpoint is None:
        return entry
    probability = conformance_probability(entry.value, entry.u, low=entry.setpoint)
    text = f"{entry.text}; probability that it is above: {words.per_cent(probability)}"
    return replace(entry, probability=probability, text=text)
