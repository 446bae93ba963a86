"""A thermometer that fails, through the whole pipeline: pH goes on for a while, and no temperature alarm speaks."""

import numpy as np
import pytest

from logger.alarm import belief_words
from logger.config import AlarmKind, Health, QualityLimits
from logger.measure import specification
from logger.model import Belief, Measurements, Outcome, QualityTests, WatchState
from logger.structs import replace
from tests.series import EPOCH_US, calibrate, carry_over, millivolts, raw_alarm, restored, watch
from tests.series import block as block_of

COLD = raw_alarm(AlarmKind.TEMPERATURE_LOW, 10.0)
HOT = raw_alarm(AlarmKind.TEMPERATURE_HIGH, 30.0)
WATCH = watch(COLD, HOT, poll_s=60.0)
PH = 4.2


def night(read: list[float]) -> tuple[WatchState, Outcome]:
    """Watch a quiet vat of 15 C whose thermometer shows this, one reading a minute."""
    rows = block_of([millivolts(PH, 15.0) + 0.1 * (n % 2) for n in range(len(read))], read, every_s=60.0)
    state, (outcome,) = carry_over(WATCH, rows, commands=[calibrate()])
    return state, outcome


def words(rows: Measurements, state: WatchState) -> str:
    return belief_words.sentence(rows, belief_words.evidence_of(state.carry))


@pytest.mark.parametrize("fault", [85.0, 0.0, -127.0, 59.0])
def test_ph_goes_on_for_two_hours_with_its_doubt_and_is_then_not_believed(fault: float) -> None:
    state, outcome = night([15.0] * 20 + [fault] * 140)
    rows = outcome.measurements
    held, over = slice(20, 139), slice(140, None)
    assert (rows.belief[held] == Belief.BELIEVED).all()
    assert np.abs(rows.ph[held] - PH).max() < 0.01
    assert rows.u[138] > rows.u[19]
    # GUM 5.1.2: u of the temperature is 1 C and beside it 1.5 C an hour, of a pH that moves by (7 - pH) / T a kelvin.
    expected = rows.u[19] ** 2 + ((7 - PH) / 288.15 * 1.5 * 119 / 60) ** 2
    assert rows.u[138] == pytest.approx(expected**0.5, rel=0.01)
    assert (rows.belief[over] == Belief.NOT_BELIEVED).all()
    assert np.isnan(rows.ph[over]).all()
    assert f"the thermometer reads {fault:.1f} C" in words(rows, state)
    assert [entry for entry in outcome.entries if entry.alarm] == []  # no temperature alarm judges it


def test_while_it_is_held_the_words_say_so() -> None:
    state, outcome = night([15.0] * 20 + [85.0] * 20)
    assert words(outcome.measurements, state).startswith("Believed: ")
    assert "by the last good temperature, for the thermometer cannot be right" in words(outcome.measurements, state)
    found = list(specification.findings(WATCH.probe, state.carry, at_us=EPOCH_US))
    assert [finding.status for finding in found] == [Health.OUT_OF_SPECIFICATION]
    assert "reads 85.0 C, a value that it shows when it is not connected: look at its plug" in found[0].text


def test_once_its_time_is_over_the_probe_has_failed() -> None:
    state, _ = night([15.0] * 20 + [59.0] * 200)
    found = list(specification.findings(WATCH.probe, state.carry, at_us=EPOCH_US))
    assert found[0].status is Health.FAILURE
    assert "another unit (degrees Fahrenheit)" in found[0].text


def test_a_true_temperature_beyond_the_probes_limits_is_told_as_before() -> None:
    limits = QualityLimits(fail_high_c=20.0)
    rows = block_of([millivolts(PH, 15.0)] * 3, [19.0, 21.0, 22.0], every_s=60.0)
    made = watch(HOT, limits=limits)  # type: ignore[arg-type]
    _, (outcome,) = carry_over(made, rows, commands=[calibrate()])
    told = outcome.measurements.tests & (QualityTests.TEMPERATURE | QualityTests.THERMOMETER)
    assert told.tolist() == [0, QualityTests.TEMPERATURE, QualityTests.TEMPERATURE]


def test_a_setting_of_nothing_believes_no_ph_at_once() -> None:
    made = watch(COLD, limits=replace(QualityLimits(), thermometer_hold_s=0.0))  # type: ignore[arg-type]
    rows = block_of([millivolts(PH, 15.0)] * 3, [15.0, 85.0, 15.0], every_s=60.0)
    _, (outcome,) = carry_over(made, rows, commands=[calibrate()])
    assert np.isnan(outcome.measurements.ph).tolist() == [False, True, False]


def test_a_faulty_thermometer_is_no_witness_of_a_probe_out_of_the_liquid() -> None:
    _, outcome = night([15.0] * 30 + [85.0, 15.0] * 45)
    assert not (outcome.measurements.tests & QualityTests.OUT_OF_LIQUID).any()


def test_what_is_known_of_it_is_stored() -> None:
    state, _ = night([15.0] * 20 + [85.0] * 20)
    assert restored(state.carry) == state.carry
    assert state.carry.electrode.thermometer.good_c == 15.0
