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

import numpy as np
from numpy.typing import NDArray

from logger.alarm import words
from logger.alarm.conditions import Code, where_armed
from logger.alarm.evaluate import Series, of_each_record
from logger.config import AlarmConfig, AlarmKind, ProbeConfig, Signal, VatConfig
from logger.measure.conformance import conformance_probability
from logger.measure.target import TargetRun
from logger.model import Carry, Entry, Ints, Measurements, State, TargetWindow, Value
from logger.model.elementwise import full, held, where
from logger.structs import replace
from logger.units import HOUR_US
from logger.watch.signals import Signals
from logger.watch.trust_alarms import TrustCourse

MARGIN_PH = 0.02
"""So far above its target pH must read to be above it again; it is over at the target. A missed deadline is over so
far below the target. Common practice, no source."""
BELIEVED_WITHIN_US = HOUR_US
"""A deadline waits so long for a believed window. Common practice, no source."""


def begin(
    vat: VatConfig, probe: ProbeConfig, carry: Carry, rows: Measurements, trusted: TrustCourse
) -> TargetRun | None:
    """Take up the target of a vat over these rows; None: it has none, or its batch has ended."""
    if vat.target is None or carry.batch.ended_at_us is not None:
        return None
    return TargetRun(vat=vat.id, target=vat.target, probe=probe, carry=carry, rows=rows, trust_at=trusted.at)


Against = Callable[[Ints], Iterable[NDArray[np.bool_]]]
"""Tells of each alarm that can speak against a claim whether it does at these rows."""


def follow(target: TargetRun | None, signals: Signals, against: Against) -> list[tuple[int, Entry]]:
    """Judge the target, if there is one; return what is to be journalled of it, each with its row."""
    if target is None:
        return []
    judged = signals.at(Signal.PH, target.target.window_s)
    if not len(judged):  # live, nearly always
        return []
    forbidden = np.zeros(len(judged), dtype=np.bool_)
    if target.progress.claim is None:
        for speaks in against(judged.row):
            forbidden |= speaks
    target.follow(judged, forbidden)
    return list(target.entries)


def series(alarm: AlarmConfig, target: TargetRun | None, vat: VatConfig, rows: Measurements) -> Series:
    """Return what an alarm on the target judges, record by record: hours since the start of the batch, or nothing.

    `rows`: numbers of a live record.
    """
    nothing = full(rows.elapsed_us, np.nan)
    if target is None:
        return of_each_record(rows, nothing, full(rows.elapsed_us, int(Code.PAST_DEADBAND)))
    value, codes = _judged(alarm, target, vat, rows)
    claims = () if target.claimed_from is None else ((target.claimed_from, True),)
    is_claimed = held(rows.elapsed_us, claims, False)
    counts = is_claimed if alarm.kind is AlarmKind.ABOVE_TARGET else True ^ is_claimed
    return of_each_record(rows, nothing if value is None else value, where_armed(codes, counts))


def _judged(alarm: AlarmConfig, target: TargetRun, vat: VatConfig, rows: Measurements) -> tuple[Value | None, Value]:
    """Return values, if there are any, and codes; elementwise."""
    if alarm.kind is AlarmKind.DEADLINE:
        return _deadline(alarm, target, rows)
    if alarm.kind is AlarmKind.ABOVE_TARGET:
        return None, _levels(target, rows)
    if alarm.kind is AlarmKind.UNCONFIRMED:
        return None, _unconfirmed(target, rows, due_us(vat, target.carry))
    said = Code.PAST_DEADBAND if target.withdrawn_us is None else Code.ABNORMAL
    return None, full(rows.elapsed_us, int(said))


def due_us(vat: VatConfig, carry: Carry) -> int | None:
    """Return the watch time of the first deadline of the batch; None: there is none."""
    hours = [a.setpoint for a in vat.alarms if a.kind is AlarmKind.DEADLINE and a.setpoint is not None]
    started_us = carry.batch.started_us
    return None if started_us is None or not hours else started_us + round(min(hours) * HOUR_US)


