"""Compute the signals that alarms judge: values with the belief in them, single records or medians of whole windows.

Law: pure; judged once for all that look at the same. Whether pH is too high, also for a target, is judged by the higher
of the published one and of what the checks correct it to (`uncertainty.cautious`).

One cause, one alarm, in this order: `no-data`, `trust-lost`, `trust-doubted`, `blind`, process alarms; what an earlier
one speaks of is silence to the later ones. But while trust is lost, a reading on the dangerous side of a limit still
raises its alarm, once and marked as not confirmed; where a second probe can be believed, that is judged instead.
"""

from collections.abc import Mapping

import numpy as np

from logger.config import AlarmConfig, AlarmKind, ProbeConfig, Signal
from logger.measure import age, maintenance, uncertainty, windows
from logger.measure.windows import WindowMedians
from logger.model import Belief, Carry, Measurements, QualityTests, Reason, Value
from logger.model.elementwise import anywhere, full, where
from logger.structs import Struct, field, replace

_CAUSES: Mapping[Signal, tuple[int | None, int]] = {
    Signal.TRUST: (windows.LOST | int(QualityTests.NOT_BACK), int(QualityTests.ATTENDED)),
    Signal.TRUST_DOUBT: (int(QualityTests.DOUBTED), windows.LOST | windows.AWAY),
    Signal.BELIEF: (None, windows.LOST | windows.AWAY | int(QualityTests.UNCALIBRATED)),
}
"""One cause, one alarm: the test that speaks for it (None: pH not believed), and what another alarm tells already."""


class Signals(Struct, frozen=True, kw_only=True):
    """Rows of a probe, the new ones from row `first` on, and what was judged of them so far."""

    probe: ProbeConfig
    carry: Carry
    rows: Measurements
    first: int
    new: Measurements
    """The new ones; numbers of a single one."""
    _judged: dict[tuple[Signal | AlarmKind, float], WindowMedians] = field(default_factory=dict)

    def of(self, alarm: AlarmConfig) -> WindowMedians:
        """Return what an alarm looks at; window 0: each record."""
        return self.at(alarm.kind.row.signal or alarm.kind, alarm.window_s)

    def at(self, signal: Signal | AlarmKind, window_s: float) -> WindowMedians:
        """Return a signal, or the fault that a kind of alarm measures by itself, in windows of this length."""
        known = self.carry.electrode.estimate
        if signal is Signal.PH_UPPER and (known is None or not any(known.steady.mean)):  # no check corrects anything
            signal = Signal.PH
        judged = self._judged.get((signal, window_s))
        if judged is None:
            judged = self._judged[signal, window_s] = self._judge(signal, window_s)
        return judged

    def _judge(self, signal: Signal | AlarmKind, window_s: float) -> WindowMedians:
        carry, rows, first = self.carry, self.rows, self.first
        if window_s == 0:
            rows, first = self.new, 0
        elif not windows.closes(rows.elapsed_us, first=first, window_s=window_s):
            return windows.NOTHING  # live, nearly always
        line, known = carry.electrode.calibration, carry.electrode.estimate
        if signal is Signal.PH_UPPER and line is not None and known is not None:
            days = age.days_since(known, rows.at_us, rows.elapsed_us)
            ph, u = uncertainty.cautious(line, known, rows=rows, days=days)
            rows = replace(rows, ph=ph, u=u)
        is_ph = signal in (Signal.PH, Signal.PH_UPPER)
        rows = _with_second_probe(rows) if is_ph else rows
        if isinstance(signal, AlarmKind):
            value = maintenance.faults(signal, self.probe, carry, rows=rows, first=first)
            belief = _all_believed(rows)
        else:
            value, belief = _values(rows, signal)
        if window_s == 0:
            return windows.single(rows, value, belief, first=first)
        if is_ph:
            belief = windows.without_spikes(rows, belief)
        if signal is Signal.BELIEF:  # in a window as many are blind as process alarms leave out there
            calm = windows.without_spikes(rows, windows.ph_belief(rows))
            value = (calm != Belief.BELIEVED).astype(np.float64)
        judged = windows.medians(
            rows, value, belief, first=first, window_s=window_s, fresh_us=carry.windows.fresh_us, with_u=is_ph
        )
        if carry.electrode.calibration is None or not is_ph:
            return judged
        u = uncertainty.of_median(
            judged.u,
            judged.count,
            slope=carry.electrode.calibration.slope,
            errors=self.probe.errors,
            poll_s=self.probe.poll_s,
            spread=judged.spread,
        )
        return replace(judged, u=u)


def _all_believed(rows: Measurements) -> Value:
    return full(rows.tests, int(Belief.BELIEVED))


def _values(rows: Measurements, signal: Signal) -> tuple[Value, Value]:
    """Return the values of a signal and the `Belief` in each; faults are 1.0 where they show, else 0.0."""
    missing = rows.reason != int(Reason.NONE)
    if signal is Signal.ARRIVAL:
        return missing * 1.0, _all_believed(rows)
    if signal in _CAUSES:
        test, elsewhere = _CAUSES[signal]
        silent = missing | ((rows.tests & elsewhere) != 0)
        faulty = windows.ph_belief(rows) != int(Belief.BELIEVED) if test is None else (rows.tests & test) != 0
        if signal is Signal.TRUST:  # nobody said that the probe is back: that is for no other alarm to tell
            silent = silent & ((rows.tests & int(QualityTests.NOT_BACK)) == 0)
        return faulty * 1.0, where(silent, int(Belief.NOT_BELIEVED), int(Belief.BELIEVED))
    if signal is Signal.SECOND_PROBE:
        return windows.apart(rows)
    if signal is Signal.TEMPERATURE:
        return rows.temperature_c, windows.temperature_belief(rows)
    return rows.ph, windows.limit_belief(rows)


def _with_second_probe(rows: Measurements) -> Measurements:
    """Return the rows with what the second probe reads, where it is judged in place of one that has lost trust."""
    by_second = (rows.tests & int(QualityTests.BY_SECOND_PROBE)) != 0
    if not anywhere(by_second):
        return rows
    return replace(rows, ph=where(by_second, rows.reference_ph, rows.ph), u=where(by_second, rows.reference_u, rows.u))
