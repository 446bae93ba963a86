"""Closed windows of five minutes from plain lists, and the trust after each of them."""

from collections.abc import Sequence

import numpy as np

from logger.measure.liveness import Periods
from logger.measure.trust import Around, TrustRun
from logger.measure.trust_windows import ClosedWindows
from logger.model import Calibration, Loss, TrustState
from tests.series import EPOCH_US, calibration, millivolts

LENGTH_US = 300_000_000
HOUR = 12
"""Windows of an hour."""


def windows(
    ph: Sequence[float],
    warm_c: Sequence[float] | float = 20.0,
    *,
    first: int = 0,
    numbers: Sequence[int] | None = None,
    noise_mv: Sequence[float] | float = 0.5,
    spread_mv: Sequence[float] | float = 0.5,
    outliers: Sequence[int] | int = 0,
    agrees: Sequence[int] | int = 0,
) -> ClosedWindows:
    """Return windows with these levels, one after another unless their numbers are told."""
    n = len(ph)
    number = first + np.arange(n) if numbers is None else np.array(numbers)
    warm = np.broadcast_to(np.asarray(warm_c, dtype=np.float64), n)
    elapsed_us = (number + 1) * LENGTH_US
    return ClosedWindows(
        row=np.arange(n),
        at_us=EPOCH_US + elapsed_us,
        elapsed_us=elapsed_us,
        number=number,
        count=np.full(n, 15),
        warm=np.ones(n, dtype=np.int64),
        potential_mv=np.array([millivolts(*each) for each in zip(ph, warm.tolist(), strict=True)]),
        temperature_c=warm.copy(),
        noise_mv=np.broadcast_to(np.asarray(noise_mv, dtype=np.float64), n),
        spread_mv=np.broadcast_to(np.asarray(spread_mv, dtype=np.float64), n),
        outliers=np.broadcast_to(np.asarray(outliers), n),
        agrees=np.broadcast_to(np.asarray(agrees), n),
    )


def after_each(
    closed: ClosedWindows,
    state: TrustState | None = None,
    *,
    line: Calibration | None = None,
    unsettled_us: tuple[int, int] | None = None,
) -> list[TrustState]:
    """Return the trust after each window, taken one by one."""
    states = [TrustState() if state is None else state]
    around = Around(line=line or calibration(), length_us=LENGTH_US, unsettled_us=unsettled_us)
    for at in range(len(closed)):
        run = TrustRun(around, states[-1])
        run.follow(closed[at : at + 1], Periods.none(), Periods.none())
        states.append(run.state)
    return states[1:]


def lost(states: Sequence[TrustState]) -> list[int]:
    """Return after which windows trust was lost."""
    return [at for at, state in enumerate(states) if state.loss is not None]


def loss_of(state: TrustState) -> Loss:
    """Return the loss of a state that has one."""
    assert state.loss is not None
    return state.loss


def level(ph: float, windows_of_it: int) -> list[float]:
    """Return a level that stands for so many windows."""
    return [ph] * windows_of_it


def falling(ph: float, windows_of_it: int, *, per_hour: float) -> list[float]:
    """Return a level that falls for so many windows."""
    return [ph - per_hour * at / HOUR for at in range(windows_of_it)]
