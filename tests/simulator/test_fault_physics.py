"""Named faults against facts from outside. Where no source is named: common practice, no source."""

from functools import cache

import numpy as np
import pytest
from scipy import constants

from logger.structs import replace
from simulator.electrode import Electrode, nernst_slope_mv
from simulator.rig import Rig
from simulator.runs import find_run
from simulator.vat import Vat
from tests.parts.named_faults import SOURING, STILL, with_effects

QUIET = Electrode(slope=1.0, offset_mv=0.0, drift_mv_per_day=0.0, noise_mv=0.0, wander_mv=0.0, thermometer_noise_c=0.0)
HOURS = 30.0
STEP_MV, STEP_C = 0.06, 0.006
"""Half a step of the converter, and a little."""


@cache
def rig(*texts: str, vat: Vat = STILL) -> Rig:
    run = replace(find_run("quiet-night"), vat=vat, electrode=QUIET, hours=HOURS)
    return Rig(with_effects(run, *texts), 2)


def at(hours: float | np.ndarray) -> np.ndarray:
    second: np.ndarray = np.rint(np.atleast_1d(hours) * 3600).astype(np.int64)
    return second


def mv(hours: float | np.ndarray, *texts: str, vat: Vat = STILL) -> np.ndarray:
    held: np.ndarray = rig(*texts, vat=vat).conversions(at(hours)).potential_mv
    return held


def celsius(hours: float | np.ndarray, *texts: str, vat: Vat = STILL) -> np.ndarray:
    held: np.ndarray = rig(*texts, vat=vat).conversions(at(hours)).temperature_c
    return held


def ph(hours: float | np.ndarray, *texts: str, vat: Vat = STILL) -> np.ndarray:
    """Return pH as a perfect calibration and a perfect thermometer would see it."""
    return 7.0 - mv(hours, *texts, vat=vat) / nernst_slope_mv(rig(*texts, vat=vat).bulb_c(at(hours)))


def vat_ph(hours: float, *texts: str, vat: Vat = STILL) -> float:
    course = rig(*texts, vat=vat).course
    return float(np.interp(hours, course.hours, course.ph))


def nernst_mv(ph: float, temperature_c: float) -> float:
    # SciPy's CODATA constants; isopotential point at pH 7
    kelvin = constants.convert_temperature(temperature_c, "Celsius", "Kelvin")
    return float(1000 * constants.R * kelvin * np.log(10) / constants.value("Faraday constant") * (7 - ph))


@pytest.mark.parametrize("tau_h", [3.0, 6.0, 12.0])
def test_a_damp_plug_drains_the_potential_as_a_resistance_drains_a_capacitor(tau_h: float) -> None:
    # RC discharge: 36.8 %, 13.5 % and 5.0 % after 1, 2 and 3 time constants (textbook table, from memory)
    for taus, left in ((1, 0.368), (2, 0.135)):
        hour = 3.0 + taus * tau_h
        assert mv(hour, f"damp-plug@3:{tau_h}")[0] == pytest.approx(left * mv(hour)[0], rel=0.005)
    assert ph(29.0, "damp-plug@3:3")[0] == pytest.approx(7.0, abs=0.01)


def test_a_hairline_crack_takes_two_fifths_of_the_slope_in_36_hours_and_a_short_takes_all() -> None:
    assert mv(21.0, "hairline-crack@3")[0] == pytest.approx(0.8 * mv(21.0)[0], abs=STEP_MV)  # half of the time
    assert np.abs(mv(np.arange(3.0, 29.0, 0.1), "cracked-bulb@3")).max() < 10.0


def test_a_reference_that_drifts_by_a_ph_a_day_moves_the_potential_by_a_nernst_slope_a_day() -> None:
    # 58.17 mV at 20 C (USP <791> Table 1, last digit rounded up)
    assert mv(27.0, "reference-drift@3:1")[0] - mv(27.0)[0] == pytest.approx(58.17, abs=0.2)
    assert ph(27.0, "reference-drift@3:-0.5")[0] - ph(27.0)[0] == pytest.approx(0.5, abs=0.002)


