"""The budget of a reading against independent propagation, the design's figures and a simulation."""

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st

from logger.config import ErrorModel
from logger.measure import age, estimate
from logger.measure.budget import Result, budget, combined
from logger.measure.calibration import fit, ph_of, segments_of
from logger.measure.nernst import nernst_mv
from logger.measure.uncertainty import of_median, standard_uncertainty
from logger.model import Calibration, CalibrationPoint, CheckKind, Estimate, Method
from logger.structs import replace
from logger.units import DAY_US
from tests.series import EPOCH_US, calibration, check

NOTHING = ErrorModel(
    junction_ph=0.0,
    drift_ph_per_day=0.0,
    walk_ph_per_sqrt_day=0.0,
    temperature_c=0.0,
    repeatability_mv=0.0,
    resolution_mv=0.0,
)
LINE = calibration()
EXACT = replace(
    LINE,
    segments=tuple(replace(each, var_offset=0.0, var_slope=0.0, cov=0.0) for each in LINE.segments),
    var_offset=0.0,
    var_slope=0.0,
    cov=0.0,
)


def u_at(
    ph: float,
    *,
    days: float = 0.0,
    errors: ErrorModel | None = None,
    line: Calibration = LINE,
    temperature_c: float = 20.0,
    known: Estimate | None = None,
) -> float:
    known, at_us = known or estimate.start(line, errors or ErrorModel()), EPOCH_US + round(days * DAY_US)
    return float(
        standard_uncertainty(
            line,
            errors or ErrorModel(),
            known,
            days=age.days_since(known, np.array([at_us]), np.array([0])),
            ph=np.array([ph]),
            temperature_c=np.array([temperature_c]),
        ).item()
    )


def checked(
    line: Calibration, *deviations: float, errors: ErrorModel | None = None, first_day: float = 2.0
) -> Estimate:
    """Return what is known after a buffer and measurements by a meter, a day after each other."""
    known = estimate.start(line, errors or ErrorModel())
    for n, deviation_ph in enumerate(deviations):
        kind = {"kind": CheckKind.SPOT, "u_reference_ph": 0.05, "instrument": "meter"} if n else {}
        made = check(deviation_ph, at_s=86_400.0 * (first_day + n), **kind)  # type: ignore[arg-type]
        known = estimate.apply_check(known, made).estimate
    return known


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
    # What drifts and wanders is a potential, stated in pH at 25 C; there the same potential lies this far from 4.6.
    away = (mv - LINE.offset_mv) / -(LINE.slope * nernst_mv(25.0)) + 7.0 - 4.6
    drifted = ufloat(0.0, errors.drift_ph_per_day) * days + ufloat(0.0, errors.walk_ph_per_sqrt_day) * days**0.5
    drifted += ufloat(0.0, errors.walk_ph_per_sqrt_day / 3.0) * days**0.5 * away
    potential = (
        mv
        - drifted * LINE.slope * nernst_mv(25.0)
        + ufloat(0.0, errors.repeatability_mv)
        + ufloat(0.0, errors.resolution_mv / 12**0.5)
    )
    k = nernst_mv(25.0) / 298.15 * kelvin
    result = 7.0 - (potential - offset) / (slope * k)
    result += ufloat(0.0, errors.junction_ph) + ufloat(0.0, 0.6 * errors.junction_ph) * (ph - 4.6)
    result += ufloat(0.0, 0.2 * errors.junction_ph) * days**0.5
    assert u_at(ph, days=days, temperature_c=temperature_c) == pytest.approx(result.std_dev, rel=1e-6)


# u_cal from a trial on simulated calibrations, near 20-25 C, with the 4.01-6.86 segment.
@pytest.mark.parametrize(("ph", "u_cal"), [(4.6, 0.011), (4.0, 0.013), (3.4, 0.017), (2.8, 0.020)])
def test_the_fit_contributes_what_the_budget_says(ph: float, u_cal: float) -> None:
    assert u_at(ph, errors=NOTHING, temperature_c=25.0) == pytest.approx(u_cal, abs=0.0006)


