"""Guard bands and conformance probabilities against published figures and against scipy's normal distribution."""

from math import inf

import pytest
from scipy import stats

from logger.measure.conformance import acceptance_limit, conformance_probability, coverage_factor


@pytest.mark.parametrize(
    ("y", "u", "low", "high", "published"),
    [
        (13.6, 1.8, 12.5, 16.3, 0.663),  # JCGM 106:2012, 7.4: 66 %; third digit computed here
        (4.50, 0.05, -inf, 4.6, 0.977),  # our own worked example
        (4.55, 0.05, -inf, 4.6, 0.841),
        (4.60, 0.05, -inf, 4.6, 0.500),
    ],
)
def test_published_conformance_probabilities(y: float, u: float, low: float, high: float, published: float) -> None:
    assert conformance_probability(y, u, low=low, high=high) == pytest.approx(published, abs=0.0005)


@pytest.mark.parametrize("y", [4.2, 4.4949, 4.5178, 4.6, 4.71, 5.3])
@pytest.mark.parametrize("u", [0.004, 0.05, 0.1, 0.3])
def test_probabilities_are_those_of_scipy_s_normal_distribution(y: float, u: float) -> None:
    below, above = conformance_probability(y, u, high=4.6), conformance_probability(y, u, low=4.6)
    assert below == pytest.approx(stats.norm.cdf(4.6, loc=y, scale=u), abs=1e-12)
    assert above == pytest.approx(stats.norm.sf(4.6, loc=y, scale=u), abs=1e-12)


@pytest.mark.parametrize("probability", [0.6, 0.9, 0.95, 0.975, 0.99, 0.9999])
def test_coverage_factors_are_scipy_s_one_sided_quantiles(probability: float) -> None:
    assert coverage_factor(probability) == pytest.approx(stats.norm.ppf(probability), abs=1e-9)


def test_the_factor_for_95_percent_on_one_side_is_1_6449_and_the_reading_needed_below_4_5178() -> None:
    assert coverage_factor(0.95) == pytest.approx(1.6449, abs=5e-5)  # any table of the normal distribution
    assert acceptance_limit(4.6, 0.05, 0.95) == pytest.approx(4.5178, abs=5e-5)  # our own worked example


def test_a_guard_band_of_u_times_two_leaves_2_5_percent_on_one_side() -> None:
    # ILAC-G8:09/2019, table 1, from memory: guard band w = U = 2 u, specific risk of false acceptance below 2.5 %.
    assert 1.0 - conformance_probability(4.6 - 2 * 0.05, 0.05, high=4.6) == pytest.approx(0.023, abs=0.0005)


@pytest.mark.parametrize(
    ("days", "u", "reading"),
    [(0, 0.055, 4.50), (7, 0.10, 4.43)],  # our own worked example
)
def test_readings_needed_are_those_of_the_design_notes(days: int, u: float, reading: float) -> None:
    assert acceptance_limit(4.6, u, 0.95) == pytest.approx(reading, abs=0.0105), days


def test_what_is_accepted_conforms_with_the_probability_asked_for() -> None:
    for probability in (0.9, 0.95, 0.99):
        y = acceptance_limit(4.6, 0.07, probability)
        assert conformance_probability(y, 0.07, high=4.6) == pytest.approx(probability, abs=1e-12)


def test_without_any_doubt_a_limit_is_kept_or_not() -> None:
    assert [conformance_probability(y, 0.0, high=4.6) for y in (4.59, 4.6, 4.61)] == [1.0, 1.0, 0.0]


@pytest.mark.parametrize("probability", [0.0, 1.0, -0.1, float("nan")])
def test_a_probability_that_is_none_is_refused(probability: float) -> None:
    with pytest.raises(ValueError, match="a probability between 0 and 1 is wanted"):
        coverage_factor(probability)