def test_an_offset_of_25_mv_is_some_four_tenths_of_ph() -> None:
    assert mv(4.0, "offset@3")[0] - mv(4.0)[0] == pytest.approx(25.0, abs=0.11)
    assert ph(4.0)[0] - ph(4.0, "offset@3")[0] == pytest.approx(25.0 / 58.17, abs=0.004)  # USP <791> Table 1


@pytest.mark.parametrize(("name", "half_h"), [("heater-leakage-10-min", 1 / 6), ("heater-leakage-2-h", 2.0)])
def test_leakage_comes_and_goes(name: str, half_h: float) -> None:
    middles = 3.0 + half_h * (np.arange(6) + 0.5)
    assert mv(middles, f"{name}@3:40") - mv(middles) == pytest.approx([40.0, 0.0] * 3, abs=0.11)


@pytest.mark.parametrize("buffer", [4.01, 6.86, 9.18])
def test_in_a_buffer_glass_it_reads_the_buffer_at_the_rooms_temperature(buffer: float) -> None:
    course = rig().course
    room = float(np.interp(5.0, course.hours, course.room_c))
    assert celsius(5.0, f"buffer-glass@3:{buffer}")[0] == pytest.approx(room, abs=STEP_C)
    assert mv(5.0, f"buffer-glass@3:{buffer}")[0] == pytest.approx(nernst_mv(buffer, room), abs=STEP_MV)


def test_a_rinse_glass_reads_near_7_and_wanders() -> None:
    values = ph(np.arange(3.1, 29.0, 0.1), "rinse-glass@3")
    assert np.median(values) == pytest.approx(7.0, abs=0.15)
    assert 0.15 < values.std() < 0.45


def test_still_air_cools_the_bulb_by_a_first_order_response_and_the_film_keeps_the_old_ph() -> None:
    # one time constant: 63.2 % of the step (IEC 60751, thermal response, names 50 % and 63.2 %; from memory)
    hour = 3.0 + 300 / 3600
    assert celsius(hour)[0] - celsius(hour, "still-air@3:4")[0] == pytest.approx(0.632 * 4.0, abs=0.02)
    assert celsius(9.0)[0] - celsius(9.0, "still-air@3:2")[0] == pytest.approx(2.0, abs=0.011)
    assert celsius(9.0, "still-air@3:0") == celsius(9.0)
    held = ph(3.0, vat=SOURING)[0]
    early = ph(np.arange(3.0, 3.2, 0.01), "still-air@3", vat=SOURING)
    assert np.median(early) == pytest.approx(held, abs=0.05)
    calm = ph(np.arange(3.0, 13.0, 0.1), "calm-air@3", vat=SOURING)
    assert np.abs(calm - held).max() < 0.2 < held - ph(13.0, vat=SOURING)[0]


def test_draughty_air_is_noisy_and_colder_than_the_room() -> None:
    hours = np.arange(3.2, 9.0, 0.01)
    assert np.median(celsius(hours) - celsius(hours, "draughty-air@3:2")) == pytest.approx(2.0, abs=0.6)
    assert np.diff(ph(hours, "draughty-air@3")).std() > 5 * np.diff(ph(hours, "still-air@3")).std() / 2


def test_foam_and_a_coating_follow_as_a_first_order_lag() -> None:
    # step and ramp of a first-order system: 1 - exp(-t/tau), and a lag of rate times tau (textbook, from memory)
    for hours in (2.0, 4.5, 13.5):
        risen = ph(3.0 + hours, "foam@3:0.25")[0] - ph(3.0 + hours)[0]
        assert risen == pytest.approx(0.25 * (1 - np.exp(-hours / 4.5)), abs=0.005)
    rising = "mould-rise@14:0.1"
    late = ph(19.0, rising, vat=SOURING)[0] - ph(19.0, "coating@3:0.5", rising, vat=SOURING)[0]
    assert late == pytest.approx(0.1 * 0.5, abs=0.003)


def test_a_dry_junction_wanders_by_tenths_of_ph_within_half_an_hour() -> None:
    values = ph(np.arange(3.1, 29.0, 0.5), "dry-junction@3")
    assert np.median(np.abs(np.diff(values))) > 0.25
    assert abs(np.median(values) - ph(9.0)[0]) < 0.3


