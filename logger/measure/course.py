"""Estimate how fast the pH of a vat has changed lately, with its uncertainty.

Law: believed medians of whole windows alone, the newest of them; a calibration or a mark begins anew. A straight line
by least squares over what is carried, in one order, so nothing depends on where blocks were cut.
"""

from collections.abc import Sequence
from math import sqrt

import numpy as np

from logger.measure.windows import WindowMedians
from logger.model import Belief
from logger.structs import Struct
from logger.units import HOUR_US, SECOND_US

WINDOW_S = 600.0
WINDOW_US = round(WINDOW_S) * SECOND_US
SPAN_US = 2 * HOUR_US
"""How far it looks back. Common practice, no source."""
ENOUGH = 4
"""Windows without which there is no rate. Common practice, no source."""
OLD_US = HOUR_US // 2
"""A rate whose newest window ended so long ago says nothing of now. Common practice, no source."""
FLOOR_PH = 0.002
"""The least standard deviation of a median about the line, however well the few lie on it.

Common practice, no source.
"""
Course = tuple[tuple[int, float], ...]
"""When each window began (watch time) and its pH."""


class Rate(Struct, frozen=True):
    """pH an hour, its standard uncertainty, and the hours it was seen over."""

    ph_per_h: float
    u: float
    over_h: float


def drop_before(course: Course, fresh_us: int) -> Course:
    """Return the course without what came before a calibration or a mark."""
    if not course or course[0][0] + WINDOW_US > fresh_us:  # nearly always
        return course
    return tuple(each for each in course if each[0] + WINDOW_US > fresh_us)


def append_medians(course: Course, judged: WindowMedians, *, until_row: int | None = None) -> Course:
    """Return the course with the believed medians that were final at a row (None: at the last), and no older ones."""
    if not len(judged):
        return course
    good = (judged.belief == Belief.BELIEVED) & ~np.isnan(judged.value)
    if until_row is not None:
        good &= judged.row <= until_row
    newest = np.flatnonzero(good)[-(SPAN_US // WINDOW_US) :]  # more of them than that are older than the span
    whole = (*course, *zip(judged.begin_us[newest].tolist(), judged.value[newest].tolist(), strict=True))
    return tuple(each for each in whole if each[0] > whole[-1][0] - SPAN_US)


def rate(course: Course, *, elapsed_us: int, drift_ph_per_day: float) -> Rate | None:
    """Return how fast the pH changes at this watch time; None: too little is known, or what is known is old.

    Standard uncertainty of the slope by the scatter about the line (JCGM 100:2008, H.3), and that of the electrode's
    drift; what is the same in all readings does not matter here.
    """
    if len(course) < ENOUGH or elapsed_us - (course[-1][0] + WINDOW_US) > OLD_US:
        return None
    hours = [(begin_us - course[0][0]) / HOUR_US for begin_us, _ in course]
    slope, u = _line(hours, [ph for _, ph in course])
    drift = drift_ph_per_day / 24.0
    return Rate(slope, sqrt(u * u + drift * drift), hours[-1] + WINDOW_US / HOUR_US)


def _line(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """Return the slope of the least-squares line and its standard uncertainty."""
    n = len(x)
    middle_x, middle_y = sum(x) / n, sum(y) / n
    sxx = sum((each - middle_x) * (each - middle_x) for each in x)
    slope = sum((a - middle_x) * (b - middle_y) for a, b in zip(x, y, strict=True)) / sxx
    offs = [b - middle_y - slope * (a - middle_x) for a, b in zip(x, y, strict=True)]
    variance = max(sum(off * off for off in offs) / (n - 2), FLOOR_PH * FLOOR_PH)
    return slope, sqrt(variance / sxx)