@pytest.mark.parametrize("ph", [2.8, 3.4, 4.0, 4.6, 5.5, 6.5, 7.5])
def test_the_fit_contributes_what_the_closed_form_says(ph: float) -> None:
    # Our own drift model: u_cal^2 = (a^2 + b^2) (u_B^2 + (u_E/k)^2), a and b the weights of the two buffers; k is the
    # electrode's own mV per pH here.
    low, high, span = 4.005, 6.865, 58.7762
    a = (high - ph) / (high - low)
    one = (0.02 / 3**0.5) ** 2 + (0.4 / span) ** 2
    assert u_at(ph, errors=NOTHING, temperature_c=25.0) == pytest.approx(
        ((a * a + (1 - a) ** 2) * one) ** 0.5, rel=1e-5
    )


# Our own budget worked by hand, one term at a time near 4.6; the tolerance is the rounding of its last figure.
@pytest.mark.parametrize(
    ("term", "days", "u_term"),
    [
        ({"temperature_c": 1.0}, 0.0, 0.008),
        ({"junction_ph": 0.05}, 0.0, 0.050),
        ({"drift_ph_per_day": 0.012}, 7.0, 0.084),
        ({"walk_ph_per_sqrt_day": 0.006}, 7.0, 0.016),
        ({"repeatability_mv": 0.9}, 0.0, 0.0155),  # 0.9 mV / 58 mV per pH
    ],
)
def test_each_other_term_contributes_what_the_budget_says(term: dict[str, float], days: float, u_term: float) -> None:
    found = u_at(4.6, days=days, errors=replace(NOTHING, **term), line=EXACT, temperature_c=25.0)
    assert found == pytest.approx(u_term, abs=0.0005)


@pytest.mark.parametrize("ph", [3.4, 4.0, 4.6, 5.2, 7.0])
def test_the_junction_s_change_with_ph_is_0_6_of_it_for_each_ph_away_from_4_6(ph: float) -> None:
    only = replace(NOTHING, junction_ph=0.05)
    assert u_at(ph, errors=only, line=EXACT) == pytest.approx(float(np.hypot(0.05, 0.03 * (ph - 4.6))), rel=1e-9)


def test_ten_minutes_have_the_combined_uncertainty_of_the_budget_when_fresh_and_after_a_week() -> None:
    # Our own budget worked by hand: 0.052 fresh, 0.104 after 7 days immersed and unchecked.
    assert u_of_ten_minutes(4.6) == pytest.approx(0.052, abs=0.001)
    assert u_of_ten_minutes(4.6, days=7.0) == pytest.approx(0.104, abs=0.002)


def test_ten_minutes_of_readings_repeat_as_the_budget_says() -> None:
    # our own budget worked by hand, u_rep of a 10-min median: 0.006.
    errors = replace(NOTHING, repeatability_mv=0.9)
    single = np.array([u_at(4.6, errors=errors, line=EXACT, temperature_c=25.0)])
    u = of_median(single, np.array([60]), slope=LINE.slope, errors=errors, poll_s=10.0).item()
    assert u == pytest.approx(0.006, abs=0.0005)


def test_leaving_the_covariance_out_would_misstate_u() -> None:
    # The trap of GUM H.3.5: offset and slope of one line are correlated.
    blind = replace(LINE, cov=0.0)
    right = u_at(4.6, errors=NOTHING, temperature_c=25.0)
    assert right == pytest.approx(0.011, abs=0.0005)  # our own budget worked by hand
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
    # u_T vanishes at the isopotential point and what changes with pH at 4.6, so they are left out here.
    flat = replace(ErrorModel(), temperature_c=0.0, junction_ph=0.0, walk_ph_per_sqrt_day=0.0)
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


def calibrated(*ph: float, method: Method = Method.BRACKETING, bent_mv: float = 0.0) -> Calibration:
    """An electrode of 97 % in these buffers; every second one is off by `bent_mv`."""
    points = tuple(
        CalibrationPoint(
            buffer_ph=b,
            potential_mv=5.0 + 0.97 * nernst_mv(25.0) * (7.0 - b) + bent_mv * (n % 2),
            temperature_c=25.0,
            noise_mv=0.1 * n,
        )
        for n, b in enumerate(ph)
    )
    return fit(points, probe="probe", at_us=EPOCH_US, by="", method=method)


