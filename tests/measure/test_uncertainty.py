"""The budget of a reading against independent propagation, the design's figures and a simulation."""

from dataclasses import replace

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st

from logger.config import ErrorModel
from logger.measure.calibration import fit, ph_of
from logger.measure.nernst import nernst_mv
from logger.measure.uncertainty import DAY_US, of_median, standard_uncertainty
from logger.model import Calibration, CalibrationPoint, Floats
from tests.series import EPOCH_US, calibration

NOTHING = ErrorModel(
    junction_ph=0.0,
    drift_ph_per_day=0.0,
    walk_ph_per_sqrt_day=0.0,
    temperature_c=0.0,
    repeatability_mv=0.0,
    resolution_mv=0.0,
)
LINE = calibration()


def u_at(
    ph: float,
    *,
    days: float = 0.0,
    errors: ErrorModel | None = None,
    line: Calibration = LINE,
    temperature_c: float = 20.0,
) -> float:
    return float(
        standard_uncertainty(
            line,
            errors or ErrorModel(),
            at_us=np.array([EPOCH_US + round(days * DAY_US)]),
            ph=np.array([ph]),
            temperature_c=np.array([temperature_c]),
        ).item()
    )


def u_of_ten_minutes(ph: float, *, days: float = 0.0) -> float:
    """Sixty readings, one every 10 s."""
    single = np.array([u_at(ph, days=days)])
    return float(of_median(single, np.array([60]), slope=LINE.slope, errors=ErrorModel(), poll_s=10.0).item())


@given(ph=st.floats(2.5, 9.0), temperature_c=st.floats(5.0, 40.0), days=st.floats(0.0, 30.0))
def test_propagation_is_that_of_the_uncertainties_package(ph: float, temperature_c: float, days: float) -> None:
    # The `uncertainties` package differentiates the measurement equation itself, correlations included.
    errors, ufloat = ErrorModel(), uncertainties.ufloat
    covariance = [[LINE.var_offset, LINE.cov], [LINE.cov, LINE.var_slope]]
    offset, slope = uncertainties.correlated_values([LINE.offset_mv, LINE.slope], covariance)
    kelvin = ufloat(temperature_c + 273.15, errors.temperature_c)
    mv = LINE.offset_mv + LINE.slope * nernst_mv(temperature_c) * (7.0 - ph)
    potential = mv + ufloat(0.0, errors.repeatability_mv) + ufloat(0.0, errors.resolution_mv / 12**0.5)
    k = nernst_mv(25.0) / 298.15 * kelvin
    result = 7.0 - (potential - offset) / (slope * k)
    result += ufloat(0.0, errors.junction_ph) + ufloat(0.0, errors.drift_ph_per_day) * days
    result += ufloat(0.0, errors.walk_ph_per_sqrt_day) * days**0.5
    assert u_at(ph, days=days, temperature_c=temperature_c) == pytest.approx(result.std_dev, rel=1e-6)


# uncertainty.md 4.1, row u_cal: by trial there [T], near 20-25 C, with the 4.01-6.86 segment.
@pytest.mark.parametrize(("ph", "u_cal"), [(4.6, 0.011), (4.0, 0.013), (3.4, 0.017), (2.8, 0.020)])
def test_the_fit_contributes_what_the_budget_says(ph: float, u_cal: float) -> None:
    assert u_at(ph, errors=NOTHING, temperature_c=25.0) == pytest.approx(u_cal, abs=0.0006)


@pytest.mark.parametrize("ph", [2.8, 3.4, 4.0, 4.6, 5.5, 6.5, 7.5])
def test_the_fit_contributes_what_the_closed_form_says(ph: float) -> None:
    # uncertainty.md 4.2: u_cal^2 = (a^2 + b^2) (u_B^2 + (u_E/k)^2), a and b the weights of the two buffers.
    low, high, span = 4.005, 6.865, 58.7762
    a = (high - ph) / (high - low)
    one = (0.02 / 3**0.5) ** 2 * (59.1593 / span) ** 2 + (0.4 / span) ** 2
    assert u_at(ph, errors=NOTHING, temperature_c=25.0) == pytest.approx(
        ((a * a + (1 - a) ** 2) * one) ** 0.5, rel=1e-5
    )


