"""What checks tell of the drift, against matrices, against a simulation, and word for word."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config import ErrorModel
from logger.measure import drift
from logger.model import Check, CheckKind, Drift
from logger.units import DAY_US
from tests.series import EPOCH_US, calibration

ERRORS = ErrorModel()
LINE = calibration()
U_FIT = 0.011


def check(days: float, deviation_ph: float, kind: CheckKind = CheckKind.BUFFER, **more: object) -> Check:
    settings: dict[str, object] = {"u_reference_ph": 0.02 / 3**0.5, "calibration": 1, "electrode": "E-1", **more}
    return Check(
        id=0,
        probe="probe",
        at_us=EPOCH_US + round(days * DAY_US),
        kind=kind,
        reference_ph=4.0,
        reading_ph=4.0 + deviation_ph,
        deviation_ph=deviation_ph,
        tolerance_ph=0.05,
        passed=abs(deviation_ph) <= 0.05,
        **settings,  # type: ignore[arg-type]
    )


def after(*checks: Check) -> Drift:
    state = drift.start(LINE, ERRORS)
    for each in checks:
        state = drift.apply_check(state, each, ERRORS, u_fit_ph=U_FIT).drift
    return state


def matrices(checks: list[Check]) -> tuple[np.ndarray, np.ndarray]:
    """The textbook's Kalman filter, in matrices, with the figures of our own drift model."""
    x, p, then = np.zeros(2), np.diag([0.0, 0.012**2]), EPOCH_US
    for each in checks:
        dt = (each.at_us - then) / DAY_US
        f, then = np.array([[1.0, dt], [0.0, 1.0]]), each.at_us
        x, p = f @ x, f @ p @ f.T + np.diag([0.006**2 * dt, 0.0])
        h, r = np.array([[1.0, 0.0]]), each.u_reference_ph**2 + 0.01**2 + U_FIT**2
        gain = p @ h.T / (h @ p @ h.T + r)
        x, p = x + (gain * (each.deviation_ph - x[0])).ravel(), (np.eye(2) - gain @ h) @ p
    return x, p


small = st.lists(st.tuples(st.floats(0.0, 5.0), st.floats(-0.02, 0.02)), min_size=1, max_size=8)


@given(steps=small)
def test_the_scalars_are_the_textbook_s_matrices(steps: list[tuple[float, float]]) -> None:
    days = np.cumsum([step for step, _ in steps]).tolist()
    checks = [check(at, off) for at, (_, off) in zip(days, steps, strict=True)]
    state, (x, p) = after(*checks), matrices(checks)
    assert (state.offset_ph, state.rate_ph_per_day) == pytest.approx((x[0], x[1]), abs=1e-12)
    found = (state.var_offset, state.cov, state.var_rate)
    assert found == pytest.approx((p[0, 0], p[0, 1], p[1, 1]), rel=1e-6, abs=1e-15)


@given(steps=st.lists(st.tuples(st.floats(0.0, 30.0), st.floats(-0.5, 0.5)), min_size=1, max_size=12))
def test_a_covariance_stays_one_whatever_is_found(steps: list[tuple[float, float]]) -> None:
    days = np.cumsum([step for step, _ in steps]).tolist()
    state = after(*(check(at, off) for at, (_, off) in zip(days, steps, strict=True)))
    assert state.var_offset >= 0
    assert state.var_rate >= 0
    assert state.var_offset * state.var_rate - state.cov**2 >= -1e-15


def test_a_check_buffer_counts_with_the_variance_of_the_design() -> None:
    # Our own drift model: R = .02^2 for a check buffer; here made of +/-0.02 rectangular, 0.01, and u_cal 0.011.
    assert drift.variance_of(check(1, 0.0), ERRORS, u_fit_ph=U_FIT) ** 0.5 == pytest.approx(0.02, abs=0.002)


def test_a_spot_measurement_counts_with_the_junction_in_it() -> None:
    # Our own drift model: R = u_v^2 + u_junction^2, u_v 0.05 for a meter.
    spot = check(1, 0.0, CheckKind.SPOT, u_reference_ph=0.05)
    assert drift.variance_of(spot, ERRORS, u_fit_ph=0.0) ** 0.5 == pytest.approx(np.hypot(0.05, 0.05))


