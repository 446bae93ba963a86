"""The Nernst slope against constants and tables from outside."""

import numpy as np
import pytest
import scipy.constants

from logger.measure import nernst
from logger.measure.calibration import ph_of
from logger.measure.nernst import nernst_mv
from logger.model import CalibrationPoint
from tests.series import calibration

# R T ln(10) / F by the exact constants of the SI (CODATA), mV per pH.
TABLE = {
    0: 54.1988,
    5: 55.1909,
    10: 56.1830,
    15: 57.1751,
    20: 58.1672,
    25: 59.1593,
    30: 60.1515,
    35: 61.1436,
    40: 62.1357,
    45: 63.1278,
    50: 64.1199,
    55: 65.1120,
    60: 66.1041,
}
# USP <791> Table 1, V per pH, seen in a source.
USP_791_TABLE_1 = {15: 0.05718, 20: 0.05817, 25: 0.05916, 30: 0.06016, 35: 0.06115}


def test_the_constants_are_codata() -> None:
    assert pytest.approx(scipy.constants.R, rel=1e-15) == nernst.R
    assert pytest.approx(scipy.constants.physical_constants["Faraday constant"][0], rel=1e-10) == nernst.F
    assert pytest.approx(scipy.constants.e * scipy.constants.N_A, rel=1e-15) == nernst.F  # exact since the SI of 2019
    assert float(np.log(10)) == nernst.LN10
    assert scipy.constants.zero_Celsius == nernst.ZERO_C_K


@pytest.mark.parametrize(("temperature_c", "k_mv"), TABLE.items())
def test_the_slope_is_that_of_the_table(temperature_c: float, k_mv: float) -> None:
    assert nernst_mv(float(temperature_c)) == pytest.approx(k_mv, abs=0.00005)


@pytest.mark.parametrize(("temperature_c", "k_v"), USP_791_TABLE_1.items())
def test_the_slope_is_that_of_usp_791_within_a_hundredth_of_a_millivolt(temperature_c: float, k_v: float) -> None:
    assert nernst_mv(float(temperature_c)) == pytest.approx(1000 * k_v, abs=0.01)


def test_an_array_gives_what_its_elements_give() -> None:
    temperatures = np.array([float(t) for t in TABLE])
    assert nernst_mv(temperatures).tolist() == [nernst_mv(float(t)) for t in TABLE]


def test_the_slope_is_a_plain_function_of_temperature_that_no_reading_makes_missing() -> None:
    assert np.isnan(nernst_mv(np.array([np.nan]))).all()


def test_millivolts_fall_as_ph_rises() -> None:
    # The sign with the usual wiring: pH = pHs - (E - Es) / k; some older prints have a plus.
    line = calibration()
    acid, neutral, base = ph_of(line, np.array([170.0, line.offset_mv, -170.0]), np.full(3, 25.0))
    assert acid < neutral < base
    assert neutral == nernst.ISOPOTENTIAL_PH
    assert line.points[0] == CalibrationPoint(buffer_ph=4.005, potential_mv=174.2, temperature_c=25.0)
    assert ph_of(line, np.array([174.2]), np.array([25.0])).item() == pytest.approx(4.005, abs=1e-9)
