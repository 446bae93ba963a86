"""How fast an electrode drifts, by its own history."""

import numpy as np
import pytest

from logger.measure import drift
from logger.model import Check, CheckKind
from logger.structs import replace
from logger.units import DAY_US
from tests.series import EPOCH_US, calibration

LINE = calibration()


def as_found(days: float, deviation_ph: float, **more: object) -> Check:
    settings: dict[str, object] = {"kind": CheckKind.AS_FOUND, "electrode": "E-1", **more}
    return Check(
        id=0,
        probe="probe",
        at_us=EPOCH_US + round(days * DAY_US),
        reference_ph=4.0,
        u_reference_ph=0.02 / 3**0.5,
        reading_ph=4.0 + deviation_ph,
        deviation_ph=deviation_ph,
        tolerance_ph=0.05,
        passed=abs(deviation_ph) <= 0.05,
        **settings,  # type: ignore[arg-type]
    )


def history(*rates: float, days: float = 7.0, **more: object) -> list[Check]:
    """As found in two buffers at the end of each of these calibrations, which follow each other."""
    return [
        as_found(days * (n + 1), rate * days + off, **{"calibration": n + 1, **more})
        for n, rate in enumerate(rates)
        for off in (-0.004, 0.004)
    ]


CALIBRATIONS = [replace(LINE, id=n + 1, at_us=EPOCH_US + 7 * n * DAY_US, electrode="E-1") for n in range(10)]


def test_the_rate_comes_from_the_electrode_s_own_history_once_there_is_one() -> None:
    def rate(checks: list[Check], electrode: str = "E-1") -> float | None:
        return drift.rate_from_history(checks, CALIBRATIONS, electrode=electrode)

    assert rate([]) is None
    assert rate(history(0.01, -0.01)) is None
    assert rate(history(0.01, -0.01, 0.01)) == pytest.approx(1.4826 * 0.01)
    assert rate(history(0.01, -0.01, 0.01), "E-2") is None
    assert rate(history(0.01, -0.01, 0.01, electrode="E-2"), "E-2") is None
    # One wild interval (a dip in the wrong glass) does not make an electrode wild.
    assert rate(history(0.01, -0.01, 0.01, 0.3, 0.01)) == pytest.approx(1.4826 * 0.01)
    assert rate(history(0.0, 0.0, 0.0)) == 0.004
    assert rate([replace(c, kind=CheckKind.BUFFER) for c in history(0.01, 0.01, 0.01)]) is None


def test_intervals_of_hours_tell_no_rate() -> None:
    at = [replace(LINE, id=n + 1, at_us=EPOCH_US + 7 * (n + 1) * DAY_US - DAY_US // 2) for n in range(3)]
    made = [replace(each, electrode="E-1") for each in at]
    assert drift.rate_from_history(history(0.01, 0.01, 0.01), made, electrode="E-1") is None


def test_the_rate_of_simulated_electrodes_is_found_on_average() -> None:
    rng = np.random.default_rng(5)
    found = []
    for _ in range(400):
        checks = list(history(*rng.normal(0, 0.02, size=9).tolist()))
        found.append(drift.rate_from_history(checks, CALIBRATIONS, electrode="E-1"))
    assert float(np.median([each for each in found if each is not None])) == pytest.approx(0.02, rel=0.1)
