"""From buffers to lines and from lines to pH, against published figures and independent fits."""

from collections.abc import Sequence
from itertools import permutations
from random import Random

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import constants
from scipy.optimize import curve_fit

from logger.errors import RefusedError
from logger.measure.calibration import (
    chi_square,
    deviations_as_found,
    fit,
    ph_of,
    points_behind,
    residuals_mv,
    segments_of,
    weighted_line,
    weights_at,
    x_of,
)
from logger.measure.nernst import nernst_mv
from logger.model import CalibrationPoint, Method
from logger.structs import replace
from tests.measure.lines import electrode_mv, made, one_ph, point, u_cal
from tests.series import POINTS

# GUM H.3 (JCGM 100:2008); inputs seen in GTC's documentation; outputs from memory and computed.
H3_T_C = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
H3_B_C = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_two_points_bracket_as_worked_out_by_hand() -> None:
    # Two-point bracketing, computed from the Nernst equation.
    line = made(*POINTS)
    assert line.slope * nernst_mv(25.0) == pytest.approx(58.7762, abs=0.0001)
    assert 100 * line.slope == pytest.approx(99.352, abs=0.0005)
    assert one_ph(line, 150.0) == pytest.approx(4.41673, abs=0.000005)
    assert (line.low_ph, line.high_ph, line.segments) == (4.005, 6.865, ())
    assert line.residual_mv == pytest.approx(0.0, abs=1e-9)
    assert (line.id, line.probe, line.by, line.points) == (0, "probe", "tester", POINTS)


def test_two_points_have_the_uncertainty_worked_out_by_hand() -> None:
    # The same check, computed: u(buffer) 0.005 each and u(E) 0.1 mV each give u(pH) 0.005 at 150 mV. Ours takes 0.4 mV.
    line = made(*(replace(p, u_ph=0.005) for p in POINTS))
    low, high = 4.005, 6.865
    a, b = ((high - 4.41673) / (high - low), (4.41673 - low) / (high - low))
    per_mv = {u_mv: np.sqrt((a * a + b * b) * (0.005**2 + (u_mv / 58.7762) ** 2)) for u_mv in (0.1, 0.4)}
    assert per_mv[0.1] == pytest.approx(0.005, abs=0.0006)
    assert u_cal(line, [4.41673]) == pytest.approx([per_mv[0.4]], rel=1e-4)


def test_the_potential_falls_as_ph_rises() -> None:
    # pH = pHs - (E - Es)/k; "some older prints have a plus; test the sign explicitly".
    line = made(*POINTS)
    k = constants.R * 298.15 * np.log(10) / constants.value("Faraday constant") * 1000 * line.slope
    assert one_ph(line, 6.1 + k) == pytest.approx(6.865 - 1.0, abs=1e-6)
    assert one_ph(line, 6.1 - k) == pytest.approx(6.865 + 1.0, abs=1e-6)


def test_the_regression_of_gum_h3_comes_out() -> None:
    t, b = np.array(H3_T_C) - 20.0, np.array(H3_B_C)
    rough = weighted_line(t.tolist(), b.tolist(), [1.0] * len(b))
    assert rough.offset == pytest.approx(-0.1712038, abs=5e-8)
    assert rough.slope == pytest.approx(0.0021827, abs=5e-8)
    # H.3 takes u from the scatter; stated to our fit, its covariance must come out.
    s = float(np.sqrt(np.sum((b - rough.offset - rough.slope * t) ** 2) / (len(t) - 2)))
    assert s == pytest.approx(0.00349756, abs=5e-9)
    line = weighted_line(t.tolist(), b.tolist(), [s] * len(b))
    u1, u2 = line.var_offset**0.5, line.var_slope**0.5
    assert (u1, u2) == pytest.approx((0.0028776, 0.00066794), abs=5e-8)
    assert line.cov / (u1 * u2) == pytest.approx(-0.930430, abs=5e-7)
    assert line.offset + 10.0 * line.slope == pytest.approx(-0.1493768, abs=5e-8)
    assert line.var_offset + 100.0 * line.var_slope + 20.0 * line.cov == pytest.approx(0.0041386**2, rel=3e-5)
    # The trap: with the correlation of intercept and slope left out it would be 0.0073.
    assert np.hypot(u1, 10.0 * u2) == pytest.approx(0.0073, abs=0.00005)


