"""Judge a vat's temperature by this vat's own last day, and readings by how far apart they lie.

Law: pure; from the newest windows by their order and the hours learnt, so nothing depends on where blocks were cut.
Limits: a trial on simulated vats.
"""

from collections.abc import Sequence
from math import ceil

import numpy as np

from logger.measure.nernst import nernst_mv
from logger.measure.trust_windows import ClosedWindows
from logger.model import Floats
from logger.units import HOUR_US

STEP_C = 1.2
"""So far no vat moves in half an hour by itself, however calm it was."""
DIGIT_C = 0.7
"""A step must pass the thermometer's last digit by this."""
SWINGS = 1.6
"""And what was usual in nine of ten hours so many times."""
UNLEARNT_C = 2.6
"""Before some hours are learnt."""
LEARNT_H, DAY_H = 3, 24
MOST_LEARNT = 0.9
NOISE_WINDOWS = 12
NOISIER = 2.5
"""So many times the usual noise in a row of windows, right after a step of the temperature: air."""
KEEP = 15
"""Windows that this looks back on: the usual noise is that of 12 windows, which end three before the newest."""
CONTACT_PART, CONTACT_WINDOWS = 0.10, 4
"""So many readings of an hour, or of so many longer windows, lie far from their window's median: a loose contact."""
USABLE_PH = 0.15
"""A median whose uncertainty by scatter is larger says too little."""
MEDIAN_TO_MEAN = 1.25
"""Standard deviation of a median over that of a mean: the root of pi/2 (Kenney and Keeping 1962, from memory)."""


def step_limit_c(swings_c: Sequence[float], digit_c: float) -> float:
    """Return how far the temperature may move in half an hour; `swings_c`: the largest change in each hour learnt."""
    if len(swings_c) < LEARNT_H:
        return max(UNLEARNT_C, digit_c + DIGIT_C)
    usual = sorted(swings_c)[int(MOST_LEARNT * (len(swings_c) - 1))]
    return max(STEP_C, digit_c + DIGIT_C, SWINGS * usual)


def loose_part(windows: ClosedWindows, length_us: int) -> Floats:
    """Return which part of the readings of the last hour lie far from their window's median; NaN before an hour."""
    part = np.full(len(windows), np.nan)
    span = max(CONTACT_WINDOWS, ceil(HOUR_US / length_us))
    if len(windows) >= span:
        far, count = (np.concatenate([[0], np.cumsum(each)]) for each in (windows.outliers, windows.count))
        part[span - 1 :] = (far[span:] - far[:-span]) / (count[span:] - count[:-span])
    return part


def usual_noise_mv(windows: ClosedWindows, until: int) -> float:
    """Return the median noise of the windows of about an hour that end with one."""
    return float(np.median(windows.noise_mv[max(0, until + 1 - NOISE_WINDOWS) : until + 1]))


def scatter_ph(windows: ClosedWindows) -> Floats:
    """Return the standard uncertainty (pH) that their scatter gives the medians."""
    return MEDIAN_TO_MEAN * windows.spread_mv / np.sqrt(windows.count) / nernst_mv(windows.temperature_c)
