"""Windows that have closed, from plain medians."""

import numpy as np

from logger.measure.windows import WindowMedians
from logger.model import Belief


def closed(values: list[float], *, window_s: float, first: int = 0, doubtful: tuple[int, ...] = ()) -> WindowMedians:
    """Return one median a window, the first of that number; NaN is a window that was silent."""
    n, length_us = len(values), round(window_s * 1e6)
    begin = (first + np.arange(n)) * length_us
    belief = np.where(np.isnan(values), int(Belief.NOT_BELIEVED), int(Belief.BELIEVED))
    belief[list(doubtful)] = Belief.SUSPECT
    none = np.zeros(n, dtype=np.int64)
    return WindowMedians(
        row=np.arange(n),
        elapsed_us=begin + length_us,
        begin_us=begin,
        value=np.array(values, dtype=np.float64),
        u=np.full(n, 0.05),
        belief=belief,
        count=none + 60,
        spread=np.full(n, np.nan),
        spoken=none,
    )
