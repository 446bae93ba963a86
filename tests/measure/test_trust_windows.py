"""Closed windows of the raw signal."""

import numpy as np
import pytest

from logger.measure.trust_windows import ClosedWindows, RawRows, close, window_us

POLL_S = 20.0
LENGTH_US = window_us(POLL_S)
ROWS = round(LENGTH_US / POLL_S / 1e6)


def closed(potential_mv: list[float | None]) -> ClosedWindows:
    """Return the windows that these potentials close, one more row than they."""
    mv = np.array([np.nan if each is None else each for each in [*potential_mv, potential_mv[-1]]])
    elapsed_us = np.round(np.arange(len(mv)) * POLL_S * 1e6).astype(np.int64)
    warm = np.where(np.isnan(mv), np.nan, 20.0)
    none = np.full(len(mv), np.nan)
    rows = RawRows(first=0, at_us=elapsed_us, elapsed_us=elapsed_us, potential_mv=mv, temperature_c=warm, apart_ph=none)
    return close(rows, length_us=LENGTH_US)


def test_the_noise_of_a_window_is_known_although_every_other_reading_is_missing() -> None:
    # What is carried of it is stored, and a store knows no NaN: the watch could not be started again.
    noisy = np.random.default_rng(3).normal(100.0, 2.0, 2 * ROWS).tolist()
    every_other = [mv if at % 2 else None for at, mv in enumerate(noisy)]
    whole, half = closed(noisy), closed(every_other)
    assert half.count.tolist() == [7, 8]
    # Of a few steps, within a factor of 3 of the standard deviation of what was drawn.
    assert all(2.0 / 3 < noise < 2.0 * 3 for noise in [*whole.noise_mv, *half.noise_mv])


def test_the_noise_of_normal_readings_is_their_standard_deviation() -> None:
    # 0.6745 of a standard deviation holds half of a normal population (NIST/SEMATECH e-Handbook, 1.3.5.6).
    (many,) = np.random.default_rng(4).normal(100.0, 2.0, (1, 400 * ROWS)).tolist()
    assert float(np.median(closed(many).noise_mv)) == pytest.approx(2.0, rel=0.15)


def test_a_window_of_fewer_than_three_readings_is_none() -> None:
    two = [100.0, 100.0] + [None] * (ROWS - 2)
    three = [100.0, 100.0, 100.0] + [None] * (ROWS - 3)
    assert closed([*two, *three]).number.tolist() == [1]
