"""Chance that can be asked twice."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from simulator.noise import Noise, Stream

INDICES = st.lists(st.integers(-(10**9), 10**9), min_size=1, max_size=20)


@given(indices=INDICES, seed=st.integers(0, 2**63 - 1))
def test_a_number_depends_on_seed_and_index_only(indices: list[int], seed: int) -> None:
    together = Noise(seed).normal(Stream.POTENTIAL, np.array(indices))
    alone = [float(Noise(seed).normal(Stream.POTENTIAL, np.array([i]))[0]) for i in indices]
    assert together.tolist() == alone


def test_seeds_and_streams_are_different() -> None:
    index = np.arange(8)
    series = [Noise(seed).normal(stream, index) for seed in (1, 2) for stream in (Stream.POTENTIAL, Stream.WANDER)]
    assert len({tuple(values.tolist()) for values in series}) == 4


def test_the_numbers_are_standard_normal_and_do_not_repeat_over_blocks() -> None:
    values = Noise(7).normal(Stream.POTENTIAL, np.arange(-10_000, 10_000))
    assert stats.kstest(values, "norm").pvalue > 0.001
    assert len(np.unique(values)) == 20_000


def test_a_wander_passes_through_its_knots_without_a_step() -> None:
    noise, second = Noise(3), np.arange(0, 3601)
    course = noise.wander(Stream.WANDER, second, period_s=900)
    assert course[::900] == pytest.approx(noise.normal(Stream.WANDER, np.arange(5)))
    assert np.max(np.abs(np.diff(course))) < 0.02


def test_a_held_number_stays_for_its_period() -> None:
    held = Noise(3).piecewise_constant(Stream.KNOCK, np.arange(-8, 16), period_s=8)
    assert [len(set(held[k : k + 8].tolist())) for k in (0, 8, 16)] == [1, 1, 1]
    assert len(set(held.tolist())) == 3


def test_even_numbers_are_even_and_each_depends_on_its_index_only() -> None:
    index = np.arange(-10_000, 10_000) // 2
    values = Noise(7).uniform(Stream.CUSHION, index)
    assert stats.kstest(values[::2], "uniform").pvalue > 0.001
    assert values[5000] == values[5001] == Noise(7).uniform(Stream.CUSHION, index[5000:5001])[0]