three_points = st.tuples(*(st.floats(-3.0, 3.0) for _ in range(3)), *(st.floats(5.0, 40.0) for _ in range(3)))


@given(noise_and_warmth=three_points)
def test_the_line_through_all_points_is_that_of_scipy(noise_and_warmth: tuple[float, ...]) -> None:
    # scipy.optimize.curve_fit with absolute_sigma: independent weighted least squares and covariance.
    noise, warmth = noise_and_warmth[:3], noise_and_warmth[3:]
    points = [
        point(ph, electrode_mv(ph, t, offset_mv=5.0, slope=0.96) + e, t, u_ph=u, noise_mv=n)
        for ph, e, t, u, n in zip(
            (4.005, 6.865, 9.18), noise, warmth, (0.005, 0.01, 0.02), (0.0, 0.3, 0.1), strict=True
        )
    ]
    x = [nernst_mv(p.temperature_c) * (7.0 - p.buffer_ph) for p in points]
    mv = [p.potential_mv for p in points]
    rough, _ = curve_fit(lambda x, a, b: a + b * x, x, mv)
    sigma = [(0.4**2 + p.noise_mv**2 + (rough[1] * nernst_mv(p.temperature_c) * p.u_ph) ** 2) ** 0.5 for p in points]
    (offset, slope), covariance = curve_fit(lambda x, a, b: a + b * x, x, mv, sigma=sigma, absolute_sigma=True)
    line = made(*points, method=Method.LINE)
    assert (line.offset_mv, line.slope) == pytest.approx((offset, slope), rel=1e-5, abs=1e-5)
    assert [line.var_offset, line.cov, line.cov, line.var_slope] == pytest.approx(covariance.ravel().tolist(), rel=1e-4)
    residuals = [e - line.offset_mv - line.slope * k for e, k in zip(mv, x, strict=True)]
    assert residuals_mv(line) == pytest.approx(residuals, abs=1e-9)
    assert line.residual_mv == pytest.approx(max(map(abs, residuals)), abs=1e-9)
    square, degrees = chi_square(line)
    assert degrees == 1
    assert square == pytest.approx(sum((r / s) ** 2 for r, s in zip(residuals, sigma, strict=True)), rel=0.02)
    weights = weights_at(line.points, line.slope, x=100.0)
    assert sum(w * e for w, e in zip(weights, mv, strict=True)) == pytest.approx(offset + slope * 100.0, abs=0.02)


electrode = st.tuples(st.floats(0.85, 1.05), st.floats(-30.0, 30.0))
bath = st.tuples(*(st.floats(5.0, 40.0) for _ in range(5)))
buffers = st.sampled_from(
    [(4.0,), (4.0, 7.0), (6.86, 9.2), (1.68, 4.0), (4.0, 6.9, 9.2), (1.7, 4.0, 6.9, 10.0), (1.7, 4.0, 5.5, 7.0, 9.2)]
)


def dipped(
    ph: Sequence[float], made_of: tuple[float, float], warmth: Sequence[float], off: Sequence[float] = (0.0,) * 5
) -> list[CalibrationPoint]:
    slope, offset = made_of
    return [
        point(b, electrode_mv(b, t, offset_mv=offset, slope=slope) + e, t)
        for b, t, e in zip(ph, warmth, off, strict=False)
    ]


@given(ph=buffers, made_of=electrode, warmth=bath, off=st.tuples(*(st.floats(-5.0, 5.0) for _ in range(5))))
def test_a_bracketing_calibration_gives_its_own_buffers_back_whatever_they_are(
    ph: Sequence[float], made_of: tuple[float, float], warmth: Sequence[float], off: Sequence[float]
) -> None:
    # USP <791> accepts a slope of 90-105 % and an offset of +/-30 mV, common practice 85-105 %.
    points = dipped(ph, made_of, warmth, off)
    assert deviations_as_found(made(*points), points) == pytest.approx([0.0] * len(points), abs=1e-9)


@given(ph=buffers, made_of=electrode, warmth=bath, method=st.sampled_from(Method))
def test_a_calibration_without_noise_gives_the_electrode_back(
    ph: Sequence[float], made_of: tuple[float, float], warmth: Sequence[float], method: Method
) -> None:
    points = dipped(ph, made_of, warmth)
    line = made(*points, method=method)
    assert deviations_as_found(line, points) == pytest.approx([0.0] * len(points), abs=1e-9)
    if len(points) > 1:
        found = [(s.slope, s.offset_mv) for s in segments_of(line)]
        assert np.array(found) == pytest.approx(np.array([made_of] * len(found)), abs=1e-6)


