"""Compute the signals that alarms judge: values with the belief in them, single records or medians of whole windows.

Law: pure; judged once for all that look at the same. Whether pH is too high, also for a target, is judged by the higher
of the published one and of what the checks correct it to (`uncertainty.cautious`).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from logger.config import UPKEEP, AlarmKind, ProbeConfig
from logger.measure import maintenance, uncertainty, windows
from logger.measure.windows import WindowMedians
from logger.model import Belief, Carry, Floats, Ints, Measurements, QualityTests, Reason

_SIGNALS = {
    AlarmKind.PH_HIGH: AlarmKind.PH_HIGH,
    AlarmKind.PH_LOW: AlarmKind.PH_LOW,
    AlarmKind.RATE_OF_CHANGE: AlarmKind.PH_LOW,
    AlarmKind.RISE: AlarmKind.PH_LOW,
    AlarmKind.NO_START: AlarmKind.PH_LOW,
    AlarmKind.STALL: AlarmKind.PH_LOW,
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
_CAUSES: Mapping[AlarmKind, tuple[QualityTests | None, QualityTests]] = {
    AlarmKind.OUT_OF_LIQUID: (QualityTests.OUT_OF_LIQUID, windows.AWAY),
    AlarmKind.ERRATIC: (QualityTests.ERRATIC, QualityTests.OUT_OF_LIQUID | windows.AWAY),
    AlarmKind.BLIND: (
        None,
        QualityTests.OUT_OF_LIQUID | QualityTests.ERRATIC | QualityTests.ATTENDED | QualityTests.UNCALIBRATED,
    ),
}
"""One cause, one alarm: the test that speaks for it (None: pH not believed), and what another alarm tells already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signals:
    """Rows of a probe, the new ones from row `first` on, and what was judged of them so far."""

    probe: ProbeConfig
    carry: Carry
    rows: Measurements
    first: int
    _judged: dict[tuple[AlarmKind, float], WindowMedians] = field(default_factory=dict)

    def at(self, kind: AlarmKind, window_s: float) -> WindowMedians:
        """Return what an alarm of a kind looks at; window 0: each record."""
        signal = (self._signal(kind), window_s)
        if signal not in self._judged:
            self._judged[signal] = self._judge(*signal)
        return self._judged[signal]

    def _signal(self, kind: AlarmKind) -> AlarmKind:
        """Return the kind whose values stand for it: where no check corrects anything, all pH alarms look at one."""
        is_same = kind is AlarmKind.PH_HIGH and self.carry.electrode.drift is None
        return _SIGNALS[AlarmKind.PH_LOW if is_same else kind]

    def _judge(self, kind: AlarmKind, window_s: float) -> WindowMedians:
        carry, rows = self.carry, self.rows
        if kind is AlarmKind.PH_HIGH and carry.electrode.calibration is not None:
            ph, u = uncertainty.cautious(
                carry.electrode.calibration, self.probe.errors, rows=rows, drift=carry.electrode.drift
            )
            rows = replace(rows, ph=ph, u=u)
        value, belief = _values(rows, kind)
        if kind in UPKEEP:
            value = maintenance.faults(kind, self.probe, carry, at_us=rows.at_us, first=self.first)
        if window_s == 0:
            return windows.single(rows, value, belief, first=self.first)
        if kind.is_ph:
            belief = windows.without_spikes(rows, belief)
        judged = windows.medians(
            rows, value, belief, first=self.first, window_s=window_s, fresh_us=carry.windows.fresh_us
        )
        if carry.electrode.calibration is None:
            return judged
        u = uncertainty.of_median(
            judged.u,
            judged.count,
            slope=carry.electrode.calibration.slope,
            errors=self.probe.errors,
            poll_s=self.probe.poll_s,
        )
        return replace(judged, u=u)


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
        if kind is AlarmKind.BLIND:  # nobody said that the probe is back: that is for no other alarm to tell
            silent &= (rows.tests & QualityTests.NOT_BACK) == 0
        return faulty.astype(np.float64), np.where(silent, int(Belief.NOT_BELIEVED), everything)
    if kind is AlarmKind.DISAGREEMENT:
        return windows.apart(rows)
    belief = windows.ph_belief(rows)
    if kind.is_ph:
        return rows.ph, belief
    return rows.temperature_c, windows.temperature_belief(rows)
