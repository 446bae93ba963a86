"""Evaluate records, as one pure function: (watch, state, block, commands) -> (state, outcome). Start reading here.

A block is a run of indications of one probe, as columns. Live it has one row, in replay tens of thousands; the rules
take columns or bare numbers (`model/elementwise.py`). Law: however a series is cut into blocks, the outcome is the
same, to the bit. So a block is first cut where a command or the end of a suppression falls, and each piece then goes
through the same steps: flags, pH and its uncertainty, trust in the probe, belief, signals (single values or windows),
alarms, carry.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from logger.alarm import digest, evaluate, quiet_hours
from logger.alarm.conditions import threshold_codes, where_armed
from logger.alarm.lifecycle import Now
from logger.config import AlarmConfig, AlarmKind, LookBack, Priority, ProbeConfig, Signal, VatConfig
from logger.measure import arming, batch, claims, course, quality, record, trend
from logger.measure.windows import WindowMedians
from logger.model import (
    AlarmState,
    Answer,
    BatchState,
    Belief,
    Block,
    Carry,
    Command,
    Entry,
    Estimate,
    ForecastState,
    Measurements,
    Outcome,
    ReportedState,
    Trend,
    Value,
    WatchState,
)
from logger.model.elementwise import full
from logger.model.recent_rows import RecentRows
from logger.structs import Struct, replace
from logger.units import SECOND_US
from logger.watch import context, forecasting, target_alarms, trust_alarms, unknown_gap, unwatched
from logger.watch.cadence import Cadence
from logger.watch.commands import commands_between
from logger.watch.context import AlarmContext
from logger.watch.signals import Signals
from logger.watch.trust_alarms import TrustCourse


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """A vat and the probe in it."""

    vat: VatConfig
    probe: ProbeConfig
    cadence: Cadence = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        """Work out once what each record asks."""
        object.__setattr__(self, "cadence", Cadence.of(self.vat, self.probe))


def fresh(watch: Watch) -> WatchState:
    """Return the state of a watch that has seen nothing yet."""
    return WatchState.of(Carry(probe=watch.probe.id), Measurements.none())


def step(
    watch: Watch, state: WatchState, block: Block, *, commands: Sequence[Command] = ()
) -> tuple[WatchState, Outcome]:
    """Carry a watch over a block; each command is applied before the record whose number it holds."""
    measured, entries, answers = list[Measurements](), list[Entry](), list[Answer]()
    waiting, row = sorted(commands, key=lambda c: (c.seq, c.id)), 0
    while row < len(block):
        seq = block.seq.item(row)
        ready = [c for c in waiting if c.seq <= seq]
        waiting = waiting[len(ready) :]
        now = _now(watch, block, row)
        carry, settled = unknown_gap.follow(watch.vat, state.carry, seq=seq, now=now)
        carry = claims.refreshed(carry, watch.probe.errors)
        carry, noticed = unwatched.ask_after_gap(watch.vat, carry, seq=seq, now=now)
        carry, before_record, answered = commands_between(watch.vat, watch.probe, carry, ready, seq=seq, now=now)
        if before_record:
            before = context.AlarmContext(vat=watch.vat, probe=watch.probe, carry=state.carry, rows=state.recent)
            carry, before_record = context.annotate_between(watch.vat, carry, before_record, before)
        carry, before_record = digest.summarise_if_due(watch.vat, watch.probe, carry, before_record, seq=seq, now=now)
        end = _next_cut(watch, carry, block, row, waiting)
        state = state if carry is state.carry else replace(state, carry=carry)
        piece = block if end - row == len(block) else block[row:end]
        state, rows, from_rows = _step_piece(watch, state, piece, audible=now.audible)
        entries += settled + noticed + before_record + from_rows
        answers += answered
        measured.append(rows)
        row = end
    return state, Outcome(
        vat=watch.vat.id,
        probe=watch.probe.id,
        measurements=_concatenated(measured),
        entries=tuple(entries),
        answers=tuple(answers),
        carry=state.carry,
    )


def _now(watch: Watch, block: Block, row: int) -> Now:
    at_us = block.at_us.item(row)
    audible = quiet_hours.quiet_span(watch.vat.people, at_us).audible
    return Now(at_us=at_us, elapsed_us=block.elapsed_us.item(row), audible=audible)


def _next_cut(watch: Watch, carry: Carry, block: Block, row: int, waiting: Sequence[Command]) -> int:
    """Return the first row after this one before which a command falls, or the end of something that lasts so long.

    What ends: a suppression, work on the probe, quiet hours or the time between them, a day that is summed up, hours
    without a record.
    """
    if row + 1 == len(block):  # live
        return row + 1
    cuts = [len(block)]
    cuts += [int(np.searchsorted(block.seq, waiting[0].seq))] if waiting else []
    suppressed = (alarm.suppressed_until_us for alarm in carry.alarms.values())
    times = (carry.suppression.attended_until_us, carry.suppression.out_until_us, *suppressed)
    ends = [time for time in times if time is not None]
    cuts += [int(np.searchsorted(block.elapsed_us, min(ends)))] if ends else []
    cuts += (row + unwatched.gap_ends(block.elapsed_us[row:])[:1]).tolist()
    cuts += (row + unknown_gap.turns(block.at_us[row:], block.elapsed_us[row:])[:1]).tolist()
    later, at_us = block.at_us[row:], int(block.at_us[row])
    for begin_us, end_us in digest.unchanged_spans(watch.vat.people, carry, at_us):
        cuts += (row + np.flatnonzero((later < begin_us) | (later >= end_us))[:1]).tolist()
    return max(row + 1, min(cuts))


def _step_piece(
    watch: Watch, state: WatchState, block: Block, *, audible: frozenset[Priority] | None
) -> tuple[WatchState, Measurements, list[Entry]]:
    """Carry the watch over rows between which nothing is asked of it."""
    computed = record.compute_records(watch.probe, state, block)
    measured, carry = computed.rows, state.carry
    trusted = trust_alarms.course_of(watch.vat, carry, computed.turns, measured.tests)
    rows = state.rows.after(measured)
    judged = _judge_alarms(watch, carry, rows, measured, trusted, audible=audible)
    keep = watch.cadence.rows_needed(rows.elapsed_us)
    after = Carry(
        probe=carry.probe,
        alarms=judged.alarms,
        batch=judged.batch,
        electrode=replace(
            carry.electrode,
            estimate=judged.estimate,
            thermometer=computed.thermometer,
            found_ph=None,
            belief=computed.belief,
        ),
        suppression=carry.suppression,
        reported=judged.reported,
        windows=replace(carry.windows, course=judged.course, trends=judged.trends, recent=keep),
        trust=computed.trust,
        forecast=judged.forecast,
        care=carry.care,
    )
    return WatchState(carry=after, rows=rows.last(keep)), measured, judged.entries


class _Judged(Struct, frozen=True, kw_only=True):
    """What the target and the alarms make of some rows: what is carried of them, and the entries in their order."""

    alarms: Mapping[str, AlarmState]
    entries: list[Entry]
    batch: BatchState
    estimate: Estimate | None
    forecast: ForecastState
    reported: ReportedState
    course: course.Course
    trends: Mapping[str, Trend]


def _judge_alarms(
    watch: Watch,
    carry: Carry,
    rows: RecentRows,
    measured: Measurements,
    trusted: TrustCourse,
    *,
    audible: frozenset[Priority] | None,
) -> _Judged:
    """Judge the target and each alarm that is awake."""
    vat, states = watch.vat, dict(carry.alarms)
    elapsed_us = rows.elapsed_us
    before_us, newest_us = elapsed_us.item(max(0, len(elapsed_us) - len(measured) - 1)), elapsed_us.item(-1)
    closing = watch.cadence.closing(before_us, newest_us)
    awake = watch.cadence.awake(carry, closing, newest_us)
    signals = _signals(
        watch, carry, rows, measured, since_us=watch.cadence.open_since_us(before_us) if closing else None
    )
    trends, judged = _alarm_series(watch, awake, carry, signals)
    foreseen = forecasting.follow(vat, carry, signals, measured)
    judged |= {a.id: forecasting.series(a, foreseen, signals.new) for a in awake if a.kind is AlarmKind.LIKELY_LATE}
    target = target_alarms.begin(vat, watch.probe, carry, measured, trusted)
    numbered = target_alarms.follow(target, signals, _alarms_against_claim(watch, vat, carry, judged))
    for alarm in awake:
        series = judged.get(alarm.id)
        states[alarm.id], entries = evaluate.run(
            vat.id,
            alarm,
            states.get(alarm.id) or AlarmState(),
            rows=measured,
            series=target_alarms.series(alarm, target, vat, signals.new) if series is None else series,
            max_gap_us=_longest_silence_us(watch, alarm),
            audible=audible,
        )
        numbered += [
            (row, trust_alarms.with_why(alarm, target_alarms.with_facts(alarm, entry, target, row), trusted, row))
            for row, entry in entries
        ]
    closed = signals.at(Signal.PH, course.WINDOW_S)
    then = AlarmContext(vat=vat, probe=watch.probe, carry=carry, rows=measured, judged=closed, trust=trusted)
    annotated = [entry for _, entry in context.annotate(vat, states, sorted(numbered, key=lambda pair: pair[0]), then)]
    reported = context.with_newest(carry.reported, measured, len(measured) - 1)
    return _Judged(
        alarms=states,
        entries=annotated,
        batch=carry.batch if target is None else replace(carry.batch, progress=target.progress),
        estimate=carry.electrode.estimate if target is None else target.estimate,
        forecast=foreseen.state,
        reported=context.follow_day(reported, measured, closed, annotated, max_gap_us=watch.cadence.max_gap_us),
        course=context.follow_course(carry, closed),
        trends=trends,
    )


def _signals(watch: Watch, carry: Carry, rows: RecentRows, measured: Measurements, *, since_us: int | None) -> Signals:
    """Return the signals of the new rows, with those before them since a watch time; None: no window asks for any."""
    new = measured.numbers() if len(measured) == 1 else measured
    if since_us is None:
        return Signals(probe=watch.probe, carry=carry, rows=measured, first=0, new=new)
    looked_at = rows.since(int(rows.elapsed_us.searchsorted(since_us)))
    return Signals(probe=watch.probe, carry=carry, rows=looked_at, first=len(looked_at) - len(measured), new=new)


_NO_TREND = Trend()
"""Nothing was looked back on yet."""


def _alarm_series(
    watch: Watch, awake: Sequence[AlarmConfig], carry: Carry, signals: Signals
) -> tuple[dict[str, Trend], dict[str, evaluate.Series]]:
    """Return what is carried of what alarms look back on, and what each judges; those on the target come later."""
    trends, judged = dict(carry.windows.trends), dict[str, evaluate.Series]()
    for alarm in (alarm for alarm in awake if not alarm.kind.is_of_target):
        armed_before = trends.get(alarm.id, _NO_TREND)
        trends, medians = _window_medians(watch, carry, signals, alarm, trends)
        if len(medians):
            judged[alarm.id] = _series(alarm, medians, armed_before)
        else:  # live, nearly always
            judged[alarm.id] = evaluate.NOTHING
    return trends, judged


def _alarms_against_claim(
    watch: Watch, vat: VatConfig, carry: Carry, judged: Mapping[str, evaluate.Series]
) -> target_alarms.Against:
    """Return what tells of each alarm that can speak against a claim whether it does at some rows."""
    return lambda rows: (
        evaluate.speaks(
            alarm,
            carry.alarms.get(alarm.id) or AlarmState(),
            judged.get(alarm.id, evaluate.NOTHING),
            rows=rows,
            max_gap_us=_longest_silence_us(watch, alarm),
        )
        for alarm in vat.alarms
        if alarm.kind.row.is_against_claim
    )


def _longest_silence_us(watch: Watch, alarm: AlarmConfig) -> int:
    """Return how long what an alarm judges may be silent before a delay that runs starts anew."""
    return watch.cadence.max_gap_us + round(alarm.window_s * SECOND_US)


def _window_medians(
    watch: Watch, carry: Carry, signals: Signals, alarm: AlarmConfig, trends: dict[str, Trend]
) -> tuple[dict[str, Trend], WindowMedians]:
    """Return what an alarm judges, and what is carried on of what some look back on."""
    medians, before = signals.of(alarm), trends.get(alarm.id, _NO_TREND)
    if alarm.kind.row.look_back is None and alarm.armed_ph is None:
        return trends, medians
    medians = medians.columns()
    if alarm.kind.row.look_back is LookBack.BATCH:
        warm = signals.at(Signal.TEMPERATURE, alarm.window_s)
        after, medians = batch.follow(before, medians, warm, alarm, carry=carry, band_c=batch.band_c(watch.vat))
        return {**trends, alarm.id: after}, medians
    if alarm.kind.row.look_back is LookBack.TREND:
        after, medians = trend.follow(before, medians, alarm, carry=carry, rise_ph=trend.rise_ph(watch.vat))
        return {**trends, alarm.id: after}, medians
    return {**trends, alarm.id: arming.follow(before, medians, alarm)}, medians


def _series(alarm: AlarmConfig, judged: WindowMedians, before: Trend) -> evaluate.Series:
    codes = _codes(alarm, judged.value, judged.belief)
    if arming.can_be_unarmed(alarm):
        codes = where_armed(codes, arming.is_armed(before, judged, alarm))
    u = judged.u if alarm.kind.is_ph else full(judged.value, np.nan)
    return evaluate.Series(
        row=judged.row,
        elapsed_us=judged.elapsed_us,
        value=judged.value,
        u=u,
        codes=codes,
        spoken=judged.spoken,
    )


def _codes(alarm: AlarmConfig, value: Value, belief: Value) -> Value:
    """Return what values say, elementwise."""
    suspect, nothing = int(Belief.SUSPECT), int(Belief.NOT_BELIEVED)
    return threshold_codes(alarm, value, doubtful=belief == suspect, silent=belief == nothing)


def recent_rows(watch: Watch) -> int:
    """Return how many rows of a steadily read probe the flags look back on; `Carry.recent` is what they really were.

    It matters at a start with longer limits than before: what was not kept is not judged until its time has passed.
    """
    return int(watch.cadence.flat_us / SECOND_US / watch.probe.poll_s) + 1 + quality.NEIGHBOURS


def _concatenated(parts: Sequence[Measurements]) -> Measurements:
    """Return the parts as one; a single one is not copied."""
    if len(parts) == 1:
        return parts[0]
    return Measurements.concatenate(parts) if parts else Measurements.none()
