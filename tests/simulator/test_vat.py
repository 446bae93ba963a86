"""The vat model against solutions that it does not share code with."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, signal

from logger.structs import replace
from simulator.noise import Noise
from simulator.runs import FINISHED, MARROW, STARTER, WILD
from simulator.vat import (
    HeaterFailure,
    Room,
    Titration,
    Vat,
    acid_for,
    course,
    draw_vat,
    first_order_lag,
    pulse_response,
    room_temperature,
)
from tests.examples import examples

WATER = replace(MARROW, buffers_mm=(0.0, 0.0, 0.0), ph_start=7.0, sugar_mm=200.0)


def electroneutral_ph(vat: Vat, acid_mm: float) -> float:
    """Solve the charge balance in mol/L with a bracketing root finder; written from the textbook, not from vat.py."""

    def anions(h: float, acid: float) -> float:
        matrix = zip((4.3, 5.3, 6.6), vat.buffers_mm, strict=True)
        lactate = acid / (1 + h / 10**-3.86)
        return 1e-14 / h + lactate + sum(c / 1000 / (1 + h / 10**-pka) for pka, c in matrix)

    start = 10**-vat.ph_start
    cations = anions(start, 0.0) - start
    return float(optimize.brentq(lambda ph: cations + 10**-ph - anions(10**-ph, acid_mm / 1000), 1.0, 12.0, xtol=1e-12))


def test_a_tenth_molar_lactic_acid_has_the_ph_of_the_textbook() -> None:
    # x^2 / (0.1 - x) = 10^-3.86 (weak acid alone in water); general chemistry texts print 2.4 (from memory)
    ka = 10**-3.86
    by_hand = -math.log10((-ka + math.sqrt(ka * ka + 4 * ka * 0.1)) / 2)
    assert Titration(WATER).ph(100.0) == pytest.approx(by_hand, abs=1e-3)
    assert by_hand == pytest.approx(2.44, abs=0.005)


def test_a_half_neutralised_weak_acid_has_the_ph_of_its_pka() -> None:
    # Henderson and Hasselbalch; one matrix buffer of pKa 5.3, half of it neutralised before lactic acid comes
    vat = replace(WATER, buffers_mm=(0.0, 40.0, 0.0), ph_start=5.3)
    assert Titration(vat).ph(0.0) == pytest.approx(5.3, abs=1e-6)


@settings(max_examples=examples(60))
@given(
    acid=st.floats(0.0, 150.0),
    buffers=st.tuples(st.floats(4, 35), st.floats(4, 35), st.floats(4, 35)),
    start=st.floats(5.3, 6.5),
)
def test_the_table_agrees_with_a_root_of_the_charge_balance(
    acid: float, buffers: tuple[float, float, float], start: float
) -> None:
    vat = replace(MARROW, buffers_mm=buffers, ph_start=start)
    assert Titration(vat).ph(acid) == pytest.approx(electroneutral_ph(vat, acid), abs=1e-3)


def test_no_acid_leaves_the_ph_of_the_filling() -> None:
    assert acid_for(MARROW, MARROW.ph_start) == pytest.approx(0.0, abs=1e-12)
    assert Titration(MARROW).ph(0.0) == pytest.approx(MARROW.ph_start, abs=1e-4)


def test_a_first_order_lag_follows_the_analytic_step_response() -> None:
    hours = np.arange(0, 48, 1 / 60)
    room = np.full(hours.shape, 10.0)
    assert first_order_lag(room, 1 / 60, tau=9.0, start=20.0) == pytest.approx(10 + 10 * np.exp(-hours / 9.0), abs=1e-9)


def test_a_first_order_lag_agrees_with_scipy_on_a_wave() -> None:
    hours = np.arange(0, 72, 1 / 60)
    wave = 10 * np.sin(2 * np.pi * hours / 24)
    _, expected, _ = signal.lsim(([1.0], [12.0, 1.0]), wave, hours)
    assert first_order_lag(wave, 1 / 60, tau=12.0, start=0.0) == pytest.approx(expected, abs=1e-9)


def test_a_room_swing_of_20_becomes_about_6_in_the_vat() -> None:
    # gain of a first-order lag: 1 / sqrt(1 + (w tau)^2); from a trial on simulated vats: 20 C become about 6 C
    c = course(replace(MARROW, age_h=96.0, lag_h=12.0), Room(swing_c=20.0), hours=48.0, start_hour=0.0)
    last = c.temperature_c[c.hours >= 0]
    assert np.ptp(last) == pytest.approx(20 / math.hypot(1, 2 * math.pi / 24 * 12), abs=0.05)
    assert np.ptp(last) == pytest.approx(6.0, abs=0.5)


def test_a_pulse_is_the_first_order_response_to_a_rectangle() -> None:
    hours = np.arange(0, 12, 1e-3)
    rectangle = ((hours >= 2.0) & (hours < 5.0)).astype(float)
    expected = first_order_lag(rectangle, 1e-3, tau=0.7)
    assert pulse_response(hours, 2.0, 5.0, tau_h=0.7) == pytest.approx(expected, abs=2e-3)  # one step wide edges


def test_the_room_is_warmest_at_its_hour_and_cools_when_the_heater_fails() -> None:
    room = Room(mean_c=18.0, swing_c=4.0, warmest_h=15.0, failures=(HeaterFailure(start_h=6, end_h=30, drop_c=5.0),))
    air = room_temperature(room, np.array([3.0, 27.0]), start_hour=12.0)
    assert air == pytest.approx([20.0, 15.0], abs=1e-9)


@pytest.mark.parametrize("temperature_c", [2.0, 10.0, 15.0, 25.0, 30.0])
def test_the_square_root_of_the_growth_rate_is_linear_in_temperature(temperature_c: float) -> None:
    # Ratkowsky et al. 1982 (from memory): sqrt(mu) = b (T - Tmin)
    root = math.sqrt(MARROW.early.temperature_factor(temperature_c))
    assert root == pytest.approx((temperature_c + 1.5) / 21.5)


def test_nothing_grows_below_its_lowest_temperature_or_ph() -> None:
    assert (MARROW.early.temperature_factor(-5.0), MARROW.early.ph_factor(4.0), MARROW.early.ph_factor(6.5)) == (
        0.0,
        0.0,
        1.0,
    )


def test_halving_the_step_hardly_moves_the_course() -> None:
    coarse = course(MARROW, Room(), hours=14.0, start_hour=18.0)
    fine = course(MARROW, Room(), hours=14.0, start_hour=18.0, step_s=30.0)
    assert np.max(np.abs(coarse.ph - fine.ph[::2])) < 0.01


def test_acid_never_exceeds_the_sugar_and_ph_never_rises_without_film_yeast() -> None:
    c = course(FINISHED, Room(), hours=14.0, start_hour=18.0)
    assert c.acid_mm[-1] <= FINISHED.sugar_mm
    assert np.all(np.diff(c.ph) <= 1e-12)


def hours_to_46(vat: Vat) -> float:
    c = course(vat, Room(), hours=240.0, start_hour=18.0, step_s=300.0)
    below = c.ph <= 4.6
    return float(c.hours[below.argmax()]) if below.any() else math.inf


@pytest.mark.parametrize(
    ("vat", "low", "high"),
    # from a trial on simulated vats: their 5 to 95 %
    [pytest.param(WILD, 39.0, 131.0, id="wild"), pytest.param(STARTER, 26.0, 105.0, id="starter")],
)
def test_healthy_vats_cross_46_when_such_vats_do(vat: Vat, low: float, high: float) -> None:
    times = np.array([hours_to_46(draw_vat(vat, Noise(seed))) for seed in range(30)])
    assert low < np.median(times) < high
    assert np.mean((low < times) & (times < high)) >= 0.8


def test_a_starter_is_quicker_than_none() -> None:
    assert hours_to_46(STARTER) < hours_to_46(WILD)


def test_a_cold_vat_is_slower() -> None:
    warm = course(replace(MARROW, age_h=0.0), Room(mean_c=22.0), hours=60.0, start_hour=0.0)
    cold = course(replace(MARROW, age_h=0.0), Room(mean_c=12.0), hours=60.0, start_hour=0.0)
    assert warm.ph[-1] < 4.4
    assert cold.ph[-1] > 5.5


def test_topping_up_takes_acid_out_and_raises_the_ph_by_what_the_charges_say() -> None:
    vat = FINISHED
    plain = course(vat, Room(), hours=2.0, start_hour=18.0)
    topped = course(vat, Room(), hours=2.0, start_hour=18.0, dilutions={1.0: 0.3})
    at = np.flatnonzero(plain.hours == 1.0)[0]
    np.testing.assert_array_equal(topped.ph[: at + 1], plain.ph[: at + 1])
    assert topped.acid_mm[at + 1] == pytest.approx(0.7 * plain.acid_mm[at + 1], rel=1e-3)
    assert topped.ph[at + 1] == pytest.approx(electroneutral_ph(vat, topped.acid_mm[at + 1]), abs=2e-4)