# uncertainty.md 4.1, one term at a time near 4.6; the tolerance is the rounding of its last printed figure.
@pytest.mark.parametrize(
    ("term", "days", "u_term"),
    [
        ({"temperature_c": 1.0}, 0.0, 0.008),
        ({"junction_ph": 0.05}, 0.0, 0.050),
        ({"drift_ph_per_day": 0.012}, 7.0, 0.084),
        ({"walk_ph_per_sqrt_day": 0.006}, 7.0, 0.016),
        ({"repeatability_mv": 0.9}, 0.0, 0.0155),  # 0.9 mV / 58 mV per pH (C)
    ],
)
def test_each_other_term_contributes_what_the_budget_says(term: dict[str, float], days: float, u_term: float) -> None:
    exact = replace(LINE, var_offset=0.0, var_slope=0.0, cov=0.0)
    assert u_at(4.6, days=days, errors=replace(NOTHING, **term), line=exact) == pytest.approx(u_term, abs=0.0005)


def test_ten_minutes_have_the_combined_uncertainty_of_the_budget_when_fresh_and_after_a_week() -> None:
    # uncertainty.md 4.1, last row: 0.052 fresh, 0.10 after 7 days immersed and unchecked.
    assert u_of_ten_minutes(4.6) == pytest.approx(0.052, abs=0.001)
    assert u_of_ten_minutes(4.6, days=7.0) == pytest.approx(0.10, abs=0.003)


def test_ten_minutes_of_readings_repeat_as_the_budget_says() -> None:
    # uncertainty.md 4.1, u_rep of a 10-min median: 0.006.
    errors = replace(NOTHING, repeatability_mv=0.9)
    exact = replace(LINE, var_offset=0.0, var_slope=0.0, cov=0.0)
    single = np.array([u_at(4.6, errors=errors, line=exact, temperature_c=25.0)])
    u = of_median(single, np.array([60]), slope=LINE.slope, errors=errors, poll_s=10.0).item()
    assert u == pytest.approx(0.006, abs=0.0005)


def test_leaving_the_covariance_out_would_misstate_u() -> None:
    # The trap of GUM H.3.5: offset and slope of one line are correlated.
    blind = replace(LINE, cov=0.0)
    right = u_at(4.6, errors=NOTHING, temperature_c=25.0)
    assert right == pytest.approx(0.011, abs=0.0005)  # uncertainty.md 4.1
    assert u_at(4.6, errors=NOTHING, line=blind, temperature_c=25.0) > 1.5 * right


@given(ph=st.floats(2.5, 9.0), days=st.floats(0.0, 14.0), count=st.integers(1, 10_000), poll_s=st.floats(1.0, 300.0))
def test_averaging_shrinks_only_repeatability(ph: float, days: float, count: int, poll_s: float) -> None:
    single = u_at(ph, days=days)
    errors = ErrorModel()
    averaged = of_median(np.array([single]), np.array([count]), slope=LINE.slope, errors=errors, poll_s=poll_s).item()
    quiet = replace(errors, repeatability_mv=0.0, resolution_mv=0.0)
    systematic = u_at(ph, days=days, errors=quiet)
    # The random part is taken at 25 C in both: a couple of per cent of a hundredth.
    assert systematic - 0.0005 <= averaged <= single


def test_the_median_of_independent_readings_scatters_as_stated() -> None:
    # Kenney and Keeping 1962, from memory: pi/2 times the variance of the mean, for many; here 41, by simulation.
    readings = np.random.default_rng(1).normal(0.0, 0.9, size=(20_000, 41))
    scatter = np.median(readings, axis=1).std() / nernst_mv(25.0)
    errors = replace(NOTHING, repeatability_mv=0.9)
    u = of_median(np.array([0.9 / nernst_mv(25.0)]), np.array([41]), slope=1.0, errors=errors, poll_s=60.0).item()
    assert u == pytest.approx(scatter, rel=0.03)


