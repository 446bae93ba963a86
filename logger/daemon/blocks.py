"""Turn indications of a probe into a block of columns, with what a second probe in the vat said beside them."""

from collections.abc import Iterable, Sequence

import numpy as np

from logger.model import Block, Floats, Indication, Ints, Measurements, Quality

COMPARED_US = 120_000_000
"""A second probe's reading older than this is compared with nothing: a vat moves by less than 0.01 pH in it.

Common practice, no source.
"""


def block_of(indications: Sequence[Indication], *, first_seq: int, second: Measurements | None = None) -> Block:
    """Return indications of one probe as columns, numbered from `first_seq`; `second`: records of the second probe."""
    elapsed_us = np.array([i.elapsed_us for i in indications], dtype=np.int64)
    reference_ph, reference_u = _second_probe(second, elapsed_us)
    return Block(
        seq=np.arange(first_seq, first_seq + len(indications)),
        at_us=np.array([i.at_us for i in indications], dtype=np.int64),
        elapsed_us=elapsed_us,
        potential_mv=_column(i.potential_mv for i in indications),
        temperature_c=_column(i.temperature_c for i in indications),
        reason=np.array([i.reason for i in indications], dtype=np.int64),
        reference_ph=reference_ph,
        reference_u=reference_u,
    )


def _second_probe(second: Measurements | None, elapsed_us: Ints) -> tuple[Floats, Floats]:
    """Return the pH that the second probe said last, and its u, at each of these times; NaN: too old, or none."""
    nothing = np.full(len(elapsed_us), np.nan)
    if second is None:
        return nothing, nothing
    believed = np.flatnonzero((second.quality == Quality.PASS) & ~np.isnan(second.ph))
    if not len(believed):
        return nothing, nothing
    at = np.searchsorted(second.elapsed_us[believed], elapsed_us, side="right") - 1
    row = believed[np.maximum(at, 0)]
    fresh = (at >= 0) & (elapsed_us - second.elapsed_us[row] <= COMPARED_US)
    return np.where(fresh, second.ph[row], np.nan), np.where(fresh, second.u[row], np.nan)


def _column(values: Iterable[float | None]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)
