"""The electrode against constants and tables from outside."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from simulator.electrode import Electrode, nernst_slope_mv, potential_mv, quantised

IDEAL = Electrode(slope=1.0, offset_mv=0.0, drift_mv_per_day=0.0)


@given(st.floats(-5.0, 100.0))
def test_the_nernst_slope_is_that_of_the_codata_constants(temperature_c: float) -> None:
    kelvin = constants.convert_temperature(temperature_c, "Celsius", "Kelvin")
    expected = 1000 * constants.R * kelvin * math.log(10) / constants.value("Faraday constant")
    assert nernst_slope_mv(temperature_c) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("temperature_c", "volt_per_ph"), [(15, 0.05718), (20, 0.05817), (25, 0.05916), (30, 0.06016), (35, 0.06115)]
)
def test_the_nernst_slope_is_that_of_usp_791_table_1(temperature_c: float, volt_per_ph: float) -> None:
    # USP <791> Table 1; its last digits are rounded up
    assert nernst_slope_mv(temperature_c) == pytest.approx(1000 * volt_per_ph, abs=0.01)


def test_millivolts_fall_as_ph_rises() -> None:
    # usual wiring: pH = pHs - (E - Es) / k (USP <791>); 177.478 mV = 3 * 59.1593 mV, k at 25 C by CODATA
    acid, neutral, base = potential_mv(IDEAL, np.array([4.0, 7.0, 10.0]), temperature_c=25.0, day=0.0)
    assert (acid, neutral, base) == pytest.approx((177.478, 0.0, -177.478), abs=1e-3)


@given(st.floats(0.0, 50.0))
def test_at_ph_7_temperature_does_not_matter(temperature_c: float) -> None:
    cell = Electrode(offset_mv=-12.5)
    assert potential_mv(cell, 7.0, temperature_c=temperature_c, day=0.0) == -12.5


def test_a_bracketing_pair_gives_back_slope_and_sample() -> None:
    # computed by hand: 4.005 -> 174.2 mV, 6.865 -> 6.1 mV at 25 C: 168.1 mV / 2.86 = 58.7762 mV a pH, 99.352 % of k;
    # 150.0 mV is then pH 4.41673
    cell = Electrode(slope=0.993523, offset_mv=6.1 - 58.7762 * 0.135)
    shown = potential_mv(cell, np.array([4.005, 6.865, 4.41673]), temperature_c=25.0, day=0.0)
    assert shown == pytest.approx([174.2, 6.1, 150.0], abs=2e-3)


def test_drift_moves_the_offset_a_day() -> None:
    cell = Electrode(offset_mv=5.0, drift_mv_per_day=-0.5)
    assert potential_mv(cell, 7.0, temperature_c=20.0, day=np.array([-1.0, 0.0, 4.0])).tolist() == [5.5, 5.0, 3.0]


def test_the_converter_has_steps_of_a_tenth_millivolt_and_a_hundredth_celsius() -> None:
    assert quantised(np.array([171.2499, -0.07]), 10).tolist() == [171.2, -0.1]
    assert quantised(np.array([20.0149]), 100).tolist() == [20.01]
