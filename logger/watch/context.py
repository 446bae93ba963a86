"""Attach to an alarm what was known at its record (`VatFacts`): newest believed pH, rate, temperature, deadline.

Law: pure; from the record and earlier ones alone, and never recomputed later: what is said is stored with its entry.
"""

from collections.abc import Sequence
from math import isnan

import numpy as np

from logger.alarm import belief_words, digest, notification
from logger.alarm.quiet_hours import clock_time
from logger.config import AlarmKind, ProbeConfig, VatConfig
from logger.measure import course, windows
from logger.measure.windows import WindowMedians
from logger.model import (
    AlarmState,
    Belief,
    Carry,
    Entry,
    Ints,
    Measurements,
    Notification,
    Reason,
    ReportedState,
    VatFacts,
)
from logger.structs import Struct, replace
from logger.units import HOUR_US
from logger.watch import trust_alarms
from logger.watch.trust_alarms import TrustCourse


class AlarmContext(Struct, frozen=True, kw_only=True):
    """A stretch of records, what was carried into it, and the medians that its records closed."""

    vat: VatConfig
    probe: ProbeConfig
    carry: Carry
    rows: Measurements
    judged: WindowMedians | None = None
    """None: no row of this is new, the carry knows of all."""
    trust: TrustCourse | None = None
    """The same."""

    def at(self, row: int) -> VatFacts:
        """Return what is known once a row is there."""
        before = self.carry.reported
        reported = before if self.judged is None else with_newest(before, self.rows[: row + 1])
        return VatFacts(
            believed=int(self.rows.belief[row]) == Belief.BELIEVED,
            suspect=int(self.rows.belief[row]) == Belief.SUSPECT,
            belief=self._belief(row),
            ph=reported.believed_ph,
            u=reported.believed_u,
            ph_at_us=reported.believed_at_us,
            temperature_c=self._temperature(row),
            deadline_at_us=self._deadline_at_us(int(self.rows.at_us[row])),
            **self._rate(row),
        )

    def _belief(self, row: int) -> str:
        """Say why the record is believed or not: while trust is lost, by what, by the clock of the house."""
        newest = trust_alarms.course_of(self.vat, self.carry, [], self.rows.tests)
        now_us = int(self.rows.at_us[row])
        why = (newest if self.trust is None else self.trust).why(
            row, lambda at_us: clock_time(at_us, self.vat.people, now_us=now_us)
        )
        return why or belief_words.reason(self.rows, belief_words.evidence_of(self.carry), row=row)

    def _deadline_at_us(self, at_us: int) -> int | None:
        """Return when the target of the batch is due, if that is still to come."""
        started_us = self.carry.batch.started_at_us
        due_h = [
            alarm.setpoint
            for alarm in self.vat.alarms
            if alarm.kind is AlarmKind.DEADLINE and alarm.setpoint is not None
        ]
        if started_us is None or not due_h:
            return None
        due_us = started_us + round(min(due_h) * HOUR_US)
        return due_us if due_us > at_us else None

    def _temperature(self, row: int) -> float | None:
        usable = windows.temperature_belief(self.rows[row : row + 1])[0] == Belief.BELIEVED
        return float(self.rows.temperature_c[row]) if usable else None

    def _rate(self, row: int) -> dict[str, float]:
        trail = self.carry.windows.course
        if self.judged is not None:
            trail = follow_course(self.carry, self.judged, until_row=row)
        drift = self.probe.errors.drift_ph_per_day
        rate = course.rate(trail, elapsed_us=int(self.rows.elapsed_us[row]), drift_ph_per_day=drift)
        if rate is None:
            return {}
        return {"rate_ph_per_h": rate.ph_per_h, "u_rate_ph_per_h": rate.u, "rate_over_h": rate.over_h}


def follow_course(carry: Carry, judged: WindowMedians, *, until_row: int | None = None) -> course.Course:
    """Return the course of the pH up to a row (None: the last); topping up begins it anew like a calibration."""
    unsettled_us = carry.suppression.unsettled_us[0] + course.WINDOW_US if carry.suppression.unsettled_us else 0
    trail = course.append_medians(carry.windows.course, judged, until_row=until_row)
    return course.drop_before(trail, max(carry.windows.fresh_us, unsettled_us))


