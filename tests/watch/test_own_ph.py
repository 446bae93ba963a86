"""A probe that reports its own pH: one path with all others, marked, and more doubtful."""

import numpy as np
import pytest

from logger.config import ErrorModel, ScpiConfig
from logger.measure.calibration import fit
from logger.measure.nernst import nernst_mv
from logger.model import Block, CalibrationPoint, Measurements, Quality
from logger.model import QualityTests as Said  # by its own name pytest would collect it
from logger.probe.own_ph import equivalent_mv, own_ph
from logger.structs import replace
from tests.series import EPOCH_US, block, calibrate, carry_over, watch

OWN = ScpiConfig(ph="MEAS:PH?")
TOLD = [4.93, 4.71, 4.60, 4.40, 4.23]
"""What the probe says of the vat."""


def rows_of(told: list[float], celsius: float | None, *, assumed_c: float | None = None) -> Block:
    mv = [equivalent_mv(ph, temperature_c=celsius, assumed_c=assumed_c) for ph in told]
    return block(mv, [celsius] * len(told))


def measured(rows: Block, *, says: tuple[float, float], **probe: object) -> Measurements:
    """Let a watch read rows after a calibration in which the probe said this in buffers of pH 4.005 and 6.865."""
    points = [
        CalibrationPoint(buffer_ph=ph, potential_mv=float(nernst_mv(25.0) * (7.0 - told)), temperature_c=25.0)
        for ph, told in zip((4.005, 6.865), says, strict=True)
    ]
    made = replace(fit(points, probe="probe", at_us=EPOCH_US, by=""), id=1)
    command = replace(calibrate(), calibration=made)
    watched = watch(scpi=OWN, **probe)  # type: ignore[arg-type]
    _, outcomes = carry_over(watched, rows, commands=[command])
    return outcomes[0].measurements


@pytest.mark.parametrize("celsius", [10.0, 25.0, 31.5])
def test_a_probe_that_reads_buffers_right_is_believed_to_the_digit(celsius: float) -> None:
    got = measured(rows_of(TOLD, celsius), says=(4.005, 6.865))
    assert got.ph.tolist() == pytest.approx(TOLD, abs=1e-12)
    assert got.quality.tolist() == [Quality.PASS] * len(TOLD)
    assert all(Said.OWN_PH in Said(code) and Said.ASSUMED_TEMPERATURE not in Said(code) for code in got.tests.tolist())


@pytest.mark.parametrize("celsius", [10.0, 25.0, 31.5])
def test_its_calibration_is_a_correction_line_in_ph_at_every_temperature(celsius: float) -> None:
    # straight line through (told, true) at both buffers, by hand; a zero point of its own is a potential, so only
    # at the temperature of the buffers is it exact: the electrode behind the instrument has the same property
    says = (4.105, 6.865)
    slope = (6.865 - 4.005) / (6.865 - 4.105)
    got = measured(rows_of(TOLD, celsius), says=says)
    tilt = (273.15 + 25.0) / (273.15 + celsius)
    zero = 6.865 + slope * (7.0 - 6.865) - 7.0
    expected = [7.0 + slope * (ph - 7.0) + zero * tilt for ph in TOLD]
    assert got.ph.tolist() == pytest.approx(expected, abs=1e-9)


def test_without_a_thermometer_the_assumed_temperature_changes_no_ph_is_not_stored_and_is_marked() -> None:
    rows = rows_of(TOLD, None, assumed_c=18.0)
    got = measured(rows, says=(4.005, 6.865), assumed_temperature_c=18.0)
    assert got.ph.tolist() == pytest.approx(TOLD, abs=1e-12)
    assert np.isnan(got.temperature_c).all()
    assert got.quality.tolist() == [Quality.PASS] * len(TOLD)
    assert all(Said.OWN_PH | Said.ASSUMED_TEMPERATURE in Said(code) for code in got.tests.tolist())


def test_a_thermometer_that_fails_is_not_assumed_away() -> None:
    got = measured(rows_of(TOLD, None), says=(4.005, 6.865))
    assert np.isnan(got.ph).all()
    assert got.quality.tolist() == [Quality.FAIL] * len(TOLD)


def test_its_doubt_is_greater_by_its_own_share() -> None:
    plain = measured(rows_of(TOLD, 20.0), says=(4.005, 6.865), errors=ErrorModel())
    own = measured(rows_of(TOLD, 20.0), says=(4.005, 6.865), errors=ErrorModel(own_ph=0.03))
    assert np.sqrt(own.u**2 - plain.u**2).tolist() == pytest.approx([0.03] * len(TOLD))


@pytest.mark.parametrize(("celsius", "assumed_c"), [(20.0, None), (None, 18.0), (None, None), (12.5, 18.0)])
def test_the_equivalent_potential_gives_its_ph_back(celsius: float | None, assumed_c: float | None) -> None:
    mv = equivalent_mv(4.6, temperature_c=celsius, assumed_c=assumed_c)
    assert own_ph(mv, temperature_c=celsius, assumed_c=assumed_c) == pytest.approx(4.6, abs=1e-12)
    # slope of 1: R T ln10 / F (CODATA 2018) is 58.1672 mV at 20 C, facts as in tests/measure/test_nernst.py
    assert equivalent_mv(6.0, temperature_c=20.0, assumed_c=None) == pytest.approx(58.1672, abs=1e-4)
