"""Findings by the newest window, with their NE 107 status."""

import pytest

from logger.config import ProbeConfig
from logger.measure.specification import STILL_US, findings
from logger.model import (
    Belief,
    BeliefSince,
    Calibration,
    CalibrationPoint,
    Carry,
    ElectrodeState,
    Health,
    Loss,
    QualityTests,
    Reason,
    TrustCause,
    TrustState,
    TrustWindow,
)
from logger.structs import replace
from tests.series import EPOCH_US, calibration, millivolts

PROBE = ProbeConfig(id="probe", port="/dev/null")
WINDOW_US = 300_000_000
STILL = STILL_US // WINDOW_US
DAY_US = 86_400_000_000


def carry(
    ph: float = 4.5,
    warm_c: float = 20.0,
    *,
    line: Calibration | None = None,
    noise_mv: float = 0.3,
    still: int = 0,
    loss: Loss | None = None,
) -> Carry:
    """Return what is carried after a window at this pH and temperature."""
    mv = millivolts(ph, warm_c)
    window = TrustWindow(number=9, count=30, potential_mv=mv, temperature_c=warm_c, noise_mv=noise_mv, outliers=0)
    trust = TrustState(windows=(window,), still=still, loss=loss)
    return Carry(probe="probe", electrode=ElectrodeState(calibration=line or calibration()), trust=trust)


def told(carried: Carry, *, days: float = 0.0) -> list[str]:
    found = list(findings(PROBE, carried, at_us=EPOCH_US + round(days * DAY_US)))
    assert {one.status for one in found} <= {Health.OUT_OF_SPECIFICATION}
    return [one.text.split(":")[0] for one in found]


def test_a_quiet_vat_within_the_buffers_is_fit() -> None:
    assert told(carry()) == []


@pytest.mark.parametrize(("ph", "is_told"), [(3.02, False), (2.99, True), (7.85, False), (7.88, True)])
def test_a_ph_more_than_one_beyond_the_buffers_is_out_of_specification(ph: float, *, is_told: bool) -> None:
    # nearer than 1.0 only u grows, since a ferment ends below 4.01.
    assert ("The vat's pH lies more than 1 beyond the buffers of the calibration" in told(carry(ph))) == is_told


@pytest.mark.parametrize(("warm_c", "is_told"), [(10.0, False), (9.9, True), (40.0, False), (40.1, True)])
def test_a_vat_far_from_the_buffers_temperature_is_out_of_specification(warm_c: float, *, is_told: bool) -> None:
    assert ("The vat is more than 15 C from the temperature of the buffers" in told(carry(warm_c=warm_c))) == is_told


def test_doubt_beyond_its_limit_is_told_of_the_reading() -> None:
    # our own budget worked by hand: some 0.10 after a week without a check.
    assert told(carry(), days=5.0) == []
    assert told(carry(), days=9.0) == ["The uncertainty of a reading is beyond u = 0.10"]


def test_noise_that_no_vat_makes_is_told_but_not_twice() -> None:
    noisy = carry(noise_mv=2.1)
    assert told(noisy) == ["The potential is restless (over 2 mV from reading to reading)"]
    for cause in TrustCause:
        lost = Loss(cause=cause, since_us=0, since_at_us=EPOCH_US, before=None)
        assert told(carry(noise_mv=2.1, loss=lost)) == []


@pytest.mark.parametrize(
    ("warm_c", "still", "is_told"), [(25.0, STILL, True), (25.0, STILL - 1, False), (24.9, STILL, False)]
)
def test_a_temperature_that_stands_at_a_default_is_doubted(warm_c: float, still: int, *, is_told: bool) -> None:
    assert bool(told(carry(warm_c=warm_c, still=still))) == is_told


def test_what_the_verdict_names_is_a_finding_with_its_status() -> None:
    failure, out = Health.FAILURE, Health.OUT_OF_SPECIFICATION
    named = (
        (Belief.NOT_BELIEVED, QualityTests.TEMPERATURE, failure),
        (Belief.SUSPECT, QualityTests.GROSS_RANGE, out),
        (Belief.NOT_BELIEVED, QualityTests.JUMP, None),
    )
    for belief, test, status in (*named, (Belief.BELIEVED, QualityTests.NONE, None)):
        newest = BeliefSince(belief=belief, test=test, reason=Reason.NONE, since_at_us=EPOCH_US)
        carried = Carry(probe="probe", electrode=ElectrodeState(belief=newest))
        found = [one.status for one in findings(PROBE, carried, at_us=EPOCH_US)]
        assert found == ([] if status is None else [status])


def test_without_points_nothing_is_said_of_their_temperature() -> None:
    bare = replace(calibration(), points=tuple[CalibrationPoint, ...]())
    assert told(carry(warm_c=55.0, line=bare)) == []
