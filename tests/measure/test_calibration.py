"""From buffers to a line and from a line to pH, against published figures and independent fits."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from logger.errors import RefusedError
from logger.measure.calibration import U_BUFFER_PH, U_POTENTIAL_MV, fit, ph_of
from logger.measure.nernst import nernst_mv
from logger.model import Calibration, CalibrationPoint
from tests.series import POINTS

# GUM H.3 (JCGM 100:2008); inputs seen in GTC's documentation, outputs from memory and computed (facts.md section 2).
H3_T_C = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
H3_B_C = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def point(ph: float, mv: float, temperature_c: float = 25.0) -> CalibrationPoint:
    return CalibrationPoint(buffer_ph=ph, potential_mv=mv, temperature_c=temperature_c)


def made(*points: CalibrationPoint) -> Calibration:
    return fit(points, probe="probe", at_us=0, by="tester")


def one_ph(line: Calibration, mv: float, temperature_c: float = 25.0) -> float:
    return float(ph_of(line, np.array([mv]), np.array([temperature_c])).item())


def electrode_mv(ph: float, temperature_c: float, *, offset_mv: float, slope: float) -> float:
    """E = E_iso - s k(T) (pH - 7), facts.md section 2, with k from its table value at 25 C."""
    return offset_mv - slope * 59.15934 * (temperature_c + 273.15) / 298.15 * (ph - 7.0)


def test_two_points_bracket_as_worked_out_by_hand() -> None:
    # facts.md section 2, two-point bracketing check (C).
    line = made(*POINTS)
    assert line.slope * nernst_mv(25.0) == pytest.approx(58.7762, abs=0.0001)
    assert 100 * line.slope == pytest.approx(99.352, abs=0.0005)
    assert one_ph(line, 150.0) == pytest.approx(4.41673, abs=0.000005)
    assert (line.low_ph, line.high_ph) == (4.005, 6.865)
    assert line.residual_mv == pytest.approx(0.0, abs=1e-9)
    assert (line.id, line.probe, line.by, line.points) == (0, "probe", "tester", POINTS)


def test_the_regression_of_gum_h3_comes_out() -> None:
    # The thermometer's points are laid on an electrode: E = 0.95 x + 100 b with x = k (7 - pH), pH one for each t.
    # By linearity E's line is 0.95 x + 100 (y1 + y2 (t - 20)), and weights are equal at one temperature.
    k, scale, per_c, middle = nernst_mv(25.0), 100.0, 2.1, 24.0
    t, b = np.array(H3_T_C), np.array(H3_B_C)
    x = k * per_c * (t - middle)
    line = made(
        *(point(7.0 - per_c * (ti - middle), 0.95 * xi + scale * bi) for ti, xi, bi in zip(t, x, b, strict=True))
    )
    y2 = (line.slope - 0.95) * k * per_c / scale
    at_middle = line.offset_mv / scale
    y1 = at_middle + y2 * (20.0 - middle)
    assert y1 == pytest.approx(-0.1712038, abs=5e-8)
    assert y2 == pytest.approx(0.0021827, abs=5e-8)
    assert at_middle + y2 * (30.0 - middle) == pytest.approx(-0.1493768, abs=5e-8)

    # The covariance is that of a stated u; H.3 takes the scatter instead: rescale it to s.
    s = np.sqrt(np.sum((b - y1 - y2 * (t - 20.0)) ** 2) / (len(t) - 2))
    assert s == pytest.approx(0.00349756, abs=5e-9)
    stated = np.hypot(U_POTENTIAL_MV, U_BUFFER_PH * k)
    to_h3 = (s / stated) ** 2
    var_middle, var_y2, cov = (
        to_h3 * line.var_offset,
        to_h3 * line.var_slope * (k * per_c) ** 2,
        to_h3 * line.cov * k * per_c,
    )
    u_at = {at: np.sqrt(var_middle + (at - middle) ** 2 * var_y2 + 2 * (at - middle) * cov) for at in (20.0, 30.0)}
    assert u_at[20.0] == pytest.approx(0.0028776, abs=5e-8)
    assert np.sqrt(var_y2) == pytest.approx(0.00066794, abs=5e-9)
    assert (cov + (20.0 - middle) * var_y2) / (u_at[20.0] * np.sqrt(var_y2)) == pytest.approx(-0.930430, abs=5e-7)
    assert u_at[30.0] == pytest.approx(0.0041386, abs=5e-8)
    # The trap: with the correlation of intercept and slope left out it would be 0.0073 (facts.md section 2).
    assert np.hypot(u_at[20.0], 10.0 * np.sqrt(var_y2)) == pytest.approx(0.0073, abs=0.00005)


three_points = st.tuples(*(st.floats(-3.0, 3.0) for _ in range(3)), *(st.floats(5.0, 40.0) for _ in range(3)))


@given(noise_and_warmth=three_points)
def test_the_fit_is_that_of_scipy(noise_and_warmth: tuple[float, ...]) -> None:
    # scipy.optimize.curve_fit with absolute_sigma: independent weighted least squares and covariance.
    noise, warmth = noise_and_warmth[:3], noise_and_warmth[3:]
    points = [
        point(ph, electrode_mv(ph, t, offset_mv=5.0, slope=0.96) + e, t)
        for ph, e, t in zip((4.005, 6.865, 9.18), noise, warmth, strict=True)
    ]
    x = [nernst_mv(p.temperature_c) * (7.0 - p.buffer_ph) for p in points]
    sigma = [(0.4**2 + (0.02 * nernst_mv(p.temperature_c)) ** 2 / 3) ** 0.5 for p in points]
    mv = [p.potential_mv for p in points]
    (offset, slope), covariance = curve_fit(lambda x, a, b: a + b * x, x, mv, sigma=sigma, absolute_sigma=True)
    line = made(*points)
    assert (line.offset_mv, line.slope) == pytest.approx((offset, slope), rel=1e-5, abs=1e-5)
    assert [line.var_offset, line.cov, line.cov, line.var_slope] == pytest.approx(covariance.ravel().tolist(), rel=1e-4)
    residuals = [abs(e - line.offset_mv - line.slope * k) for e, k in zip(mv, x, strict=True)]
    assert line.residual_mv == pytest.approx(max(residuals), abs=1e-9)


working = st.tuples(st.floats(0.8501, 1.0499), st.floats(-30.0, 30.0), st.floats(5.0, 40.0), st.floats(5.0, 40.0))


@given(electrode=working)
def test_a_calibration_gives_its_own_buffers_back(electrode: tuple[float, float, float, float]) -> None:
    # USP <791> accepts a slope of 90-105 % and an offset of +/-30 mV, common practice 85-105 % (facts.md section 3).
    slope, offset, cool, warm = electrode
    points = [
        point(ph, electrode_mv(ph, t, offset_mv=offset, slope=slope), t)
        for ph, t in ((4.0, cool), (7.0, warm), (9.2, cool))
    ]
    line = made(*points)
    found = [one_ph(line, p.potential_mv, p.temperature_c) for p in points]
    assert found == pytest.approx([p.buffer_ph for p in points], abs=1e-9)
    assert (line.slope, line.offset_mv) == pytest.approx((slope, offset), abs=1e-6)


def test_the_order_of_the_points_does_not_matter() -> None:
    points = (point(4.005, 172.0), point(6.865, 6.1, 22.0), point(9.18, -128.0, 20.0))
    lines = [made(*order) for order in permutations(points)]
    first = lines[0]
    for line in lines:
        assert (line.low_ph, line.high_ph) == (4.005, 9.18)
        assert (line.offset_mv, line.slope, line.residual_mv) == pytest.approx(
            (first.offset_mv, first.slope, first.residual_mv), rel=1e-12, abs=1e-9
        )
        assert (line.var_offset, line.var_slope, line.cov) == pytest.approx(
            (first.var_offset, first.var_slope, first.cov), rel=1e-9
        )


def test_ignoring_ten_degrees_at_ph_4_misreads_by_a_tenth() -> None:
    # facts.md section 2, sizes (C): 0.10 at pH 4, from 25 C.
    line = made(*POINTS)
    warm_mv = electrode_mv(4.0, 35.0, offset_mv=line.offset_mv, slope=line.slope)
    assert one_ph(line, warm_mv, 35.0) == pytest.approx(4.0, abs=1e-6)
    assert one_ph(line, warm_mv, 25.0) == pytest.approx(4.0 - 0.10, abs=0.005)


def test_temperature_does_not_matter_at_the_isopotential_point() -> None:
    line = made(*POINTS)
    assert [one_ph(line, line.offset_mv, t) for t in (5.0, 25.0, 40.0)] == [7.0, 7.0, 7.0]


def test_what_is_not_known_gives_no_ph() -> None:
    line = made(*POINTS)
    found = ph_of(line, np.array([np.nan, 150.0, 150.0]), np.array([25.0, np.nan, 25.0]))
    assert np.isnan(found).tolist() == [True, True, False]


def test_a_line_through_more_points_reports_the_one_that_is_off() -> None:
    # The middle one of three equally spaced points off by 3 mV leaves 2 mV there (least squares: 2/3 of it).
    points = [point(ph, electrode_mv(ph, 25.0, offset_mv=0.0, slope=0.98)) for ph in (4.0, 6.5, 9.0)]
    assert made(points[0], point(6.5, points[1].potential_mv + 3.0), points[2]).residual_mv == pytest.approx(
        2.0, abs=1e-6
    )


@pytest.mark.parametrize(
    ("points", "sentence"),
    [
        ((), r"needs at least two buffer points, got 0: dip a second buffer"),
        ((point(4.0, 174.0),), r"needs at least two buffer points, got 1: dip a second buffer"),
        ((point(4.0, 174.0), point(4.01, 173.0)), r"less than 1 pH apart: was the same buffer dipped twice\?"),
        ((point(4.0, 174.0), point(7.0, 0.0), point(7.0, 0.1)), r"was the same buffer dipped twice\?"),
        ((point(4.0, 0.0), point(7.0, 174.0)), r"slope -98.0% .* buffers swapped"),
        ((point(4.0, -174.0), point(7.0, 0.0)), r"slope -98.0% .* mV with the wrong sign"),
        ((point(4.0, 71.0), point(7.0, 0.0)), r"slope 40.0% .* is outside 85% to 105%: .* cracked bulb\. .* stays"),
        ((point(4.0, 190.0), point(7.0, 0.0)), r"slope 107.1% of the Nernst slope is outside"),
        ((point(4.0, 235.0), point(7.0, 61.0)), r"offset \+61.0 mV at pH 7 is beyond \+/-60 mV: .* in force stays"),
        ((point(4.0, 113.0), point(7.0, -61.0)), r"offset -61.0 mV at pH 7"),
        ((point(4.0, float("nan")), point(7.0, 0.0)), r"a value that is no number: CalibrationPoint\(buffer_ph=4.0"),
        ((point(4.0, 174.0, float("inf")), point(7.0, 0.0)), r"a value that is no number"),
        ((point(float("nan"), 174.0), point(7.0, 0.0)), r"a value that is no number"),
        (
            (point(-4.0, 174.0), point(7.0, 0.0)),
            r"buffer pH -4 at 25 C is outside pH 0 to 14, -2 to 60 C: check the units",
        ),
        ((point(4.0, 174.0), point(14.0, 0.0)), r"buffer pH 14 at 25 C is outside"),
        ((point(4.0, 174.0, 298.15), point(7.0, 0.0)), r"buffer pH 4 at 298.15 C is outside .* check the units"),
    ],
)
def test_points_that_make_no_calibration_are_refused_with_a_sentence(
    points: tuple[CalibrationPoint, ...], sentence: str
) -> None:
    with pytest.raises(RefusedError, match=sentence):
        made(*points)


@pytest.mark.parametrize("slope", [0.8501, 1.0499])
def test_a_slope_just_inside_the_band_is_taken(slope: float) -> None:
    points = [point(ph, electrode_mv(ph, 25.0, offset_mv=59.9, slope=slope)) for ph in (4.0, 7.0)]
    assert made(*points).slope == pytest.approx(slope, abs=1e-6)