def test_a_thermometer_in_fahrenheit_and_one_that_is_broken_leave_the_potential_alone() -> None:
    expected = constants.convert_temperature(celsius(5.0), "Celsius", "Fahrenheit")
    assert celsius(5.0, "thermometer-in-fahrenheit@3") == pytest.approx(expected, abs=0.015)
    for size in (85.0, 0.0, -127.0):
        assert celsius(5.0, f"thermometer-fixed@3:{size}")[0] == size
        assert mv(5.0, f"thermometer-fixed@3:{size}") == mv(5.0)
    hours = np.arange(4.0, 29.0, 0.5)
    assert len(np.unique(celsius(hours, "thermometer-stuck@3", "vat-cooled@3:8"))) == 1
    assert rig("vat-cooled@3:8").bulb_c(at(29.0))[0] == pytest.approx(8.0, abs=0.7)
    assert set(np.rint(celsius(hours, "thermometer-jumps@3") - celsius(hours))) == {0.0, 5.0}


def test_a_toggling_digit_shows_two_values_of_each_and_a_frozen_own_ph_one_ph() -> None:
    hours = np.arange(3.0, 29.0, 0.01)
    assert np.ptp(mv(hours, "toggling-digit@3")) == pytest.approx(0.1)
    assert len(np.unique(mv(hours, "toggling-digit@3"))) == len(np.unique(celsius(hours, "toggling-digit@3"))) == 2
    shown = celsius(hours, "frozen-own-ph@3")
    own = 7.0 - mv(hours, "frozen-own-ph@3") / nernst_slope_mv(shown)
    assert (np.ptp(own) < 1e-9, np.ptp(shown) > 0.3) == (True, True)


def test_a_flapping_connector_is_open_for_its_share_and_a_restart_settles_from_nought() -> None:
    hours = np.arange(3.0, 29.0, 5 / 3600)
    away = np.abs(mv(hours, "connector-flapping@3:0.35") - mv(hours)) > 0.2
    assert away.mean() == pytest.approx(0.35, abs=0.02)
    assert mv(3.0 + np.arange(3) / 3, "restarting@3").tolist() == [0.0] * 3
    settled = mv(3.0 + 90 / 3600, "restarting@3")[0] / mv(3.0 + 90 / 3600)[0]
    assert settled == pytest.approx(0.632, abs=0.002)


def test_a_factor_of_the_unit_or_range_is_one_of_the_potential() -> None:
    assert mv(5.0, "unit-changed@3:1000")[0] == pytest.approx(1000 * mv(5.0)[0], abs=1000 * STEP_MV)
    assert mv(5.0, "range-changed@3")[0] == pytest.approx(0.1 * mv(5.0)[0], abs=STEP_MV)
    assert mv(5.0, "defaults-restored@3")[0] == pytest.approx(0.95 * mv(5.0)[0] + 30.0, abs=2 * STEP_MV)


@pytest.mark.parametrize("minutes", [20, 60])
def test_a_refrigerator_swings_the_brine_at_the_probe_by_its_size_in_its_period(minutes: int) -> None:
    hours = np.arange(3.0, 9.0, 1 / 60)
    swing = celsius(hours, f"refrigerator-{minutes}-min:1") - celsius(hours)
    assert (swing.max(), swing.min()) == pytest.approx((1.0, -1.0), abs=0.02)
    assert np.corrcoef(swing[minutes:], swing[:-minutes])[0, 1] > 0.999


def test_plumes_are_warm_and_pass() -> None:
    rise = celsius(np.arange(0.0, 29.0, 1 / 60), "warm-plumes") - celsius(np.arange(0.0, 29.0, 1 / 60))
    assert (rise.min(), rise.max()) == pytest.approx((0.0, 0.25), abs=0.011)
    assert 0.2 < (rise > 0.02).mean() < 0.6


