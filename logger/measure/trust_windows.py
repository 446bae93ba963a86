"""Describe the closed windows of the raw signal that trust is judged by: medians, noise, outliers, a second probe.

Law: windows are whole multiples of their length on the watch time, judged at the first record after them, so they do
not depend on where blocks were cut. Only order statistics within a window. A window with too few readings is none.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.measure.order_statistics import medians, present
from logger.measure.windows import COVERAGE, MAD_TO_SD
from logger.model import Columns, Floats, Ints, TrustWindow
from logger.structs import Struct, replace
from logger.units import SECOND_US

WINDOW_S = 300.0
POLLS = 15
"""A window is never shorter than this many polls: with 5, noise of 15 mV that sets in looked like a jump."""
LEAST = 3
"""Readings without which a window is none."""
OUTLIER_MV = 30.0
"""So far from a window's median no vat moves: half a pH. Common practice, no source."""
STEP_TO_SD = MAD_TO_SD / 1.4142135623730951
"""The same over the median of their steps, which are wider by the root of 2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedWindows(Columns):
    """Windows, each at the record that closed it."""

    row: Ints
    """Row of the block; -1: it is carried from an earlier one."""
    at_us: Ints
    elapsed_us: Ints
    number: Ints
    count: Ints
    warm: Ints
    """1: the thermometer told a temperature; 0: the one before is taken for it."""
    potential_mv: Floats
    temperature_c: Floats
    noise_mv: Floats
    spread_mv: Floats
    """Standard deviation of the potential about its median, robust."""
    outliers: Ints
    agrees: Ints
    """1: more than half of the readings of a second probe agree."""


class RawRows(Struct, frozen=True, kw_only=True):
    """Raw rows of a probe, the new ones from row `first` on, with the temperatures (C) to compute by.

    They must hold the period that is open at row `first` from its beginning.
    """

    first: int
    at_us: Ints
    elapsed_us: Ints
    potential_mv: Floats
    temperature_c: Floats
    apart_ph: Floats
    """Distance from the second probe over what their uncertainties allow; NaN where there is none."""


def window_us(poll_s: float) -> int:
    """Return the length of a window in microseconds of watch time."""
    return round(max(WINDOW_S, POLLS * poll_s) * SECOND_US)


def close(rows: RawRows, *, length_us: int) -> ClosedWindows:
    """Return the windows that a row from `first` on closes."""
    number = rows.elapsed_us // length_us
    edges = 1 + np.flatnonzero(number[1:] != number[:-1])
    if not len(edges) or edges[-1] < rows.first:  # live, nearly always
        return ClosedWindows.none()
    edges = edges[edges >= rows.first]
    begin = int(np.searchsorted(number, number[edges[0] - 1]))
    described = _describe(rows, number, begin, edges)
    return _where(described, described.count >= LEAST)


def _describe(rows: RawRows, number: Ints, begin: int, edges: Ints) -> ClosedWindows:
    """Describe the windows between `begin` and the edges."""
    part = slice(begin, int(edges[-1]))
    mv, warm_c, apart = rows.potential_mv[part], rows.temperature_c[part], rows.apart_ph[part]
    runs = np.concatenate([[0], edges - begin])
    middle_mv, count_mv = medians(mv, runs)
    middle_c, count_c = medians(warm_c, runs)
    far = np.abs(mv - np.repeat(middle_mv, np.diff(runs)))
    return ClosedWindows(
        row=edges - rows.first,
        at_us=rows.at_us[edges],
        elapsed_us=rows.elapsed_us[edges],
        number=number[edges - 1],
        count=count_mv,
        warm=(count_c >= LEAST).astype(np.int64),
        potential_mv=middle_mv,
        temperature_c=np.where(count_c >= LEAST, middle_c, np.nan),
        noise_mv=_noise_mv(mv, runs),
        spread_mv=MAD_TO_SD * medians(far, runs)[0],
        outliers=np.add.reduceat(far > OUTLIER_MV, runs[:-1], dtype=np.int64),
        agrees=_agreeing(apart, runs),
    )


def _noise_mv(mv: Floats, runs: Ints) -> Floats:
    """Return the noise from one reading that is there to the next, however many are missing between them."""
    there, runs = present(mv, runs)
    steps = np.abs(np.diff(there, prepend=np.nan))
    steps[runs[:-1][np.diff(runs) > 0]] = np.nan
    return STEP_TO_SD * medians(steps, runs)[0]


def _agreeing(apart: Floats, runs: Ints) -> Ints:
    if np.isnan(apart).all():
        return np.zeros(len(runs) - 1, dtype=np.int64)
    middle, count = medians(apart, runs)
    return ((count >= LEAST) & (middle <= COVERAGE)).astype(np.int64)


def with_temperatures(windows: ClosedWindows, before: tuple[TrustWindow, ...]) -> ClosedWindows:
    """Return the windows with the temperature before where there is none; without those that have none before them."""
    known = np.concatenate([[before[-1].temperature_c if before else np.nan], windows.temperature_c])
    newest = np.maximum.accumulate(np.where(np.isnan(known), 0, np.arange(len(known))))
    filled = known[newest][1:]
    return _where(replace(windows, temperature_c=filled), ~np.isnan(filled))


def _where(windows: ClosedWindows, mask: NDArray[np.bool_]) -> ClosedWindows:
    return ClosedWindows(**{name: getattr(windows, name)[mask] for name in ClosedWindows.__slots__})


def after(carried: tuple[TrustWindow, ...], new: ClosedWindows) -> ClosedWindows:
    """Return the windows that are carried, followed by the new ones."""
    if not carried:
        return new
    whole, nothing = np.array([each.number for each in carried]), np.full(len(carried), -1)
    old = ClosedWindows(
        row=nothing,
        at_us=nothing,
        elapsed_us=nothing,
        number=whole,
        count=np.array([each.count for each in carried]),
        warm=nothing,
        potential_mv=np.array([each.potential_mv for each in carried]),
        temperature_c=np.array([each.temperature_c for each in carried]),
        noise_mv=np.array([each.noise_mv for each in carried]),
        spread_mv=np.full(len(carried), np.nan),
        outliers=np.array([each.outliers for each in carried]),
        agrees=nothing,
    )
    return old.then(new)


def newest(windows: ClosedWindows, *, keep: int) -> tuple[TrustWindow, ...]:
    """Return the newest windows as they are carried."""
    columns = (getattr(windows[max(0, len(windows) - keep) :], name).tolist() for name in TrustWindow.__struct_fields__)
    return tuple(
        TrustWindow(**dict(zip(TrustWindow.__struct_fields__, row, strict=True))) for row in zip(*columns, strict=True)
    )