def test_readings_within_a_minute_count_as_one() -> None:
    single = np.array([u_at(4.6)])
    six, one = (
        of_median(single, np.array([count]), slope=LINE.slope, errors=ErrorModel(), poll_s=10.0).item()
        for count in (6, 1)
    )
    assert six == one == single.item()


@pytest.mark.parametrize("days", [0.0, 3.0])
def test_the_fit_is_best_between_the_buffers_and_u_grows_away_from_them(days: float) -> None:
    flat = replace(ErrorModel(), temperature_c=0.0)  # u_T vanishes at the isopotential point, so it is left out here
    below = [u_at(ph, errors=flat, days=days) for ph in (5.4, 4.6, 4.0, 3.4, 2.8)]
    above = [u_at(ph, errors=flat, days=days) for ph in (5.4, 6.2, 6.9, 7.6, 8.3)]
    assert below == sorted(below)
    assert above == sorted(above)


def test_u_grows_with_the_days_since_the_calibration() -> None:
    grown = [u_at(4.6, days=days) for days in (0.0, 0.5, 1.0, 3.0, 7.0, 14.0)]
    assert grown == sorted(grown)
    assert len(set(grown)) == len(grown)


def test_a_reading_before_its_calibration_is_as_doubtful_as_one_after() -> None:
    assert u_at(4.6, days=-3.0) == u_at(4.6, days=3.0)


def test_no_ph_has_no_uncertainty() -> None:
    assert np.isnan(u_at(float("nan")))
    assert np.isnan(u_at(4.6, temperature_c=float("nan")))


def _true_mv(ph: Floats, kelvin: Floats, offset: Floats, slope: Floats) -> Floats:
    return offset + slope * 59.15934 * kelvin / 298.15 * (7.0 - ph)


@pytest.mark.parametrize(("days", "ph"), [(0.0, 4.6), (0.0, 3.2), (7.0, 4.6)])
def test_the_stated_interval_covers_the_truth_as_often_as_it_says(days: float, ph: float) -> None:
    # JCGM 101 (propagation of distributions by simulation, from memory): calibrations and readings of many electrodes.
    n, rng, errors = 2500, np.random.default_rng(7), ErrorModel()
    offset, slope = rng.uniform(-20, 20, n), rng.uniform(0.93, 1.0, n)
    pairs = []
    for nominal in (4.005, 6.865):
        buffer = nominal + rng.uniform(-0.02, 0.02, n)
        pairs.append(_true_mv(buffer, np.full(n, 298.15), offset, slope) + rng.normal(0.0, 0.4, n))
    lines = [
        fit(
            (
                CalibrationPoint(buffer_ph=4.005, potential_mv=low, temperature_c=25.0),
                CalibrationPoint(buffer_ph=6.865, potential_mv=high, temperature_c=25.0),
            ),
            probe="probe",
            at_us=EPOCH_US,
            by="",
        )
        for low, high in zip(pairs[0].tolist(), pairs[1].tolist(), strict=True)
    ]
    kelvin = 293.15 + rng.uniform(-5.0, 5.0, n)
    wrong = rng.normal(0.0, errors.junction_ph, n) + rng.normal(0.0, errors.drift_ph_per_day, n) * days
    wrong += rng.normal(0.0, errors.walk_ph_per_sqrt_day, n) * days**0.5
    mv = _true_mv(ph + wrong, kelvin, offset, slope) + rng.normal(0.0, errors.repeatability_mv, n)
    shown_mv = np.round(mv / errors.resolution_mv) * errors.resolution_mv
    shown_c = kelvin - 273.15 + rng.normal(0.0, errors.temperature_c, n)
    found, u = np.array(
        [_reading(line, e, t, days=days, errors=errors) for line, e, t in zip(lines, shown_mv, shown_c, strict=True)]
    ).T
    covered = np.mean(np.abs(found - ph) <= 1.96 * u)
    assert 0.93 <= covered <= 0.97


def _reading(
    line: Calibration, mv: float, temperature_c: float, *, days: float, errors: ErrorModel
) -> tuple[float, float]:
    ph = ph_of(line, np.array([mv]), np.array([temperature_c])).item()
    return ph, u_at(ph, days=days, errors=errors, line=line, temperature_c=float(temperature_c))