THREE = calibrated(4.005, 6.865, 9.18, bent_mv=2.0)
SHAPES = {
    "two": LINE,
    "three, bracketing": THREE,
    "three, one line": calibrated(4.005, 6.865, 9.18, method=Method.LINE, bent_mv=2.0),
    "five, bracketing": calibrated(1.68, 4.005, 5.5, 6.865, 9.18, bent_mv=2.0),
    "one": calibrated(4.005),
}
shape = st.sampled_from(sorted(SHAPES))


@given(name=shape, ph=st.floats(1.0, 12.0), t=st.floats(5.0, 40.0))
def test_the_fit_s_share_is_that_of_every_buffer_and_potential_wiggled(name: str, ph: float, t: float) -> None:
    # GUM 5.1.3 note 2: sensitivities by finite differences of the whole way from the points to the pH.
    line = SHAPES[name]
    if name == "one":
        return  # its slope is not measured, so no point moves it

    def read(points: tuple[CalibrationPoint, ...], potential_mv: float) -> float:
        made = fit(points, probe="probe", at_us=EPOCH_US, by="", method=line.method)
        return float(ph_of(made, np.array([potential_mv]), np.array([t])).item())

    rising = sorted(line.points, key=lambda p: p.buffer_ph)
    here = next((s for s in reversed(segments_of(line)) if ph >= s.low_ph), segments_of(line)[0])
    potential = here.offset_mv + here.slope * nernst_mv(t) * (7.0 - ph)
    if any(abs(potential - p.potential_mv) < 0.5 for p in rising):
        return  # at a joint the finite difference would look at both sides
    ph = read(line.points, potential)
    variance, step = 0.0, 0.01
    for n, p in enumerate(line.points):
        for field, u in (("potential_mv", np.hypot(0.4, p.noise_mv)), ("buffer_ph", p.u_ph)):
            ways = [
                read((*line.points[:n], replace(p, **{field: getattr(p, field) + d}), *line.points[n + 1 :]), potential)
                for d in (-step, step)
            ]
            variance += ((ways[1] - ways[0]) / (2 * step) * float(u)) ** 2
    # The estimate holds one error for each buffer: where slopes differ, so much of it is told too large or too small.
    bent = max(each.slope for each in segments_of(line)) / min(each.slope for each in segments_of(line)) - 1.0
    assert u_at(ph, errors=NOTHING, line=line, temperature_c=t) == pytest.approx(variance**0.5, rel=2e-3 + bent)


@given(
    name=shape,
    ph=st.floats(1.0, 12.0),
    t=st.floats(5.0, 40.0),
    days=st.floats(0.0, 30.0),
    found=st.sampled_from([(), (0.03,), (-0.02, -0.08), (0.4, 0.05, 0.1)]),
)
def test_the_terms_of_the_budget_add_up_to_the_u_of_the_record(
    name: str, ph: float, t: float, days: float, found: tuple[float, ...]
) -> None:
    line = SHAPES[name]
    at_us, known = EPOCH_US + round(days * DAY_US), checked(line, *found) if found else None
    terms = budget(line, ErrorModel(), Result(ph=ph, temperature_c=t, at_us=at_us), known=known)
    assert combined(terms) == pytest.approx(u_at(ph, days=days, line=line, temperature_c=t, known=known), rel=1e-9)
    assert [abs(term.u_ph) for term in terms] == sorted((abs(term.u_ph) for term in terms), reverse=True)
    assert len({term.name for term in terms}) == len(terms)


def test_the_budget_of_a_median_adds_up_to_the_u_of_the_median() -> None:
    result = Result(ph=4.6, temperature_c=25.0, at_us=EPOCH_US + DAY_US, count=60)
    terms = budget(LINE, ErrorModel(), result)
    single = np.array([u_at(4.6, days=1.0, temperature_c=25.0)])
    whole = of_median(single, np.array([60]), slope=LINE.slope, errors=ErrorModel(), poll_s=10.0).item()
    assert combined(terms) == pytest.approx(whole, rel=1e-9)