@given(ph=buffers, made_of=electrode, warmth=bath, method=st.sampled_from(Method), turn=st.randoms())
def test_the_order_of_the_points_does_not_matter(
    ph: Sequence[float], made_of: tuple[float, float], warmth: Sequence[float], method: Method, turn: Random
) -> None:
    points = dipped(ph, made_of, warmth, (1.0, -2.0, 0.5, 3.0, -1.0))
    first = made(*points, method=method)
    turn.shuffle(points)
    assert replace(made(*points, method=method), points=first.points) == first


def test_each_of_the_six_orders_of_three_buffers_gives_the_same_readings() -> None:
    points = (point(4.005, 172.0), point(6.865, 6.1, 22.0), point(9.18, -128.0, 20.0))
    assert len({tuple(one_ph(made(*order), mv) for mv in (200, 100, 0, -100)) for order in permutations(points)}) == 1


@given(made_of=electrode, warmth=bath, scale=st.sampled_from([1e-3, 1e3]))
def test_the_scale_of_the_units_does_not_matter(
    made_of: tuple[float, float], warmth: Sequence[float], scale: float
) -> None:
    # The least squares in volts or in microvolts are those in millivolts, scaled.
    points = dipped((4.0, 6.9, 9.2), made_of, warmth, (1.0, -2.0, 0.5))
    x, y = [x_of(p) for p in points], [p.potential_mv for p in points]
    plain = weighted_line(x, y, [0.4, 0.5, 0.6])
    scaled = weighted_line(x, [scale * mv for mv in y], [scale * u for u in (0.4, 0.5, 0.6)])
    assert (scaled.offset, scaled.slope) == pytest.approx((scale * plain.offset, scale * plain.slope), rel=1e-9)
    found = (scaled.var_offset, scaled.var_slope, scaled.cov)
    stated = [scale**2 * each for each in (plain.var_offset, plain.var_slope, plain.cov)]
    assert found == pytest.approx(stated, rel=1e-9)


@given(made_of=electrode, t=st.floats(5.0, 40.0))
def test_u_is_smallest_inside_the_bracket_and_grows_away_from_it(made_of: tuple[float, float], t: float) -> None:
    for ph in ((4.0, 6.9), (4.0, 6.9, 9.2)):
        for method in Method:
            line = made(*dipped(ph, made_of, [t] * 3), method=method)
            inside = u_cal(line, np.linspace(ph[0], ph[-1], 41).tolist(), t)
            below = u_cal(line, np.linspace(ph[0], 0.5, 20).tolist(), t)
            above = u_cal(line, np.linspace(ph[-1], 13.5, 20).tolist(), t)
            assert max(inside) <= max(below[0], above[0]) * (1 + 1e-9)
            assert (below, above) == (sorted(below), sorted(above))
            assert len(set(below)) == len(below)


def test_a_reading_comes_from_the_segment_it_lies_in_and_the_alkaline_buffer_does_not_bend_it() -> None:
    # By a trial: with borax really at 9.10, a line through three errs by -0.023 at pH 3.4 and by
    # +0.024 at 6.5; the 4.01-6.86 segment errs by 0.
    def mv(ph: float) -> float:
        return electrode_mv(ph, 25.0, offset_mv=3.0, slope=0.98)

    points = [point(4.005, mv(4.005)), point(6.865, mv(6.865)), point(9.18, mv(9.10))]
    bracketed, line = made(*points), made(*points, method=Method.LINE)
    for ph in (3.4, 4.6, 6.5):
        assert one_ph(bracketed, mv(ph)) == pytest.approx(ph, abs=1e-6)
    assert one_ph(line, mv(3.4)) - 3.4 == pytest.approx(-0.023, abs=0.003)
    assert one_ph(line, mv(6.5)) - 6.5 == pytest.approx(0.024, abs=0.003)
    assert one_ph(bracketed, mv(8.0)) > 8.01


