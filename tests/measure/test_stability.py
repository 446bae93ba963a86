"""Stability and settling against physics worked here from scratch, and against scipy's least squares."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from logger.measure.stability import LN20, StabilityState, advice, judge, settling
from logger.model import Floats

NAN = float("nan")


def dip(
    seconds: int,
    *,
    start_mv: float = 0.0,
    end_mv: float = 171.0,
    tau_s: float = 12.0,
    noise_mv: float = 0.0,
    creep_mv_per_min: float = 0.0,
    seed: int = 1,
    every_s: float = 1.0,
) -> tuple[Floats, Floats]:
    """A membrane of first order changed from one buffer to another, read at 0.1 mV like a common converter."""
    t = np.arange(0.0, seconds, every_s)
    mv = end_mv + (start_mv - end_mv) * np.exp(-t / tau_s) + creep_mv_per_min * t / 60.0
    mv += noise_mv * np.random.default_rng(seed).standard_normal(len(t))
    return t, np.round(mv * 10) / 10


def even(t: Floats, celsius: float = 21.0) -> Floats:
    return np.full(len(t), celsius)


def test_a_quiet_electrode_is_stable_once_its_membrane_has_come_to_rest() -> None:
    t, mv = dip(200)
    stable = [n for n in range(1, len(t) + 1) if judge(t[:n], mv[:n], even(t[:n])).is_stable]
    # Worked by hand: a line through 30 s of the rest step * exp(-t / tau) has a slope of about
    # step / tau * exp(-t / tau) at their middle; it is 0.3 mV/min where t = tau ln(step / tau * 60 / 0.3).
    middle_s = 12.0 * math.log(171.0 / 12.0 * 60.0 / 0.3)
    assert stable[0] == pytest.approx(middle_s + 15.0, abs=6.0)
    assert stable == list(range(stable[0], len(t) + 1))
    found = judge(t, mv, even(t))
    assert (found.potential_mv, found.temperature_c, found.state) == (171.0, 21.0, StabilityState.STABLE)


def test_line_and_noise_are_those_of_an_independent_regression() -> None:
    t, mv = dip(300, noise_mv=0.1, creep_mv_per_min=0.1)
    found, last = judge(t, mv, even(t)), slice(-31, None)
    line = stats.linregress(t[last], mv[last])  # scipy: slope and its standard error
    assert found.drift_mv_per_min == pytest.approx(60 * line.slope, rel=1e-9)
    assert found.u_drift_mv_per_min == pytest.approx(60 * line.stderr, rel=1e-9)
    rest = mv[last] - line.slope * t[last] - line.intercept
    assert found.noise_mv == pytest.approx(np.sqrt(np.sum(rest**2) / 29), rel=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_noise_of_a_sound_electrode_does_not_keep_it_from_being_taken(seed: int) -> None:
    # 0.25 mV is what a common electrode shows (common practice, no source); alone, 30 s of it know the drift to
    # 0.25 * sqrt(12) / 30^1.5 * 60 = 0.32 mV/min, the limit itself, so a longer window is needed.
    t, mv = dip(300, noise_mv=0.25, seed=seed)
    found = judge(t, mv, even(t))
    assert (found.state, found.window_s > 30) == (StabilityState.STABLE, True)
    assert found.noise_mv == pytest.approx(0.25, rel=0.3)
    assert found.potential_mv == pytest.approx(171.0, abs=0.15)


@pytest.mark.parametrize("seed", range(20))
def test_a_creep_of_twice_the_limit_is_never_taken_whatever_the_noise(seed: int) -> None:
    for noise in (0.0, 0.1, 0.25, 0.4):
        t, mv = dip(300, noise_mv=noise, creep_mv_per_min=0.6, seed=seed)
        assert not judge(t, mv, even(t)).is_stable


@pytest.mark.parametrize(("creep", "stable"), [(0.2, True), (0.28, True), (0.33, False), (1.0, False)])
def test_the_limit_of_the_drift_is_kept(creep: float, *, stable: bool) -> None:
    t = np.arange(0.0, 60.0)
    assert judge(t, 100.0 + creep * t / 60.0, even(t)).is_stable is stable


def test_a_lone_spike_is_noise_and_no_movement() -> None:
    t, mv = dip(200)
    mv[-10] += 0.6
    assert judge(t, mv, even(t)).range_mv == 0.0


@pytest.mark.parametrize(
    ("rate", "standing"), [(0.1, StabilityState.STABLE), (0.3, StabilityState.WARMING), (-0.3, StabilityState.WARMING)]
)
def test_a_bath_that_is_still_warming_is_waited_for(rate: float, standing: StabilityState) -> None:
    t, mv = dip(200)
    assert judge(t, mv, 20.0 + rate * t / 60.0).state is standing


def test_other_troubles_are_told_apart() -> None:
    t, mv = dip(200)
    silent = np.where(np.arange(len(t)) % 3 == 0, mv, NAN)
    wild = dip(200, noise_mv=3.0)[1]
    assert judge(t, silent, even(t)).state is StabilityState.SILENT
    assert judge(t, wild, even(t)).state is StabilityState.NOISY
    assert judge(t[:40], mv[:40], even(t[:40])).state is StabilityState.DRIFTING
    assert judge(t[:9], mv[:9], even(t[:9])).state is StabilityState.WAITING
    assert judge(t[:0], mv[:0], t[:0]).state is StabilityState.WAITING


def test_without_a_thermometer_nothing_is_called_stable() -> None:
    t, mv = dip(200)
    assert judge(t, mv, np.full(len(t), NAN)).state is StabilityState.WARMING


def test_a_few_lost_readings_change_nothing() -> None:
    t, mv = dip(200)
    mv[::4] = NAN
    assert judge(t, mv, even(t)).is_stable


def test_readings_ten_seconds_apart_are_judged_too() -> None:
    t, mv = dip(300, every_s=10.0)
    assert judge(t, mv, even(t)).is_stable
    assert judge(t[:3], mv[:3], even(t[:3])).state is StabilityState.WAITING


@given(st.floats(-1e6, 1e6), st.floats(-500, 500))
def test_neither_the_origin_of_time_nor_the_height_of_the_potential_matters(origin: float, height: float) -> None:
    t, mv = dip(120, noise_mv=0.1)
    plain, moved = judge(t, mv, even(t)), judge(t + round(origin), mv + height, even(t))
    assert moved.state is plain.state
    assert moved.drift_mv_per_min == pytest.approx(plain.drift_mv_per_min, abs=1e-6)


def test_every_standing_has_its_advice_but_the_good_one() -> None:
    t, mv = dip(200)
    silent = np.where(np.arange(len(t)) % 3 == 0, mv, NAN)
    assert advice(judge(t, mv, even(t))) == ""
    assert "plug" in advice(judge(t, silent, even(t)))
    assert "room" in advice(judge(t, mv, 20.0 + t / 60.0))
    assert "junction" in advice(judge(t[:40], mv[:40], even(t[:40])))
    assert "bubble" in advice(judge(t, dip(200, noise_mv=3.0)[1], even(t)))


@pytest.mark.parametrize("tau_s", [2.0, 5.0, 12.0, 25.0, 60.0])
def test_the_time_constant_is_found_again(tau_s: float) -> None:
    t, mv = dip(round(8 * tau_s) + 10, tau_s=tau_s, noise_mv=0.25)
    found = settling(t, mv)
    assert found is not None
    assert found.tau_s == pytest.approx(tau_s, rel=0.02)
    # First-order systems reach 95 % of a step after 3.0 time constants (ln 20 = 2.9957).
    assert found.t95_s == pytest.approx(2.9957 * tau_s, rel=0.02)
    assert (found.final_mv, found.step_mv) == (pytest.approx(171.0, abs=0.3), pytest.approx(-171.0, abs=2.0))


@pytest.mark.parametrize("seed", range(5))
def test_the_curve_is_that_of_scipys_least_squares(seed: int) -> None:
    t, mv = dip(120, noise_mv=0.5, seed=seed)

    def curve(t: Floats, final: float, step: float, tau: float) -> Floats:
        return final + step * np.exp(-t / tau)

    expected, _ = optimize.curve_fit(curve, t, mv, p0=(170.0, -170.0, 10.0))
    found = settling(t, mv)
    assert found is not None
    assert (found.final_mv, found.step_mv, found.tau_s) == pytest.approx(tuple(expected), rel=2e-3)


def test_what_was_read_on_the_way_between_the_glasses_is_left_out() -> None:
    _, mv = dip(120, noise_mv=0.1)
    way = np.array([6.0, 5.5, 3.0, 1.0])
    found = settling(np.arange(124.0), np.concatenate([way, mv]))
    assert found is not None
    assert found.tau_s == pytest.approx(12.0, rel=0.05)


def test_where_nothing_settled_no_time_is_told() -> None:
    t, mv = dip(120)
    assert settling(t[:5], mv[:5]) is None
    assert settling(t, np.full(len(t), 6.1)) is None
    assert settling(t, 6.1 + 0.3 * np.random.default_rng(1).standard_normal(len(t))) is None
    assert settling(t, t * 0.5) is None  # it is still on its way
    assert settling(t, np.full(len(t), NAN)) is None


def test_ln20_is_that_of_the_library() -> None:
    assert math.log(20.0) == LN20
