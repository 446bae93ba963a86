"""The estimate of a probe's error: its equations beside numpy, its first figures, and what a surprise does.

Sources: conditioning of a normal distribution, e.g. Rasmussen and Williams 2006, A.6, from memory; the Rauch-Tung-
Striebel and Kalman equations need no source of their own, for both sides are computed here.
"""

import numpy as np
import pytest

from logger.config import ErrorModel, TargetConfig
from logger.measure import claims, error_state, estimate
from logger.measure.calibration import fit
from logger.measure.error_state import CLAIM, JUNCTION, JUNCTION_SLOPE, OFFSET, RATE, SLOPE, THERMOMETER
from logger.measure.nernst import nernst_mv
from logger.measure.sensitivity import expected_error, sensitivities
from logger.measure.uncertainty import standard_uncertainty
from logger.model import Calibration, CalibrationPoint, Check, CheckKind, Estimate, TargetWindow
from logger.structs import replace
from logger.units import DAY_US

ERRORS = ErrorModel()
U_BUFFER = 0.0115


def a_line(*buffers: float) -> Calibration:
    """Return a calibration in buffers at 25 C."""
    points = [
        CalibrationPoint(
            buffer_ph=ph, potential_mv=0.985 * nernst_mv(25.0) * (7.0 - ph) + 3.0, temperature_c=25.0, u_ph=U_BUFFER
        )
        for ph in buffers
    ]
    return replace(fit(points, probe="glass", at_us=0, by="somebody"), id=1)


THREE = a_line(4.01, 6.86, 9.18)


def a_check(kind: CheckKind, days: float, off_ph: float, u_ph: float, *, ph: float = 4.6, by: str = "meter") -> Check:
    """Return a check some days after the calibration."""
    return Check(
        id=1,
        probe="glass",
        at_us=round(days * DAY_US),
        kind=kind,
        reference_ph=ph - off_ph,
        u_reference_ph=u_ph,
        reading_ph=ph,
        deviation_ph=off_ph,
        tolerance_ph=0.1,
        passed=True,
        calibration=1,
        temperature_c=25.0,
        instrument=by,
    )


def applied(known: Estimate, *checks: Check) -> Estimate:
    """Return what is known after checks."""
    for check in checks:
        known = estimate.apply_check(known, check, elapsed_us=check.at_us).estimate
    return known


def a_window(ph: float) -> TargetWindow:
    """Return a window that reads this pH, without noise."""
    return TargetWindow(
        at_us=0,
        elapsed_us=0,
        seq=1,
        read_ph=ph,
        u_noise=0.0,
        temperature_c=25.0,
        slope=THREE.segments[0].slope,
        ph=ph,
        u=0.0,
        believed=True,
    )


def bounds(known: Estimate, days: float, ph: float = 4.6) -> tuple[claims.Bound, claims.Bound]:
    """Return what both accounts say so many days after the calibration."""
    return claims.bounds(TargetConfig(), known, a_window(ph), days=days - known.at_us / DAY_US)


START = estimate.start(THREE, ERRORS, elapsed_us=0)


@pytest.mark.parametrize(("days", "u"), [(0, 0.052), (1, 0.055), (3, 0.067), (7, 0.104), (14, 0.182)])
def test_u_without_a_check_grows_with_the_days(days: float, u: float) -> None:
    """Figures of a trial of the same equations, written apart from this code."""
    assert bounds(START, days)[0].u == pytest.approx(u, abs=0.0015)


@pytest.mark.parametrize(("days", "u"), [(0, 0.038), (1, 0.041), (3, 0.041), (7, 0.041), (14, 0.040)])
def test_a_daily_spot_measurement_keeps_u_small(days: int, u: float) -> None:
    """Figures of a trial of the same equations, written apart from this code."""
    spots = [a_check(CheckKind.SPOT, day, 0.0, 0.05) for day in range(days + 1)]
    assert bounds(applied(START, *spots), days)[0].u == pytest.approx(u, abs=0.003)


def test_the_distrustful_account_grows_wide_within_hours() -> None:
    """Figures of a trial of the same equations, written apart from this code; hours after the calibration."""
    known = applied(START, a_check(CheckKind.SPOT, 0.2, 0.0, 0.05))
    found = [bounds(known, 0.2 + hours / 24)[1].u for hours in (0, 1 / 3, 1, 2, 3, 6)]
    assert found == pytest.approx([0.055, 0.08, 0.13, 0.20, 0.26, 0.43], rel=0.2)


def test_a_fresh_calibration_has_the_covariance_of_its_fit() -> None:
    """GUM H.3: the variance of a value of the line, with the covariance of intercept and slope."""
    lone = ErrorModel(
        junction_ph=0.0,
        drift_ph_per_day=0.0,
        walk_ph_per_sqrt_day=0.0,
        temperature_c=0.0,
        repeatability_mv=0.0,
        resolution_mv=0.0,
    )
    line = a_line(4.01, 9.18)
    for ph, celsius in ((3.0, 5.0), (4.6, 25.0), (7.0, 40.0), (9.5, 12.0)):
        k = nernst_mv(celsius)
        x = k * (7.0 - ph)
        of_line = line.var_offset + 2.0 * x * line.cov + x * x * line.var_slope
        u = standard_uncertainty(
            line,
            lone,
            estimate.start(line, lone),
            days=np.array([3.0]),
            ph=np.array([ph]),
            temperature_c=np.array([celsius]),
        )
        assert float(u[0]) == pytest.approx(np.sqrt(of_line) / (line.slope * k), rel=1e-12)


