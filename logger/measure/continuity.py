"""Compare where each window is with where the windows before it led, to tell whether it is the same vat.

Law: pure; from the newest windows by their order, so nothing depends on where blocks were cut.

A level is the median of three windows; it is compared with the level half an hour before. A ferment may go on as it
went or stand still: only a rise, or a fall faster than before, is odd. Over a gap in the data it may have gone farther.
All limits: a trial on simulated vats; 0.20 gave false alarms, up to 0.40 faults were told as fast.
"""

from dataclasses import dataclass
from math import ceil

import numpy as np

from logger.measure.calibration import ph_of
from logger.measure.nernst import ISOPOTENTIAL_PH, nernst_mv
from logger.measure.trust_windows import ClosedWindows
from logger.model import Calibration, Columns, Floats, Level
from logger.structs import Struct
from logger.units import HOUR_US

LEVEL = 3
"""Windows that a level is the median of."""
BACK_US = HOUR_US // 2
SLOPE_US = HOUR_US
UP_PH, DOWN_PH = 0.25, 0.30
"""A level this far beyond its course has jumped."""
EARLY_PH = 0.30
"""The same, up, while the course is young."""
GAP_UP_PH, GAP_DOWN_PH, GAP_H = 0.05, 0.15, 8.0
"""By so much more an hour of a gap in the data, up to so many hours."""
GAP_C, GAP_C_H = 0.8, 6.0
"""The same of the temperature."""
COURSE_H = 6.0
"""So long a course is taken to go on as it went: then nobody knows."""
STEEPEST_PH_PER_H = 1.0
"""No ferment goes on faster than this. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Innovations(Columns):
    """How far each window's level left its course; NaN where there is too little to compare."""

    ph: Floats
    """Level, pH."""
    warm_c: Floats
    """Level of the temperature."""
    up_ph: Floats
    """How far it lies above the course, what a gap allows taken off; negative: it does not."""
    down_ph: Floats
    step_c: Floats
    """How far the temperature moved in half an hour, what a gap allows taken off."""
    moved_ph: Floats
    """How far the level moved in half an hour, with its sign."""
    slope: Floats
    """pH an hour, of the course before."""
    before: Floats
    """Place of the window that ends the course before."""


class Reach(Struct, frozen=True, kw_only=True):
    """How many windows are looked back on."""

    back: int
    slope: int

    @property
    def keep(self) -> int:
        """Return how many windows decide on the next."""
        return self.back + self.slope + LEVEL


def reach(length_us: int) -> Reach:
    """Return how many windows of this length are looked back on."""
    return Reach(back=max(LEVEL, ceil(BACK_US / length_us)), slope=max(LEVEL, ceil(SLOPE_US / length_us)))


def ph_at(line: Calibration | None, potential_mv: Floats, temperature_c: Floats) -> Floats:
    """Return pH by the calibration in force; where there is none, of an ideal electrode."""
    if line is None:
        return ISOPOTENTIAL_PH - potential_mv / nernst_mv(temperature_c)
    return ph_of(line, potential_mv, temperature_c)


def compare(windows: ClosedWindows, line: Calibration | None, *, length_us: int) -> Innovations:
    """Compare each window's level with the course before it."""
    count, far = len(windows), reach(length_us)
    ph = _middle_of_three(ph_at(line, windows.potential_mv, windows.temperature_c))
    warm_c = _middle_of_three(windows.temperature_c)
    place = np.arange(count)
    first = LEVEL - 1
    before = np.where(place >= first + LEVEL, np.maximum(place - far.back, first), 0)
    root = np.maximum(before - far.slope, min(first, count - 1) if count else 0)
    # After a gap, the first level is still from before it.
    hours = _middle_of_three(windows.number.astype(np.float64) * (length_us / HOUR_US))
    run_h = hours[before] - hours[root]
    steep = (ph[before] - ph[root]) / np.where(run_h > 0.0, run_h, np.nan)
    slope = np.where(before - root >= far.slope // 2, np.clip(steep, -STEEPEST_PH_PER_H, STEEPEST_PH_PER_H), 0.0)
    age_h = hours - hours[before]
    gap_h = np.maximum(age_h - far.back * length_us / HOUR_US, 0.0)
    low, high = _course(ph[before], slope, age_h)
    allowed_h = np.minimum(gap_h, GAP_H)
    return Innovations(
        ph=ph,
        warm_c=warm_c,
        up_ph=ph - high - GAP_UP_PH * allowed_h,
        down_ph=low - ph - GAP_DOWN_PH * allowed_h,
        step_c=np.abs(warm_c - warm_c[before]) - GAP_C * np.minimum(gap_h, GAP_C_H),
        moved_ph=ph - ph[before],
        slope=slope,
        before=before.astype(np.float64),
    )


def _course(ph: Floats, slope: Floats, age_h: Floats) -> tuple[Floats, Floats]:
    """Return the lowest and the highest pH of a vat that stood still or went on as before."""
    on = ph + slope * np.minimum(age_h, 1.0)
    return np.minimum(ph, on), np.maximum(ph, on)


def _middle_of_three(values: Floats) -> Floats:
    """Return the median of each value and the two before it; NaN for the first two."""
    middle = np.full(len(values), np.nan)
    a, b, c = values[:-2], values[1:-1], values[2:]
    middle[LEVEL - 1 :] = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    return middle


def level_ph(level: Level | None, line: Calibration | None) -> float | None:
    """Return the pH of a level by the calibration in force; None: there is no level."""
    if level is None:
        return None
    return float(ph_at(line, np.array([level.potential_mv]), np.array([level.temperature_c])).item())


def expected_ph(level: Level, line: Calibration | None, *, elapsed_us: int) -> tuple[float, float]:
    """Return the lowest and the highest pH that a level leads to at a watch time, of all that may be meant by it."""
    hours = (elapsed_us - level.elapsed_us) / HOUR_US
    moved = level.slope_ph_per_h * min(hours, COURSE_H)
    starts = [ph for ph in (level_ph(level, line), level.former_ph) if ph is not None]
    return min(starts) + min(0.0, moved), max(starts) + max(0.0, min(moved, UP_PH))
