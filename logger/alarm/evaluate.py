"""Turn judged values into journal entries: condition, delays and lifecycle of one alarm over one block.

Law: what happens at a record depends on that record and earlier ones alone. At one record a timer that is due comes
before the condition.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite, isnan

import numpy as np
from numpy.typing import NDArray

from logger.alarm import words
from logger.alarm.conditions import Change, Code, Turn, detect
from logger.alarm.lifecycle import Now, Transition, Trigger, advance, priority, unshelve
from logger.config import AlarmConfig, Priority
from logger.model import AlarmState, Cause, Columns, Entry, Floats, Ints, Measurements, QualityTests, Reason, Value
from logger.model.elementwise import full, is_column
from logger.structs import Struct, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class Series(Columns):
    """Values an alarm judges, each at a row of the block, with watch time, u, `conditions.Code` and `QualityTests`.

    Numbers where a live record is judged by itself.
    """

    row: Ints
    elapsed_us: Ints
    value: Floats
    u: Floats
    codes: Ints
    spoken: Ints

    @property
    def newest(self) -> tuple[float, float | None] | None:
        """Return the value judged last and its u; None: none was."""
        value: Value = self.value
        u: Value = self.u
        if is_column(value):
            judged = ((self.codes != int(Code.SILENT)) & np.isfinite(value)).nonzero()[0]
            if not len(judged):
                return None
            value, u = value.item(judged[-1]), u.item(judged[-1])
        elif self.codes == int(Code.SILENT) or not isfinite(value):
            return None
        return value, None if isnan(u) else u


NOTHING = Series.none()
"""No value: nothing is judged."""


def of_each_record(rows: Measurements, value: Value, codes: Value) -> Series:
    """Return values that are judged at each record, without u; `rows`: numbers of a live one."""
    row: Value = np.arange(len(rows)) if is_column(codes) else 0
    u, nothing = full(codes, np.nan), full(codes, 0)
    return Series(row=row, elapsed_us=rows.elapsed_us, value=value, u=u, codes=codes, spoken=nothing)


class AlarmRun(Struct):
    """One alarm on its way through one block: its state so far and the entries made, each with its row."""

    vat: str
    alarm: AlarmConfig
    state: AlarmState
    rows: Measurements
    series: Series
    entries: list[tuple[int, Entry]]
    audible: frozenset[Priority] | None

    def fire_timers(self, limit: int) -> None:
        """Let every shelving, reminder and re-alarm that is due up to this row happen."""
        for row in self._due_rows(limit):
            self.note_newest(row)
            now = self.now(row)
            if self.state.shelved_until_us is not None:
                self.state, step = unshelve(self.state, self.alarm, expired=True, now=now)
            else:
                self.state, step = advance(self.state, self.alarm, trigger=Trigger.TIMER, now=now)
            self.note(step, row, now, QualityTests(int(self.rows.tests[row])))

    def turn(self, change: Change, row: int, now: Now, spoken: QualityTests) -> None:
        """Let the condition turn at this row, with the tests that spoke against what was judged there."""
        if change.turn is Turn.DELAY_RESTARTED:
            shown = self.state.shown
            self.note(Transition(cause=Cause.DELAY_RESTARTED, before=shown, after=shown), row, now, spoken)
            return
        active = change.turn is Turn.ACTIVE
        trigger = Trigger.ACTIVE if active else Trigger.CLEARED
        since_us = now.at_us - (now.elapsed_us - change.since_us)
        turned = replace(self.state, abnormal=active, abnormal_at_us=since_us)
        self.state, step = advance(turned, self.alarm, trigger=trigger, now=now)
        self.note(step, row, now, spoken)

    def note_newest(self, row: int) -> None:
        """Note the value that was judged last before this row, in time for what is told there."""
        if not self.alarm.kind.has_value:
            return
        self.state = _noted(self.state, self.series[: int(np.searchsorted(self.series.row, row))])

    def note(self, step: Transition | None, row: int, now: Now, spoken: QualityTests) -> None:
        """Write what a step showed into the journal."""
        if step is not None:
            entry = entry_of(self.vat, self.alarm, self.state, step, seq=int(self.rows.seq[row]), now=now)
            reason = Reason(int(self.rows.reason[row]))
            text = words.sentence(
                self.alarm, step, value=entry.value, u=entry.u, came=self.state.value, reason=reason, spoken=spoken
            )
            self.entries.append((row, replace(entry, text=text)))

    def now(self, row: int, value: float = np.nan, u: float = np.nan) -> Now:
        """Return when this row was taken, and the value judged there."""
        return Now(
            at_us=int(self.rows.at_us[row]),
            elapsed_us=int(self.rows.elapsed_us[row]),
            value=float(value) if np.isfinite(value) else None,
            u=None if np.isnan(u) else float(u),
            audible=self.audible,
        )

    def _due_rows(self, limit: int) -> Iterator[int]:
        while (due := self._due()) is not None:
            row = int(np.searchsorted(self.rows.elapsed_us, due))
            if row > limit:
                return
            yield row

    def _due(self) -> int | None:
        return _due_us(self.state)


def _noted(state: AlarmState, series: Series) -> AlarmState:
    """Return the state with the newest value that was judged."""
    newest = series.newest
    return state if newest is None else replace(state, newest=newest[0], newest_u=newest[1])


def _due_us(state: AlarmState) -> int | None:
    """Return when the next timer of an alarm is due."""
    times = [t for t in (state.shelved_until_us, state.timer_us) if t is not None]
    return min(times, default=None)


def is_awake(alarm: AlarmConfig, state: AlarmState | None, elapsed_us: int) -> bool:
    """Tell whether an alarm has something to do by a watch time though nothing is judged: a timer, or it is new."""
    if state is None or state.kind != alarm.kind:
        return True
    if state.timer_us is None and state.shelved_until_us is None:
        return False
    due = _due_us(state)
    return due is not None and due <= elapsed_us


def run(
    vat: str,
    alarm: AlarmConfig,
    state: AlarmState,
    *,
    rows: Measurements,
    series: Series,
    max_gap_us: int,
    audible: frozenset[Priority] | None,
) -> tuple[AlarmState, list[tuple[int, Entry]]]:
    """Carry one alarm over a block; return its new state, and its journal entries with their rows.

    `audible`: the priorities that annunciate in all of the block; None: every one.
    """
    detected, changes = detect(state, alarm, elapsed_us=series.elapsed_us, codes=series.codes, max_gap_us=max_gap_us)
    if not (changes or is_awake(alarm, state, rows.elapsed_us.item(-1))):  # live, nearly always
        return _noted(detected, series) if alarm.kind.has_value else detected, []
    series = series.columns()
    watched = AlarmRun(vat, alarm, state, rows, series, [], audible)
    for change in changes:
        row = int(series.row[change.index])
        watched.fire_timers(row)
        value, u = (series.value[change.index], series.u[change.index]) if alarm.kind.has_value else (np.nan, np.nan)
        spoken = QualityTests(int(series.spoken[change.index]))
        watched.turn(change, row, watched.now(row, value, u), spoken)
    watched.fire_timers(len(rows) - 1)
    watched.note_newest(len(rows))
    after = replace(watched.state, kind=alarm.kind.value, pending_us=detected.pending_us, seen_us=detected.seen_us)
    return after, watched.entries


def speaks(alarm: AlarmConfig, state: AlarmState, series: Series, *, rows: Ints, max_gap_us: int) -> NDArray[np.bool_]:
    """Tell whether the condition speaks at each of these rows of a block, as `AlarmState.speaks` tells of its end."""
    series = series.columns()
    _, changes = detect(state, alarm, elapsed_us=series.elapsed_us, codes=series.codes, max_gap_us=max_gap_us)
    speaking = np.flatnonzero(series.codes != int(Code.SILENT))
    is_beyond = np.concatenate([[state.speaks], series.codes[speaking] == int(Code.ABNORMAL)])
    newest = is_beyond[np.searchsorted(series.row[speaking], rows, side="right")]
    turned = [change for change in changes if change.turn is not Turn.DELAY_RESTARTED]
    is_abnormal = np.array([state.abnormal, *(change.turn is Turn.ACTIVE for change in turned)])
    at = np.array([series.row[change.index] for change in turned], dtype=np.int64)
    return np.asarray(newest | is_abnormal[np.searchsorted(at, rows, side="right")])


def entry_of(vat: str, alarm: AlarmConfig, state: AlarmState, step: Transition, *, seq: int, now: Now) -> Entry:
    """Make the journal entry of a step."""
    value, u = _value_of(state, step, now)
    return Entry(
        seq=seq,
        at_us=now.at_us,
        vat=vat,
        cause=step.cause,
        alarm=alarm.id,
        occurrence=state.occurrence,
        before=step.before,
        after=step.after,
        annunciates=step.annunciates,
        held=step.held,
        priority=priority(state, alarm),
        value=value,
        u=u,
        setpoint=alarm.setpoint,
        reminder=state.reminders,
        since_at_us=state.abnormal_at_us or None,
        text=words.sentence(alarm, step, value=value, u=u, came=state.value),
    )


def _value_of(state: AlarmState, step: Transition, now: Now) -> tuple[float | None, float | None]:
    """Return what a step names: the value of now, of what is told later the one judged last, else that when it came."""
    if now.value is not None:
        return now.value, now.u
    is_later = step.cause in words.TOLD_LATER and state.newest is not None
    return (state.newest, state.newest_u) if is_later else (state.value, state.u)