def test_checks_learn_a_steady_drift_and_what_is_left_of_it_in_doubt() -> None:
    rate = 0.010
    state = after(*(check(day, rate * day) for day in range(1, 11)))
    assert state.offset_ph == pytest.approx(0.1, abs=0.005)
    assert state.rate_ph_per_day == pytest.approx(rate, abs=0.002)
    assert state.var_offset**0.5 < 0.015
    later = drift.advance(state, ERRORS, at_us=EPOCH_US + 12 * DAY_US)
    assert later.offset_ph == pytest.approx(0.12, abs=0.01)
    assert later.var_offset > state.var_offset


def test_the_states_of_simulated_electrodes_scatter_as_stated() -> None:
    # Rates drawn from the default sd, a walk, and checks with the stated errors: o's error over its sd is N(0, 1).
    rng, scaled = np.random.default_rng(11), []
    for _ in range(2000):
        rate, truth, state = rng.normal(0, 0.012), 0.0, drift.start(LINE, ERRORS)
        for day in (2.0, 4.0, 6.0):
            truth += 2.0 * rate + rng.normal(0, 0.006 * 2**0.5)
            each = check(day, truth + rng.normal(0, np.sqrt(0.02**2 / 3 + 0.01**2 + U_FIT**2)))
            state = drift.update(
                drift.advance(state, ERRORS, at_us=each.at_us),
                deviation_ph=each.deviation_ph,
                variance=drift.variance_of(each, ERRORS, u_fit_ph=U_FIT),
            )
        scaled.append((state.offset_ph - truth) / state.var_offset**0.5)
    assert np.std(scaled) == pytest.approx(1.0, abs=0.05)
    assert np.mean(scaled) == pytest.approx(0.0, abs=0.07)


def test_a_check_that_nobody_could_expect_is_told_and_not_absorbed() -> None:
    before = after(check(1, 0.01))
    for off, absorbed in ((0.05, True), (0.12, False), (-0.10, False)):
        taken = drift.apply_check(before, check(2, off), ERRORS, u_fit_ph=U_FIT)
        assert taken.absorbed is absorbed
        assert (replace(taken.drift, unexpected=None) == before) is not absorbed
        assert ("probe or reference?" in drift.sentence(check(2, off), taken)) is not absorbed


def test_what_nobody_could_expect_counts_once_a_repeat_agrees() -> None:
    # As the sentence says: the second such check moves the offset to where both found it, and the doubt with it.
    state = after(check(1, 0.01), check(2, 0.30), check(2.01, 0.29))
    assert state.offset_ph == pytest.approx(0.295, abs=0.01)
    assert state.unexpected is None


@pytest.mark.parametrize("second", [0.01, -0.30, 0.15])
def test_a_repeat_that_does_not_agree_makes_nothing_count_that_was_not_expected(second: float) -> None:
    state = after(check(1, 0.01), check(2, 0.30), check(2.01, second))
    assert abs(state.offset_ph) < 0.02


def test_after_long_silence_much_may_be_expected() -> None:
    # 3 sqrt((0.012 x 10)^2 + 0.006^2 x 10 + R) is 0.37 after ten days.
    taken = drift.apply_check(drift.start(LINE, ERRORS), check(10, 0.3), ERRORS, u_fit_ph=U_FIT)
    assert taken.absorbed
    assert taken.allowed_ph == pytest.approx(0.37, abs=0.01)


def test_a_check_before_the_newest_one_moves_no_time() -> None:
    state = after(check(3, 0.02), check(2, 0.02))
    assert state.at_us == EPOCH_US + 3 * DAY_US


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (check(1, 0.021), "Check buffer 4.00, probe 4.02: off by +0.02, passed (tolerance 0.05)"),
        (
            check(9, 0.061),
            (
                "Check buffer 4.00, probe 4.06: off by +0.06, failed (tolerance 0.05). Rinse and repeat; if it stays,"
                " clean the probe and calibrate it"
            ),
        ),
        (check(1, -0.021, CheckKind.SPOT), "Spot measurement 4.00, probe 3.98: off by -0.02, passed (tolerance 0.05)"),
    ],
)
def test_a_check_is_told_in_one_sentence(made: Check, words: str) -> None:
    taken = drift.apply_check(drift.start(LINE, ERRORS), made, ERRORS, u_fit_ph=U_FIT)
    assert drift.sentence(made, taken) == words


def history(*rates: float, days: float = 7.0, **more: object) -> list[Check]:
    """As found in two buffers at the end of each of these calibrations, which follow each other."""
    return [
        check(days * (n + 1), rate * days + off, CheckKind.AS_FOUND, **{"calibration": n + 1, **more})
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