def test_displays_and_thermometers_of_few_digits_round_to_them() -> None:
    hours = np.arange(3.0, 9.0, 0.02)
    assert np.array_equal(mv(hours, "display-mv"), np.rint(mv(hours)))
    assert np.array_equal(celsius(hours, "thermometer-steps:0.5"), np.rint(celsius(hours) * 2) / 2)
    own = 7.0 - mv(hours, "display-ph:0.1") / nernst_slope_mv(celsius(hours))
    assert own == pytest.approx(np.rint(own * 10) / 10, abs=1e-9)
    assert np.abs(own - ph(hours)).max() < 0.0501 + STEP_MV / 58.0


def test_noise_has_its_standard_deviation_and_hum_that_of_a_sine() -> None:
    hours = np.arange(3.0, 9.0, 10 / 3600)
    on = np.mod(np.rint(hours * 3600), 1200) < 300
    assert (mv(hours, "stirrer-noise") - mv(hours)).std() == pytest.approx(8.0, rel=0.05)
    pumped = mv(hours, "pump-noise") - mv(hours)
    assert (pumped[on].std(), pumped[~on].std()) == pytest.approx((8.0, 0.0), rel=0.1, abs=1e-9)
    hum = mv(hours, "mains-hum") - mv(hours)
    assert (hum.std(), np.abs(hum).max()) == pytest.approx((10.0 / 2**0.5, 10.0), rel=0.05)  # RMS of a sine
    warm = celsius(hours, "thermometer-noise") - celsius(hours)
    assert warm.std() == pytest.approx(0.2, rel=0.05)


def test_gas_cushions_lie_5_to_20_minutes_and_in_half_of_the_stretches() -> None:
    second = np.arange(0, 29 * 3600, 10)
    lies = np.abs(mv(second / 3600, "gas-cushions") - mv(second / 3600))
    minutes = np.bincount(second // 2400, weights=(lies > 0.05) / 6.0)
    assert 5.0 < lies.max() <= 15.1
    assert minutes.max() <= 20.1
    assert 0.3 < (minutes > 0).mean() < 0.7


def test_a_cold_top_up_is_a_heat_balance_and_warms_as_newtons_law_says() -> None:
    # mixing: T = (1 - part) vat + part brine; Newton's law of cooling: exp(-t/tau) (textbook); tau: the vat's lag, 6 h
    fall = [celsius(3.0 + hours)[0] - celsius(3.0 + hours, "cold-top-up@3:4")[0] for hours in (1 / 60, 6.0)]
    assert fall == pytest.approx([4.0, 4.0 * np.exp(-1.0)], abs=0.03)
    acid = [
        np.interp(3.02, rig(*texts).course.hours, rig(*texts).course.acid_mm) for texts in ((), ("cold-top-up@3:4",))
    ]
    assert acid[1] == pytest.approx(0.75 * acid[0], rel=0.01)  # 4 C of 16 C: a quarter of the liquid


def test_a_heated_vat_is_warm_and_ferments_faster() -> None:
    assert celsius(9.0, "vat-heated@3:33")[0] == pytest.approx(33.0, abs=0.5)
    assert vat_ph(9.0, "vat-heated@3", vat=SOURING) < vat_ph(9.0, vat=SOURING) - 0.1


@pytest.mark.parametrize("start", [14.0, 20.0])
def test_a_spill_moves_the_vats_ph_in_20_minutes_and_mould_by_its_rate(start: float) -> None:
    before = vat_ph(start, vat=SOURING)
    assert vat_ph(start + 1 / 3, f"lye-spill@{start}", vat=SOURING) - before == pytest.approx(0.3, abs=0.01)
    assert vat_ph(start + 1 / 3, f"acid-spill@{start}", vat=SOURING) - before == pytest.approx(-0.3, abs=0.01)
    for rate in (0.02, 0.05, 0.1):
        risen = vat_ph(start + 4.0, f"mould-rise@{start}:{rate}", vat=SOURING) - before
        assert risen == pytest.approx(4 * rate, abs=0.01)


def test_stirring_leaves_the_brine_at_the_probe_higher_and_the_vat_as_it_was() -> None:
    later = ph(np.array([3.2, 9.1, 27.0]), "stirring@3:0.1") - ph(np.array([3.2, 9.1, 27.0]))
    assert later == pytest.approx([0.097, 0.036, 0.002], abs=0.004)
    assert np.ptp(ph(3.0 + np.arange(300) / 3600, "stirring@3")) > 0.6