def test_a_budget_names_its_terms_and_what_each_rests_on_the_largest_first() -> None:
    week = Result(ph=4.6, temperature_c=25.0, at_us=EPOCH_US + 7 * DAY_US, count=60)
    terms = budget(LINE, ErrorModel(), week)
    # Our own budget worked by hand, 7 days immersed and unchecked; rounding of its last printed figure.
    assert [(term.name, round(term.u_ph, 3)) for term in terms[:3]] == [
        ("drift", 0.084),
        ("liquid junction in brine", 0.05),
        ("wander", 0.031),  # the line's 0.016, and the junction's 0.01 a root day
    ]
    found = {term.name: term for term in terms}
    assert found["temperature"].u_ph == pytest.approx(0.008, abs=0.0005)
    assert (
        found["wander"].basis == "line 0.006 and junction 0.01 pH per square-root day, 7.0 days after the calibration"
    )
    assert found["drift"].basis == "0.012 pH a day, 7.0 days after the calibration"
    assert found["repeatability"].basis == "0.9 mV, median of 60"
    outside = budget(LINE, ErrorModel(), replace(week, ph=3.0))
    assert (
        next(term for term in outside if term.name == "buffer values").basis == "2 buffers, reading OUTSIDE the buffers"
    )
    own = budget(replace(LINE, drift_ph_per_day=0.02), ErrorModel(), week)
    assert own[0].basis == "0.02 pH a day (its own history), 7.0 days after the calibration"


def test_the_budget_of_one_buffer_says_that_the_slope_was_not_measured() -> None:
    terms = budget(SHAPES["one"], ErrorModel(), Result(ph=6.5, temperature_c=25.0, at_us=EPOCH_US))
    assert (terms[0].name, terms[0].basis) == ("slope", "not measured: one buffer only")


def test_u_has_hardly_a_step_where_segments_meet() -> None:
    for t in (5.0, 25.0, 40.0):
        joint = 7.0 - nernst_mv(25.0) * (7.0 - 6.865) / nernst_mv(t)
        sides = [u_at(joint + d, line=THREE, temperature_c=t) for d in (-1e-9, 1e-9)]
        assert sides[0] == pytest.approx(sides[1], rel=0.005)  # the slopes differ, and with them mV per pH


def test_the_alkaline_buffer_has_no_say_about_acid_readings_in_a_bracketing_calibration() -> None:
    two = calibrated(4.005, 6.865, bent_mv=2.0)
    for ph in (3.4, 4.6, 6.5):
        assert u_at(ph, line=THREE) == pytest.approx(u_at(ph, line=two), rel=1e-9)


def test_an_error_known_from_checks_is_doubt_and_not_correction() -> None:
    # GUM F.2.4.5: u^2 of an uncorrected result has the square of the known error in it.
    line, errors = LINE, replace(NOTHING, drift_ph_per_day=0.012, walk_ph_per_sqrt_day=0.006)
    for days in (2.0, 5.0, 12.0):
        agreed, off, other = (
            u_at(4.6, days=days, errors=errors, known=checked(line, deviation_ph, errors=errors))
            for deviation_ph in (0.0, 0.03, -0.03)
        )
        assert off == pytest.approx(other, rel=0.01)  # the buffer was read a little elsewhere
        error = (off * off - agreed * agreed) ** 0.5
        assert 0.01 < error < 0.03 * days / 2.0  # what a check finds may be drift, which goes on


def test_a_check_today_makes_an_old_calibration_believable_again() -> None:
    # Our own worked example: after 7 days "No check" needs 4.43 or less to claim 4.6, with a check buffer today 4.50.
    def needed(known: Estimate | None) -> float:
        return 4.6 - 1.645 * u_at(4.5, days=7.0, known=known, errors=replace(ErrorModel(), repeatability_mv=0.35))

    assert needed(None) == pytest.approx(4.43, abs=0.01)
    assert needed(checked(LINE, 0.0, first_day=7.0)) == pytest.approx(4.50, abs=0.015)


def test_the_electrode_s_own_rate_stands_in_place_of_the_default() -> None:
    quick = replace(EXACT, drift_ph_per_day=0.03)
    only = replace(NOTHING, drift_ph_per_day=0.012)
    assert u_at(4.6, days=10.0, errors=only, line=quick, temperature_c=25.0) == pytest.approx(0.3, rel=1e-9)


@pytest.mark.parametrize("found", [(), (0.02,)], ids=["no check", "checked"])
def test_a_clock_that_was_set_back_makes_no_reading_less_doubtful(found: tuple[float, ...]) -> None:
    known = checked(LINE, *found)
    newest = (known.at_us - LINE.at_us) / DAY_US
    before, after = (u_at(4.6, days=newest + days, known=known) for days in (-5.0, 5.0))
    assert before == pytest.approx(after)