def with_newest(before: ReportedState, rows: Measurements) -> ReportedState:
    """Return what is reported with the newest of these rows, and the newest believed reading among them."""
    record_at_us, record_us, row = rows.at_us.item(-1), rows.elapsed_us.item(-1), _newest_believed(rows.belief)
    if row is None:
        return replace(before, record_at_us=record_at_us, record_us=record_us)
    u = rows.u.item(row)
    return replace(
        before,
        record_at_us=record_at_us,
        record_us=record_us,
        believed_at_us=rows.at_us.item(row),
        believed_us=rows.elapsed_us.item(row),
        believed_ph=rows.ph.item(row),
        believed_u=None if isnan(u) else u,
    )


def _newest_believed(belief: Ints) -> int | None:
    """Return the newest row that is believed; None: none is."""
    if belief.item(-1) == int(Belief.BELIEVED):  # nearly always
        return len(belief) - 1
    return max(_believed(belief).nonzero()[0].tolist(), default=None)


def _believed(belief: Ints) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    return np.asarray(belief == int(Belief.BELIEVED))


def annotate(
    vat: VatConfig, states: dict[str, AlarmState], entries: Sequence[tuple[int, Entry]], context: AlarmContext
) -> list[tuple[int, Entry]]:
    """Return entries (each with its row) with what a person is told of them; the newest is put into `states` too."""
    annotated: list[tuple[int, Entry]] = []
    if not entries:  # nearly always
        return annotated
    alarms = {alarm.id: alarm for alarm in vat.alarms}
    for row, entry in entries:
        alarm = alarms.get(entry.alarm)
        if alarm is None or not notification.needs_notification(entry):
            annotated.append((row, entry))
            continue
        facts = context.at(row)
        reason, is_away = Reason(int(context.rows.reason[row])), context.carry.suppression.not_back_us is not None
        lines = notification.lines(vat, alarm, entry, facts=facts, reason=reason, is_away=is_away)
        notification_ = Notification(lines=lines, facts=facts)
        annotated.append((row, replace(entry, told=notification_)))
        states[alarm.id] = replace(states[alarm.id], told=notification_)
    return annotated


def follow_day(
    reported: ReportedState, rows: Measurements, closed: WindowMedians, entries: list[Entry], *, max_gap_us: int
) -> ReportedState:
    """Return what is reported with a stretch of records, the medians that they closed and their entries in its day."""
    if reported.day is None:
        return reported
    good = np.flatnonzero(_believed(closed.belief) & ~np.isnan(closed.value)) if len(closed) else ()
    medians = [(float(closed.value[at]), int(rows.at_us[closed.row[at]])) for at in good]
    day = digest.count_entries(reported.day, entries)
    arrived_us, gaps = _gaps(day.arrived_us, rows, max_gap_us)
    day = replace(
        day,
        records=day.records + len(rows),
        believed=day.believed + int(np.count_nonzero(_believed(rows.belief))),
        lowest=min([*medians, *([day.lowest] if day.lowest else [])], default=None),
        highest=max([*medians, *([day.highest] if day.highest else [])], default=None),
        arrived_us=arrived_us,
        gaps=day.gaps + len(gaps),
        gap_us=day.gap_us + sum(gaps),
    )
    return replace(reported, day=day)


def _gaps(before_us: int | None, rows: Measurements, max_gap_us: int) -> tuple[int | None, list[int]]:
    """Return when the newest reading arrived, and the long waits for one among these records."""
    times = rows.elapsed_us[rows.reason == int(Reason.NONE)]
    if not len(times):
        return before_us, []
    first_us = times.item(0) if before_us is None else before_us
    if times.item(-1) - first_us <= max_gap_us:  # live, nearly always
        return times.item(-1), []
    waits = np.diff(times, prepend=first_us)
    return times.item(-1), waits[waits > max_gap_us].tolist()


def annotate_between(
    vat: VatConfig, carry: Carry, entries: list[Entry], before: AlarmContext
) -> tuple[Carry, list[Entry]]:
    """Return the carry and the entries of what happened after the last of the rows, with what a person is told."""
    if not (entries and len(before.rows)):
        return carry, entries
    states, row = dict(carry.alarms), len(before.rows) - 1
    annotated = annotate(vat, states, [(row, entry) for entry in entries], before)
    return replace(carry, alarms=states), [entry for _, entry in annotated]
