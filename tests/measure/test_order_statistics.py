"""Order statistics of runs, beside NumPy's own of each run alone."""

import numpy as np
import pytest

from logger.measure.order_statistics import (
    count,
    different,
    median_steps,
    medians,
    medians_with_distance,
    medians_with_u,
)

EDGES = np.array([0, 3, 3, 10, 17, 18, 22])
"""Runs of 3, 0, 7, 7, 1 and 4 values: some of a length stand side by side, others do not."""


def values(seed: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return values of which many are equal."""
    return np.asarray(np.random.default_rng(seed).integers(-3, 4, EDGES[-1]) / 10.0)


@pytest.mark.parametrize("seed", range(20))
def test_a_median_is_that_of_numpy_of_what_is_present(seed: int) -> None:
    some = np.where(np.random.default_rng(seed + 100).random(EDGES[-1]) < 0.3, np.nan, values(seed))
    runs = [part[~np.isnan(part)] for part in np.split(some, EDGES[1:-1])]
    middle, count = medians(some, EDGES)
    assert count.tolist() == [len(run) for run in runs]
    assert middle.tolist() == pytest.approx([np.median(run) if len(run) else np.nan for run in runs], nan_ok=True)


@pytest.mark.parametrize("seed", range(20))
def test_u_is_the_larger_of_the_two_readings_in_the_middle_of_a_stable_order(seed: int) -> None:
    some, u = values(seed), np.random.default_rng(seed).random(EDGES[-1])
    middle, larger, distance = medians_with_u(some, u, EDGES)
    for found, same in zip((middle, distance), medians_with_distance(some, EDGES), strict=True):
        assert found.tobytes() == same.tobytes()
    assert middle.tolist() == pytest.approx(medians(some, EDGES)[0].tolist(), nan_ok=True)
    for at, (run, its_u) in enumerate(zip(np.split(some, EDGES[1:-1]), np.split(u, EDGES[1:-1]), strict=True)):
        ordered = its_u[np.argsort(run, kind="stable")]
        expected = max(ordered[(len(run) - 1) // 2], ordered[len(run) // 2]) if len(run) else np.nan
        assert larger[at] == pytest.approx(expected, nan_ok=True)
        far = np.median(np.abs(run - np.median(run))) if len(run) else np.nan
        assert distance[at] == pytest.approx(far, nan_ok=True)


@pytest.mark.parametrize("seed", range(20))
def test_the_median_step_is_that_of_numpy_of_neighbours(seed: int) -> None:
    some = values(seed)
    steps = [np.abs(np.diff(run)) for run in np.split(some, EDGES[1:-1])]
    expected = [np.median(each) if len(each) else np.nan for each in steps]
    assert median_steps(some, EDGES).tolist() == pytest.approx(expected, nan_ok=True)


def test_it_is_counted_how_often_something_is_so_in_each_run() -> None:
    assert count(np.arange(22) % 3 == 0, EDGES).tolist() == [1, 0, 3, 2, 0, 2]


def test_a_run_holds_so_many_different_values_as_a_set_and_their_least_distance() -> None:
    count, least = different(np.array([5.0, 5.0, 4.0, 7.0, 7.0, 7.0, -0.0, 0.0, 2.5]), np.array([0, 3, 6, 6, 9]))
    assert count.tolist() == [2, 1, 0, 2]
    assert least.tolist() == [1.0, 0.0, 0.0, 2.5]


def test_the_median_of_zeros_has_no_sign_of_chance() -> None:
    middle, _ = medians(np.array([-0.0, 0.0, -0.0, -0.0]), np.array([0, 2, 4]))
    assert np.signbit(middle).tolist() == [False, False]
