"""Describe the closed windows of the raw signal that trust is judged by: medians, noise, outliers, a second probe.

Law: windows are whole multiples of their length on the watch time, judged at the first record after them, so they do
not depend on where blocks were cut. Only order statistics within a window. A window with too few readings is none.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.measure.order_statistics import count, median_steps, medians, medians_with_distance, present
from logger.measure.windows import COVERAGE, MAD_TO_SD, edges_of
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
    edges = edges_of(rows.elapsed_us, first=rows.first, length_us=length_us)
    if len(edges) <= 1:  # live, nearly always
        return ClosedWindows.none()
    described = _describe(rows, edges, length_us)
    return _where(described, described.count >= LEAST)


def _describe(rows: RawRows, edges: Ints, length_us: int) -> ClosedWindows:
    """Describe the windows between edges."""
    at, part, runs = edges[1:], slice(edges[0], edges[-1]), edges - edges[0]
    mv = rows.potential_mv[part]
    there, bounds = present(mv, runs)
    middle_mv, distance_mv = medians_with_distance(there, bounds)
    middle_c, count_c = medians(rows.temperature_c[part], runs)
    return ClosedWindows(
        row=at - rows.first,
        at_us=rows.at_us[at],
        elapsed_us=rows.elapsed_us[at],
        number=rows.elapsed_us[at - 1] // length_us,
        count=np.diff(bounds),
        warm=(count_c >= LEAST).astype(np.int64),
        potential_mv=middle_mv,
        temperature_c=np.where(count_c >= LEAST, middle_c, np.nan),
        noise_mv=STEP_TO_SD * median_steps(there, bounds),  # however many are missing between two readings
        spread_mv=MAD_TO_SD * distance_mv,
        outliers=count(np.abs(mv - np.repeat(middle_mv, np.diff(runs))) > OUTLIER_MV, runs),
        agrees=_agreeing(rows.apart_ph[part], runs),
    )


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
