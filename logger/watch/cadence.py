"""Tell what a record has to do: which windows it closes, which alarms are awake, which rows are still looked back on.

Law: pure. It is asked at each record, so what follows from the configuration alone is worked out once for a watch.
"""

from collections.abc import Mapping
from typing import Self

from logger.alarm.evaluate import is_awake
from logger.config import AlarmConfig, ProbeConfig, VatConfig
from logger.measure import course, forecast, liveness, quality, trust_windows
from logger.model import Carry, Ints
from logger.structs import Struct
from logger.units import SECOND_US


class Cadence(Struct, frozen=True, kw_only=True):
    """What the configuration of a vat and its probe says of each record."""

    alarms: tuple[AlarmConfig, ...]
    windows_us: Mapping[float, int]
    """Each length of a window in which signals are judged, in seconds and in microseconds."""
    period_us: int
    """The longest stretch of raw rows that trust looks at."""
    each_record: frozenset[str]
    """The alarms that judge each record."""
    look_back: frozenset[str]
    """The alarms of which a `Trend` is carried."""
    max_gap_us: int
    flat_us: int
    """How far the test of a flat line looks back."""

    @classmethod
    def of(cls, vat: VatConfig, probe: ProbeConfig) -> Self:
        """Work it out."""
        lengths_s = {alarm.window_s for alarm in vat.alarms if alarm.window_s > 0}
        lengths_s |= {course.WINDOW_S, forecast.WINDOW_S} | ({vat.target.window_s} if vat.target else set())
        looking = (a for a in vat.alarms if a.kind.row.look_back is not None or a.armed_ph is not None)
        limits = probe.limits
        return cls(
            alarms=vat.alarms,
            windows_us={window_s: round(window_s * SECOND_US) for window_s in lengths_s},
            period_us=liveness.period_us(trust_windows.window_us(probe.poll_s)),
            each_record=frozenset(a.id for a in vat.alarms if a.window_s == 0.0 or a.kind.is_of_target),
            look_back=frozenset(alarm.id for alarm in looking),
            max_gap_us=round(limits.max_gap_s * SECOND_US),
            flat_us=round(max(limits.flat_suspect_s, limits.flat_fail_s) * SECOND_US),
        )

    def closing(self, before_us: int, newest_us: int) -> set[float]:
        """Return the lengths (s) of the windows that end between two records: live nearly always none."""
        return {window_s for window_s, us in self.windows_us.items() if before_us // us != newest_us // us}

    def awake(self, carry: Carry, closing: set[float], newest_us: int) -> list[AlarmConfig]:
        """Return the alarms that have something to do: a record or a window to judge, or a timer that is due.

        Live most of 40 alarms have not, and to pass over one takes 1 us; to let it judge nothing took ten.
        """
        at_once = self.each_record | (self.look_back - carry.windows.trends.keys())
        states = carry.alarms
        return [
            alarm
            for alarm in self.alarms
            if alarm.window_s in closing or alarm.id in at_once or is_awake(alarm, states.get(alarm.id), newest_us)
        ]

    def open_since_us(self, elapsed_us: int) -> int:
        """Return when the oldest of the windows open at this watch time began."""
        longest_open = max(elapsed_us % length_us for length_us in (self.period_us, *self.windows_us.values()))
        return elapsed_us - longest_open

    def rows_needed(self, elapsed_us: Ints) -> int:
        """Return how many of the newest rows later verdicts depend on: open windows, gaps, a line that may be flat."""
        newest_us = elapsed_us.item(-1)
        since_us = min(self.open_since_us(newest_us), newest_us - self.max_gap_us)
        flat = int(elapsed_us.searchsorted(newest_us - self.flat_us, side="right")) - 1  # it ends before the time
        oldest = min(flat, int(elapsed_us.searchsorted(since_us)), len(elapsed_us) - 1 - quality.NEIGHBOURS)
        return len(elapsed_us) - max(0, oldest)