@given(
    made_of=electrode,
    warmth=bath,
    off=st.tuples(*(st.floats(-5.0, 5.0) for _ in range(5))),
    t=st.floats(5.0, 40.0),
)
@example(made_of=(1.0, 1e-9), warmth=(5.0,) * 5, off=(0.0,) * 5, t=5.0)  # 1e-9 mV below a joint is 0 mV
def test_readings_have_no_step_where_segments_meet_and_never_run_back(
    made_of: tuple[float, float], warmth: Sequence[float], off: Sequence[float], t: float
) -> None:
    line = made(*dipped((1.7, 4.0, 5.5, 7.0, 9.2), made_of, warmth, off))
    joints = [p.potential_mv for p in line.points[1:-1]]
    beside = [mv + d for mv in joints for d in (-1e-9, 1e-9)]
    at = np.unique(np.concatenate([np.linspace(-200, 400, 301), beside]).round(9))  # no two closer than 1e-9 mV
    found = ph_of(line, at, np.full(len(at), t))
    assert np.all(np.diff(found) < 0)
    for mv in joints:
        assert one_ph(line, mv - 1e-9, t) == pytest.approx(one_ph(line, mv + 1e-9, t), abs=1e-9)


def test_the_line_behind_a_result_is_the_one_it_was_taken_from() -> None:
    line = made(*dipped((4.0, 6.9, 9.2), (0.97, 5.0), [20.0, 24.0, 22.0], (0.0, 3.0, 0.0)))
    for t in (5.0, 22.0, 40.0):
        for mv in np.linspace(-200, 300, 101).tolist():
            ph = one_ph(line, mv, t)
            points, slope = points_behind(line, ph=ph, temperature_c=t)
            low, high = points
            again = low.potential_mv + slope * (nernst_mv(t) * (7.0 - ph) - x_of(low))
            assert again == pytest.approx(mv, abs=1e-6)
            assert high.buffer_ph > low.buffer_ph


def test_one_buffer_sets_the_offset_and_takes_the_slope_over() -> None:
    before = replace(made(*dipped((4.0, 6.9), (0.96, 2.0), [25.0, 25.0])), id=7)
    shifted = point(4.0, electrode_mv(4.0, 25.0, offset_mv=9.0, slope=0.96))
    line = fit([shifted], probe="probe", at_us=0, by="", previous=before)
    assert (line.slope, line.offset_mv) == pytest.approx((0.96, 9.0), abs=1e-6)
    assert line.var_slope == pytest.approx(before.var_slope)
    assert line.findings[0].startswith("One buffer sets only the offset: the slope, 96.0%, is that of calibration 7")
    assert (line.low_ph, line.high_ph) == (4.0, 4.0)


def test_one_buffer_takes_the_slope_of_the_segment_it_stands_in() -> None:
    before = made(*dipped((4.0, 6.9, 9.2), (0.96, 2.0), [25.0] * 3, (0.0, 0.0, 6.0)))
    low, high = (segment.slope for segment in before.segments)
    for ph, slope in ((3.0, low), (4.5, low), (8.0, high), (10.0, high)):
        line = fit([point(ph, 0.0)], probe="probe", at_us=0, by="", previous=before)
        assert line.slope == slope


def test_one_buffer_three_ph_away_is_as_doubtful_as_iupac_has_it() -> None:
    # IUPAC 2002, Table 4 (from memory): glass electrode, one point, 3 pH away, assumed slope: U = 0.3 (k = 2).
    line = made(point(7.0, 0.0))
    assert [2 * u for u in u_cal(line, [4.0, 10.0])] == pytest.approx([0.3, 0.3], abs=0.02)
    assert u_cal(line, [7.0])[0] < 0.02


@pytest.mark.parametrize(
    ("ph", "expanded"),
    # IUPAC 2002, Table 4 (from memory): two-point bracketing U = 0.02-0.03, five points 0.01-0.03 (k = 2).
    [((4.005, 6.865), (0.018, 0.034)), ((1.68, 4.005, 6.865, 9.18, 10.012), (0.01, 0.034))],
)
def test_calibrations_are_as_certain_as_iupac_has_it(ph: tuple[float, ...], expanded: tuple[float, float]) -> None:
    line = made(*dipped(ph, (0.98, 0.0), [25.0] * 5), method=Method.LINE)
    found = [2 * u for u in u_cal(line, np.linspace(4.2, 6.6, 9).tolist())]
    assert expanded[0] <= min(found)
    assert max(found) <= expanded[1]