def test_beyond_a_bend_the_segment_there_counts() -> None:
    lone = ErrorModel(
        junction_ph=0.0,
        drift_ph_per_day=0.0,
        walk_ph_per_sqrt_day=0.0,
        temperature_c=0.0,
        repeatability_mv=0.0,
        resolution_mv=0.0,
    )
    high = THREE.segments[1]
    x = nernst_mv(25.0) * (7.0 - 9.18)
    of_line = high.var_offset + 2.0 * x * high.cov + x * x * high.var_slope
    u = standard_uncertainty(
        THREE,
        lone,
        estimate.start(THREE, lone),
        days=np.array([0.0]),
        ph=np.array([9.18]),
        temperature_c=np.array([25.0]),
    )
    assert float(u[0]) == pytest.approx(np.sqrt(of_line) / (high.slope * nernst_mv(25.0)), rel=2e-3)


History = list[tuple[str, float, float, float, float]]


def by_numpy(history: History, look: int) -> tuple[float, float]:
    """Return mean and variance of the error at entry `look`, by conditioning on all checks at once.

    The state at each entry is written out as a linear map of independent numbers: the start's, and a wander for each
    stretch of time; `history`: kind, days, pH, deviation, u of each check, of a `look` its time and pH only.
    """
    names = ["offset", "slope", "rate", "junction", "steep", "celsius", "meter", "strip"]
    numbers = [OFFSET, SLOPE, RATE, JUNCTION, JUNCTION_SLOPE, THERMOMETER]
    used = {kind: u for kind, _, _, _, u in reversed(history)}
    steps = np.diff([0.0, *(days for _, days, _, _, _ in history)])
    wander = estimate.wander_of(START)
    gains = np.outer(steps, (wander.offset, wander.slope, wander.junction)).ravel()
    big = np.diag([*(0.0,) * 6, used.get("meter", 0.0) ** 2, used.get("strip", 0.0) ** 2, *gains])
    big[:6, :6] = [[error_state.covariance(START.steady, one, other) for other in numbers] for one in numbers]

    def hangs_on(entry: int) -> np.ndarray:
        kind, days, ph, _, _ = history[entry]
        h, wandered = np.zeros(len(big)), slice(8, 8 + 3 * (entry + 1))
        h[0], h[1], h[2] = 1.0, ph - 4.6, days
        in_brine = kind != "buffer"
        h[wandered] = np.tile([1.0, ph - 4.6, float(in_brine)], entry + 1)
        if in_brine:
            h[3], h[4], h[5] = 1.0, ph - 4.6, (7.0 - ph) / 298.15
        if kind in names:
            h[names.index(kind)] = -1.0
        return h

    checks = [entry for entry in range(len(history)) if history[entry][0] != "look"]
    a, z = np.array([hangs_on(entry) for entry in checks]), np.array([history[entry][3] for entry in checks])
    noise = [((0.4 if kind in names else 1.0) * u) ** 2 + 0.01**2 for kind, _, _, _, u in (history[n] for n in checks)]
    h, total = hangs_on(look), a @ big @ a.T + np.diag(noise)
    shared = h @ big @ a.T
    return float(shared @ np.linalg.solve(total, z)), float(h @ big @ h - shared @ np.linalg.solve(total, shared))


def a_history(seed: int) -> History:
    """Return three to nine checks that nobody is surprised by, at whole microseconds."""
    dice = np.random.default_rng(seed)
    days = np.cumsum(dice.uniform(0.02, 2.0, size=dice.integers(3, 10)))
    uncertain = {"buffer": U_BUFFER, "meter": 0.05, "strip": 0.2}
    kinds = [str(kind) for kind in dice.choice(list(uncertain), size=len(days))]
    return [
        (
            kind,
            round(day * DAY_US) / DAY_US,
            float(dice.uniform(3.9, 5.5)),
            float(dice.normal(0.0, 0.01)),
            uncertain[kind],
        )
        for kind, day in zip(kinds, days, strict=True)
    ]


def followed(known: Estimate, history: History) -> Estimate:
    """Return what is known after the checks of a history."""
    for kind, days, ph, off, u in history:
        of = CheckKind.BUFFER if kind == "buffer" else CheckKind.SPOT
        known = applied(known, a_check(of, days, off, u, ph=ph, by=kind))
    return known


