"""The path of a sample, as one pure function: (watch, state, block, commands) -> (state, outcome). Start reading here.

A block is a run of indications of one probe, as columns. Live it has one row, in replay tens of thousands; there is no
second path. Law: however a series is cut into blocks, the outcome is the same, to the bit. So a block is first cut
where a command or the end of a suppression falls, and each piece then goes through the same steps: flag, ask the
witnesses (is the probe in the liquid), calibrate, doubt, judge (single values or windows), alarm, remember.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from logger import known
from logger.alarm import digest, evaluate, hours
from logger.alarm.conditions import threshold_codes
from logger.alarm.lifecycle import Now
from logger.commands import commands_between
from logger.config import UPKEEP, AlarmConfig, AlarmKind, Priority, ProbeConfig, VatConfig
from logger.known import Known
from logger.measure import batch, course, record, trend, uncertainty, upkeep, windows, witness
from logger.measure.windows import Judged
from logger.model import (
    AlarmState,
    Answer,
    Belief,
    Block,
    Carry,
    Command,
    Entry,
    Floats,
    Ints,
    Measurements,
    Outcome,
    Reason,
    Tests,
    Trend,
    WatchState,
)

SECOND_US = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """A vat and the probe in it."""

    vat: VatConfig
    probe: ProbeConfig


def fresh(watch: Watch) -> WatchState:
    """Return the state of a watch that has seen nothing yet."""
    return WatchState(carry=Carry(probe=watch.probe.id), recent=Measurements.none())


def step(
    watch: Watch, state: WatchState, block: Block, *, commands: Sequence[Command] = ()
) -> tuple[WatchState, Outcome]:
    """Carry a watch over a block; each command is applied before the record whose number it holds."""
    measured, entries, answers = [Measurements.none()], list[Entry](), list[Answer]()
    waiting, row = sorted(commands, key=lambda c: (c.seq, c.id)), 0
    while row < len(block):
        seq = int(block.seq[row])
        ready = [c for c in waiting if c.seq <= seq]
        waiting = waiting[len(ready) :]
        now = _now(watch, block, row)
        before = known.Known(probe=watch.probe, carry=state.carry, rows=state.recent)
        carry, said, answered = commands_between(watch.vat, watch.probe, state.carry, ready, seq=seq, now=now)
        carry, said = known.between(watch.vat, carry, said, before)
        carry, said = digest.between(watch.vat, watch.probe, carry, said, seq=seq, now=now)
        end = _next_cut(watch, carry, block, row, waiting)
        state, rows, told = _stretch(watch, replace(state, carry=carry), block[row:end], wakes=now.wakes)
        entries += said + told
        answers += answered
        measured.append(rows)
        row = end
    return state, Outcome(
        vat=watch.vat.id,
        probe=watch.probe.id,
        measurements=_joined(measured),
        entries=tuple(entries),
        answers=tuple(answers),
        carry=state.carry,
    )


def _now(watch: Watch, block: Block, row: int) -> Now:
    at_us = int(block.at_us[row])
    wakes = hours.span(watch.vat.people, at_us).wakes
    return Now(at_us=at_us, elapsed_us=int(block.elapsed_us[row]), wakes=wakes)


def _next_cut(watch: Watch, carry: Carry, block: Block, row: int, waiting: Sequence[Command]) -> int:
    """Return the first row after this one before which a command falls, or the end of something that lasts so long.

    What ends: a suppression, work on the probe, quiet hours or the time between them, a day that is summed up.
    """
    cuts = [len(block)]
    cuts += [int(np.searchsorted(block.seq, waiting[0].seq))] if waiting else []
    suppressed = (alarm.suppressed_until_us for alarm in carry.alarms.values())
    times = (carry.attended_until_us, carry.out_until_us, *suppressed)
    ends = [time for time in times if time is not None]
    cuts += [int(np.searchsorted(block.elapsed_us, min(ends)))] if ends else []
    later, at_us = block.at_us[row:], int(block.at_us[row])
    for begin_us, end_us in digest.same_day(watch.vat.people, carry, at_us):
        cuts += (row + np.flatnonzero((later < begin_us) | (later >= end_us))[:1]).tolist()
    return max(row + 1, min(cuts))


def _gap_us(watch: Watch) -> int:
    return round(watch.probe.limits.max_gap_s * SECOND_US)


def _stretch(
    watch: Watch, state: WatchState, block: Block, *, wakes: frozenset[Priority] | None
) -> tuple[WatchState, Measurements, list[Entry]]:
    """Carry the watch over rows between which nothing is asked of it."""
    heard, spoken = record.witnessed(watch.probe, state, block)
    measured, stance = record.measured(watch.probe, state, block, spoken)
    rows, first = state.recent.then(measured), len(state.recent)
    alarms, trends, closed, entries = _alarm(watch, state.carry, rows, measured, first=first, wakes=wakes)
    keep = min(_needed(watch, rows), len(rows))
    seen = known.follow(state.carry, closed)
    carry = replace(state.carry, alarms=alarms, trends=trends, witness=heard, stance=stance, recent=keep, course=seen)
    carry = known.believed_last(replace(carry, found_ph=None), measured)
    carry = known.follow_day(carry, measured, closed, entries, max_gap_us=_gap_us(watch))
    return WatchState(carry=carry, recent=rows[len(rows) - keep :]), measured, entries


def _alarm(
    watch: Watch,
    carry: Carry,
    rows: Measurements,
    measured: Measurements,
    *,
    first: int,
    wakes: frozenset[Priority] | None,
) -> tuple[dict[str, AlarmState], dict[str, Trend], Judged, list[Entry]]:
    """Judge each alarm; return all states, what is looked back on, the pH of the windows that closed, and the entries.

    The entries are in the order of their records.
    """
    states, trends = dict(carry.alarms), dict(carry.trends)
    found: list[tuple[int, Entry]] = []
    gap_us = _gap_us(watch)
    judged: dict[tuple[AlarmKind, float], Judged] = {}
    # The flags look back further than any window: live, most of the rows are of no use here.
    open_us = _open_since_us(watch, int(rows.elapsed_us[max(first - 1, 0)]))
    unused = int(np.searchsorted(rows.elapsed_us, open_us))
    rows, first = rows[unused:], first - unused
    for alarm in watch.vat.alarms:
        look, before = _seen(judged, watch, carry, rows, alarm, first=first), trends.get(alarm.id, Trend())
        if alarm.kind.is_of_batch:
            warm = _seen(judged, watch, carry, rows, replace(alarm, kind=AlarmKind.TEMPERATURE_HIGH), first=first)
            band_c = batch.band_c(watch.vat)
            trends[alarm.id], look = batch.follow(before, look, warm, alarm, carry=carry, band_c=band_c)
        elif alarm.kind.is_trend:
            trends[alarm.id], look = trend.follow(before, look, alarm, carry=carry)
        states[alarm.id], entries = evaluate.run(
            watch.vat.id,
            alarm,
            states.get(alarm.id, AlarmState()),
            rows=measured,
            series=_series(alarm, look),
            max_gap_us=gap_us + round(alarm.window_s * SECOND_US),
            wakes=wakes,
        )
        found += entries
    closed = judged.get((AlarmKind.PH_HIGH, course.WINDOW_S))
    if closed is None:
        closed = _judge(watch, carry, rows, _COURSE, first=first)
    then = Known(probe=watch.probe, carry=carry, rows=measured, judged=closed)
    told = known.told(watch.vat, states, sorted(found, key=lambda pair: pair[0]), then)
    return states, trends, closed, [entry for _, entry in told]


_COURSE = AlarmConfig(id="course", kind=AlarmKind.PH_HIGH, window_s=course.WINDOW_S)
"""Not an alarm: the windows that are looked at to say how fast the pH changes."""
_SIGNALS = {
    AlarmKind.PH_HIGH: AlarmKind.PH_HIGH,
    AlarmKind.PH_LOW: AlarmKind.PH_HIGH,
    AlarmKind.RATE_OF_CHANGE: AlarmKind.PH_HIGH,
    AlarmKind.RISE: AlarmKind.PH_HIGH,
    AlarmKind.NO_START: AlarmKind.PH_HIGH,
    AlarmKind.STALL: AlarmKind.PH_HIGH,
    AlarmKind.TEMPERATURE_HIGH: AlarmKind.TEMPERATURE_HIGH,
    AlarmKind.TEMPERATURE_LOW: AlarmKind.TEMPERATURE_HIGH,
    AlarmKind.NO_DATA: AlarmKind.NO_DATA,
    AlarmKind.BLIND: AlarmKind.BLIND,
    AlarmKind.OUT_OF_LIQUID: AlarmKind.OUT_OF_LIQUID,
    AlarmKind.ERRATIC: AlarmKind.ERRATIC,
    AlarmKind.DISAGREEMENT: AlarmKind.DISAGREEMENT,
    **{kind: kind for kind in UPKEEP},
}
"""Kinds that look at the same values share what was judged of them."""


def _seen(
    judged: dict[tuple[AlarmKind, float], Judged],
    watch: Watch,
    carry: Carry,
    rows: Measurements,
    alarm: AlarmConfig,
    *,
    first: int,
) -> Judged:
    """Return what an alarm looks at, judged once for all that look at the same."""
    signal = (_SIGNALS[alarm.kind], alarm.window_s)
    if signal not in judged:
        judged[signal] = _judge(watch, carry, rows, alarm, first=first)
    return judged[signal]


def _judge(watch: Watch, carry: Carry, rows: Measurements, alarm: AlarmConfig, *, first: int) -> Judged:
    """Return what an alarm looks at: each value with the belief in it, single or as medians of windows."""
    value, belief = _values(rows, alarm.kind)
    if alarm.kind in UPKEEP:
        value = upkeep.faults(alarm.kind, watch.probe, carry, at_us=rows.at_us, first=first)
    if alarm.window_s == 0:
        return windows.single(rows, value, belief, first=first)
    if alarm.kind.is_ph:
        belief = windows.without_spikes(rows, belief)
    fresh_us = carry.fresh_us
    judged = windows.medians(rows, value, belief, first=first, window_s=alarm.window_s, fresh_us=fresh_us)
    if carry.calibration is None:
        return judged
    u = uncertainty.of_median(
        judged.u,
        judged.count,
        slope=carry.calibration.slope,
        errors=watch.probe.errors,
        poll_s=watch.probe.poll_s,
    )
    return replace(judged, u=u)


_CAUSES: Mapping[AlarmKind, tuple[Tests | None, Tests]] = {
    AlarmKind.OUT_OF_LIQUID: (Tests.OUT_OF_LIQUID, Tests.NONE),
    AlarmKind.ERRATIC: (Tests.ERRATIC, Tests.OUT_OF_LIQUID),
    AlarmKind.BLIND: (None, Tests.OUT_OF_LIQUID | Tests.ERRATIC | Tests.ATTENDED | Tests.UNCALIBRATED),
}
"""One cause, one alarm: the test that speaks for it (None: pH not believed), and what another alarm tells already."""


def _values(rows: Measurements, kind: AlarmKind) -> tuple[Floats, Ints]:
    """Return the values an alarm judges and the `Belief` in each; faults are 1.0 where they show, else 0.0."""
    everything = np.full(len(rows), int(Belief.BELIEVED), dtype=np.int64)
    missing = rows.reason != Reason.NONE
    if kind is AlarmKind.NO_DATA or kind in UPKEEP:
        return missing.astype(np.float64), everything
    if kind in _CAUSES:
        test, elsewhere = _CAUSES[kind]
        silent = missing | ((rows.tests & elsewhere) != 0)
        faulty = windows.ph_belief(rows) != Belief.BELIEVED if test is None else (rows.tests & test) != 0
        return faulty.astype(np.float64), np.where(silent, int(Belief.SILENT), everything)
    if kind is AlarmKind.DISAGREEMENT:
        return windows.apart(rows)
    belief = windows.ph_belief(rows)
    if kind.is_ph:
        return rows.ph, belief
    return rows.temperature_c, windows.temperature_belief(rows)


def _series(alarm: AlarmConfig, judged: Judged) -> evaluate.Series:
    codes = threshold_codes(
        alarm,
        judged.value,
        doubtful=judged.belief == Belief.DOUBTFUL,
        silent=judged.belief == Belief.SILENT,
    )
    u = judged.u if alarm.kind.is_ph else np.full(len(judged), np.nan)
    return evaluate.Series(
        row=judged.row, elapsed_us=judged.elapsed_us, value=judged.value, u=u, codes=codes, spoken=judged.spoken
    )


def recent_rows(watch: Watch) -> int:
    """Return how many rows of a steadily read probe the flags look back on; `Carry.recent` is what they really were.

    It matters at a start with longer limits than before: what was not kept is not judged until its time has passed.
    """
    return int(_flat_us(watch) / SECOND_US / watch.probe.poll_s) + _NEIGHBOURS


def _flat_us(watch: Watch) -> int:
    limits = watch.probe.limits
    return round(max(limits.flat_suspect_s, limits.flat_fail_s) * SECOND_US)


_NEIGHBOURS = 3
"""Rows that the spike test looks at."""


def _needed(watch: Watch, rows: Measurements) -> int:
    """Return how many of the newest rows later verdicts depend on: open windows, gaps, the line that may be flat."""
    newest = int(rows.elapsed_us[-1])
    since = min(_open_since_us(watch, newest), newest - round(watch.probe.limits.max_gap_s * SECOND_US))
    flat = int(np.searchsorted(rows.elapsed_us, newest - _flat_us(watch), side="right")) - 1  # it ends before the time
    return len(rows) - max(0, min(flat, int(np.searchsorted(rows.elapsed_us, since)), len(rows) - _NEIGHBOURS))


def _open_since_us(watch: Watch, elapsed_us: int) -> int:
    """Return when the oldest of the windows open at this watch time began."""
    lengths = [round(alarm.window_s * SECOND_US) for alarm in watch.vat.alarms if alarm.window_s > 0]
    lengths.append(course.WINDOW_US)
    lengths.append(witness.window_us(watch.probe.limits, poll_s=watch.probe.poll_s))
    return min(elapsed_us - elapsed_us % length for length in lengths)


def _joined(parts: Sequence[Measurements]) -> Measurements:
    """Return the parts as one; a single one is not copied."""
    filled = [part for part in parts if len(part)] or [parts[0]]
    return filled[0] if len(filled) == 1 else Measurements.concatenate(filled)