def _deadline(alarm: AlarmConfig, target: TargetRun, rows: Measurements) -> tuple[Value | None, Value]:
    """Return the hours since the start of the batch and the codes; a withdrawal after the deadline speaks for both.

    A believed reading at the target wants a measurement beside it, and does not wake anybody (`UNCONFIRMED`).
    """
    started_us, withdrawn_us = target.carry.batch.started_us, target.withdrawn_us
    if started_us is None or alarm.setpoint is None:
        return None, full(rows.elapsed_us, int(Code.PAST_DEADBAND))
    due_us = started_us + round(alarm.setpoint * HOUR_US)
    is_said = withdrawn_us is not None and due_us <= withdrawn_us
    late = (rows.elapsed_us >= due_us) & (not is_said)
    hours = (rows.elapsed_us - started_us) / HOUR_US
    return hours, where(late, _levels(target, rows, is_missed=True), int(Code.PAST_DEADBAND))


def _levels(target: TargetRun, rows: Measurements, *, is_missed: bool = False) -> Value:
    """Return what the newest window at each record says of the target: above it, at it, or nothing.

    `is_missed`: whatever is above the target is bad, and so is a believed window that is missing for an hour.
    """
    over_ph = target.target.ph - (MARGIN_PH if is_missed else 0.0)
    levels = ((row, int(_level(window, over_ph))) for row, window in target.windows)
    codes = held(rows.elapsed_us, levels, int(Code.SILENT))
    if not is_missed:
        return codes
    times = ((row, window.elapsed_us) for row, window in target.windows)
    believed_us = held(rows.elapsed_us, times, -BELIEVED_WITHIN_US)
    return where(rows.elapsed_us - believed_us >= BELIEVED_WITHIN_US, int(Code.ABNORMAL), codes)


def _level(window: TargetWindow, over_ph: float) -> Code:
    if not window.believed:
        return Code.SILENT
    if window.ph > over_ph + MARGIN_PH:
        return Code.ABNORMAL
    return Code.IN_DEADBAND if window.ph > over_ph else Code.PAST_DEADBAND


def _unconfirmed(target: TargetRun, rows: Measurements, due_us: int | None) -> Value:
    """Return where a measurement is asked for: where a claim lacks nothing else, and at the target past its time."""
    levels, asks = _levels(target, rows), held(rows.elapsed_us, target.asks, False)
    if due_us is not None:
        asks = asks | ((rows.elapsed_us >= due_us) & (levels == int(Code.PAST_DEADBAND)))
    left = where(levels == int(Code.ABNORMAL), int(Code.PAST_DEADBAND), int(Code.IN_DEADBAND))
    quiet = where(levels == int(Code.SILENT), int(Code.SILENT), left)
    return where(asks, int(Code.ABNORMAL), quiet)


def with_facts(alarm: AlarmConfig, entry: Entry, target: TargetRun | None, row: int) -> Entry:
    """Say of an alarm on the target what stands behind it, of high pH how probable it is; of another alarm nothing."""
    if alarm.kind is AlarmKind.PH_HIGH:
        return _with_probability(entry)
    if target is None or not alarm.kind.is_of_target or entry.after is not State.UNACKNOWLEDGED:
        return entry
    return replace(entry, text=f"{entry.text}. {_fact(alarm, target, row)}")


def _fact(alarm: AlarmConfig, target: TargetRun, row: int) -> str:
    if alarm.kind is AlarmKind.CLAIM_WITHDRAWN:
        return target.why_withdrawn
    return target.ask_at(row) if alarm.kind is AlarmKind.UNCONFIRMED else target.fact_at(row)


def _with_probability(entry: Entry) -> Entry:
    """Say how probable it is that pH is above the setpoint: no better than u, and of the brine at the probe.

    Of what a probe without trust reads nothing: it may not be the vat's.
    """
    if entry.text.endswith(words.UNCONFIRMED):
        return entry
    if entry.after is not State.UNACKNOWLEDGED or entry.value is None or entry.u is None or entry.setpoint is None:
        return entry
    probability = conformance_probability(entry.value, entry.u, low=entry.setpoint)
    text = f"{entry.text}; probability that it is above: {words.per_cent(probability)}"
    return replace(entry, probability=probability, text=text)