@pytest.mark.parametrize("seed", range(40))
def test_it_equals_conditioning_on_all_checks_at_once(seed: int) -> None:
    history = a_history(seed)
    known = followed(START, history)
    parts = sensitivities(known, ph=4.5, temperature_c=25.0, days=1.0, slope=known.slope)
    mean, variance = by_numpy([*history, ("look", history[-1][1] + 1.0, 4.5, 0.0, 0.0)], len(history))
    assert float(expected_error(known.steady, parts)) == pytest.approx(mean, abs=1e-12)
    assert bounds(known, known.at_us / DAY_US + 1.0, ph=4.5)[0].u ** 2 == pytest.approx(variance, abs=1e-12)


@pytest.mark.parametrize("seed", range(40))
def test_the_error_at_a_claim_equals_conditioning_on_all_later_checks(seed: int) -> None:
    history, dice = a_history(seed), np.random.default_rng(1000 + seed)
    when = int(dice.integers(1, len(history)))
    days = float(dice.uniform(0.0, 1.0)) * (history[when][1] - history[when - 1][1])
    known = followed(START, history[:when])
    known = estimate.with_claim(known, days=days, ph=4.5, temperature_c=25.0, slope=known.slope)
    known = followed(known, history[when:])
    look = ("look", history[when - 1][1] + days, 4.5, 0.0, 0.0)
    mean, variance = by_numpy([*history[:when], look, *history[when:]], when)
    assert known.steady.mean[CLAIM] == pytest.approx(mean, abs=1e-12)
    assert error_state.covariance(known.steady, CLAIM, CLAIM) == pytest.approx(variance, abs=1e-12)


def test_a_measurement_that_reads_higher_moves_what_may_be_claimed() -> None:
    """Figures of a trial of the same equations: 0.96 before, 0.70 and 0.42 with it."""
    before = bounds(START, 1.0, ph=4.505)[0].conformance(4.6)
    known = applied(START, a_check(CheckKind.SPOT, 1, -0.099, 0.02, ph=4.505))
    found = [bound.conformance(4.6) for bound in bounds(known, 1.0, ph=4.505)]
    assert before == pytest.approx(0.96, abs=0.005)
    assert found == pytest.approx([0.70, 0.42], abs=0.02)


def test_a_strip_does_not_answer_a_failed_buffer_check() -> None:
    """Figures of a trial of the same equations, at a reading of 4.48: 0.001 in both accounts but for rounding."""
    failed = applied(START, a_check(CheckKind.BUFFER, 1, -0.30, U_BUFFER, ph=3.71))
    known = applied(failed, a_check(CheckKind.SPOT, 1.007, 0.0, 0.2, ph=4.48, by="strip"))
    assert failed.question is not None
    assert known.question == failed.question
    assert max(bound.conformance(4.6) for bound in bounds(known, 1.007, ph=4.48)) < 0.02


def test_a_fresh_buffer_answers_it() -> None:
    """Figures of a trial of the same equations: 0.999 and 0.991."""
    failed = applied(START, a_check(CheckKind.BUFFER, 1, -0.30, U_BUFFER, ph=3.71))
    by_meter = applied(failed, a_check(CheckKind.SPOT, 1.007, 0.0, 0.05, ph=4.48))
    known = applied(by_meter, a_check(CheckKind.BUFFER, 1.014, 0.0, U_BUFFER, ph=4.01))
    assert by_meter.question is not None
    assert known.question is None
    assert min(bound.conformance(4.6) for bound in bounds(known, 1.014, ph=4.48)) > 0.99


def test_a_meter_read_in_a_buffer_doubts_the_probe_less() -> None:
    spot = a_check(CheckKind.SPOT, 1, 0.06, 0.05)
    apart = applied(START, spot)
    own = a_check(CheckKind.INSTRUMENT, 1, -0.06, U_BUFFER, ph=3.95)
    known = applied(apart, own)
    assert abs(known.steady.mean[JUNCTION]) < abs(apart.steady.mean[JUNCTION])


def test_a_batch_begins_with_another_brine_and_a_recalibration_with_another_line() -> None:
    known = applied(START, *(a_check(CheckKind.SPOT, day, -0.05, 0.05) for day in (1, 2, 3)))
    batch = estimate.of_new_batch(known)
    line = estimate.recalibrated(known, replace(THREE, id=2, at_us=3 * DAY_US), ERRORS, elapsed_us=3 * DAY_US)
    assert batch.steady.mean[OFFSET] == known.steady.mean[OFFSET]
    assert (batch.steady.mean[JUNCTION], batch.instruments) == (0.0, ())
    assert error_state.covariance(batch.steady, JUNCTION, JUNCTION) == ERRORS.junction_ph**2
    assert line.steady.mean[JUNCTION] == known.steady.mean[JUNCTION]
    assert (line.steady.mean[OFFSET], line.steady.mean[RATE]) == (0.0, 0.0)
    assert line.instruments == known.instruments


def test_a_fourth_instrument_takes_the_place_of_the_first() -> None:
    known = applied(START, *(a_check(CheckKind.SPOT, 1, 0.0, 0.05, by=name) for name in "abcd"))
    assert [each.name for each in known.instruments] == ["b", "c", "d"]
    assert len(known.steady.mean) == 7 + 1 + 3
