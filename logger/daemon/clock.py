"""Read the one clock: UTC and steady time together.

Law: `at_us` may be stepped by whoever sets the machine's clock; `elapsed_us` is never stepped, and goes on over a
restart from where the log ends. Only the service builds a clock; everybody else is handed times.

Watch time goes on over a restart by the wall clock's difference, so a pending delay or a shelving needs no special
case. If the wall clock ran back meanwhile (a computer without a real-time clock boots behind the end of its log),
nobody knows the gap: the watch time counts a day, which is longer than any delay, and UTC goes on from the end of the
log by steady time until the machine's clock is set and overtakes it. `watch/unknown_gap.py` tells such a gap by that,
and its true length by the step.

Steady time counts
a suspension of the machine (CLOCK_BOOTTIME on Linux): it is a gap of the log and no step of the clock. A simulation
goes by the monotonic clock, which its other end can read too.
"""

import sys
import time
from collections.abc import Callable

from logger.config import Simulation
from logger.structs import Struct
from logger.units import SECOND_US

UNKNOWN_GAP_US = 86_400 * SECOND_US
"""What a restart counts for when the wall clock says that it ended before it began: longer than any delay."""


class ClockReading(Struct, frozen=True, kw_only=True):
    """UTC microseconds, and watch time in microseconds."""

    at_us: int
    elapsed_us: int


class Clock(Struct, frozen=True, kw_only=True):
    """A wall clock (UTC microseconds) and a steady one (microseconds), with the watch time at which this run began."""

    wall_us: Callable[[], int]
    steady_us: Callable[[], int]
    started_us: int
    base_us: int = 0
    behind_us: int | None = None
    """UTC at the end of the log, if this run began before it: no record may be older than that one."""
    speed: float = 1.0

    def read(self) -> ClockReading:
        """Return both times of this moment."""
        passed_us, at_us = self.steady_us() - self.started_us, self.wall_us()
        if self.behind_us is not None:
            at_us = max(at_us, self.behind_us + passed_us)
        return ClockReading(at_us=at_us, elapsed_us=self.base_us + passed_us)

    def real_s(self, vat_s: float) -> float:
        """Return how many real seconds pass in so many seconds of the vat's."""
        return vat_s / self.speed


def of(simulation: Simulation | None) -> Clock:
    """Return the machine's clock, or an accelerated one that both ends of a simulation derive alike."""
    if simulation is None:
        return Clock(wall_us=lambda: time.time_ns() // 1000, steady_us=_awake_or_not_us, started_us=_awake_or_not_us())
    tied = simulation.epoch_monotonic_s
    begin_us = _machine_us() if tied is None else round(tied * SECOND_US)
    epoch_us = time.time_ns() // 1000 if simulation.epoch_us is None else simulation.epoch_us

    def steady_us() -> int:
        return round((_machine_us() - begin_us) * simulation.speed)

    return Clock(
        wall_us=lambda: epoch_us + steady_us(), steady_us=steady_us, started_us=steady_us(), speed=simulation.speed
    )


def _awake_or_not_us() -> int:
    """Return steady time that counts also while the machine is suspended, where there is such a clock (Linux)."""
    if sys.platform == "linux":
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000
    return _machine_us()


def _machine_us() -> int:
    return time.monotonic_ns() // 1000


def resumed_us(now_at_us: int, *, last_at_us: int, last_elapsed_us: int) -> int:
    """Return the watch time at which a run begins whose log ends at these times."""
    gap_us = now_at_us - last_at_us
    return last_elapsed_us + (gap_us if gap_us >= 0 else UNKNOWN_GAP_US)