def test_ignoring_ten_degrees_at_ph_4_misreads_by_a_tenth() -> None:
    # By the Nernst equation: 0.10 at pH 4, from 25 C.
    line = made(*POINTS)
    warm_mv = electrode_mv(4.0, 35.0, offset_mv=line.offset_mv, slope=line.slope)
    assert one_ph(line, warm_mv, 35.0) == pytest.approx(4.0, abs=1e-6)
    assert one_ph(line, warm_mv, 25.0) == pytest.approx(4.0 - 0.10, abs=0.005)


def test_temperature_does_not_matter_at_the_isopotential_point() -> None:
    line = made(*POINTS)
    assert [one_ph(line, line.offset_mv, t) for t in (5.0, 25.0, 40.0)] == [7.0, 7.0, 7.0]


def test_what_is_not_known_gives_no_ph() -> None:
    three = made(*dipped((4.0, 6.9, 9.2), (0.97, 0.0), [25.0] * 3))
    for line in (made(*POINTS), three):
        found = ph_of(line, np.array([np.nan, 150.0, 150.0]), np.array([25.0, np.nan, 25.0]))
        assert np.isnan(found).tolist() == [True, True, False]


def test_chi_square_has_no_say_about_one_or_two_points() -> None:
    assert [chi_square(made(*POINTS[:n]))[1] for n in (1, 2)] == [0, 0]


def test_chi_square_is_on_average_its_degrees_of_freedom() -> None:
    # The mean of chi-square with n degrees of freedom is n (any book of statistics); five points leave three.
    rng, ph = np.random.default_rng(3), (1.7, 4.0, 5.5, 7.0, 9.2)
    seen = []
    for _ in range(2000):
        mv = [electrode_mv(b + rng.normal(0, 0.01), 25.0, offset_mv=0.0, slope=0.97) + rng.normal(0, 0.4) for b in ph]
        points = [point(b, e, u_ph=0.01) for b, e in zip(ph, mv, strict=True)]
        seen.append(chi_square(made(*points, method=Method.LINE))[0])
    assert np.mean(seen) == pytest.approx(3.0, abs=0.15)


@pytest.mark.parametrize(
    ("points", "sentence"),
    [
        ((), r"is made of 1 to 5 buffer points, not of 0"),
        (tuple(point(2.0 * n, 0.0) for n in range(1, 7)), r"is made of 1 to 5 buffer points, not of 6"),
        ((point(4.0, 174.0), point(4.01, 173.0)), r"less than 0.4 pH apart: was the same buffer dipped twice\?"),
        ((point(4.0, 174.0), point(7.0, 0.0), point(7.0, 0.1)), r"was the same buffer dipped twice\?"),
        ((point(4.0, float("nan")), point(7.0, 0.0)), r"^buffer pH 4, nan mV, 25 C .*: a value that is no number"),
        ((point(4.0, 174.0, float("inf")), point(7.0, 0.0)), r"a value that is no number"),
        ((point(float("nan"), 174.0), point(7.0, 0.0)), r"a value that is no number"),
        ((point(4.0, 174.0, u_ph=-0.1),), r"or below 0 where it cannot"),
        ((point(4.0, 174.0, noise_mv=float("nan")),), r"a value that is no number"),
        (
            (point(-4.0, 174.0), point(7.0, 0.0)),
            r"buffer pH -4 at 25 C is outside pH 0 to 14, -2 to 60 C: check the units",
        ),
        ((point(4.0, 174.0), point(14.0, 0.0)), r"buffer pH 14 at 25 C is outside"),
        ((point(4.0, 174.0, 298.15), point(7.0, 0.0)), r"buffer pH 4 at 298.15 C is outside .* check the units"),
        ((point(0.5, 300.0, 0.0), point(1.5, 280.0, 60.0)), r"make no line: bring them to one temperature"),
        ((point(4.0, 174000.0), point(7.0, 0.0)), r"174000 mV in pH 4 is no electrode's: check the unit"),
    ],
)
def test_points_that_make_no_line_are_refused_with_a_sentence(
    points: tuple[CalibrationPoint, ...], sentence: str
) -> None:
    with pytest.raises(RefusedError, match=sentence):
        made(*points)


@pytest.mark.parametrize("mv", [(0.0, 174.0), (71.0, 0.0), (0.0, 0.0), (235.0, 61.0), (-174.0, 0.0)])
def test_a_bad_electrode_makes_a_line_for_the_verdict_to_judge(mv: tuple[float, float]) -> None:
    assert made(point(4.0, mv[0]), point(7.0, mv[1])).slope < 1.0
