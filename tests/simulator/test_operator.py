"""What somebody does with the simulated probe: the bench by physics, the words by process."""

import subprocess
import sys
import time

import numpy as np
import pytest
import serial
from scipy import constants

from logger.structs import replace
from simulator.electrode import Electrode
from simulator.operator import OperatorCommandError
from simulator.rig import Rig
from simulator.runs import find_run
from tests.parts.simulator import Start

QUIET = Electrode(slope=1.0, offset_mv=0.0, drift_mv_per_day=0.0, noise_mv=0.0, wander_mv=0.0, thermometer_noise_c=0.0)
TAU_S = QUIET.tau_s


def quiet_rig(electrode: Electrode = QUIET) -> Rig:
    return Rig(replace(find_run("quiet-night"), electrode=electrode), seed=1)


def mv(rig: Rig, second: int) -> float:
    return float(rig.conversions(np.array([second])).potential_mv[0])


def celsius(rig: Rig, second: int) -> float:
    return float(rig.conversions(np.array([second])).temperature_c[0])


def nernst_mv(ph: float, temperature_c: float) -> float:
    # SciPy's CODATA constants; isopotential point at pH 7, mV falls as pH rises
    kelvin = constants.convert_temperature(temperature_c, "Celsius", "Kelvin")
    return float(1000 * constants.R * kelvin * np.log(10) / constants.value("Faraday constant") * (7 - ph))


def test_in_a_buffer_it_ends_at_the_buffers_potential() -> None:
    rig = quiet_rig()
    rig.execute("dip 4.01", 100)
    assert mv(rig, 100 + 600) == pytest.approx(nernst_mv(4.01, 25.0), abs=0.06)  # steps of 0.1 mV
    assert celsius(rig, 100 + 600) == pytest.approx(25.0, abs=0.006)


def test_it_settles_by_its_own_first_order_response_from_where_it_was() -> None:
    rig = quiet_rig()
    rig.execute("dip 6.86 25", 100)
    rig.execute("dip 4.01 25", 1000)  # at one temperature the potential follows the pH alone
    whole = nernst_mv(4.01, 25.0) - nernst_mv(6.86, 25.0)
    for taus in (1, 2, 3):
        part = (mv(rig, 1000 + round(taus * TAU_S)) - nernst_mv(6.86, 25.0)) / whole
        assert part == pytest.approx(1 - np.exp(-taus), abs=0.002)


def test_nothing_jumps_at_the_moment_of_a_move() -> None:
    rig = quiet_rig()
    before = mv(rig, 100), celsius(rig, 100)
    rig.execute("dip 9.18 12", 100)
    assert (mv(rig, 100), celsius(rig, 100)) == before


def test_back_in_the_vat_it_reads_what_it_would_have_read() -> None:
    moved, never = quiet_rig(Electrode()), quiet_rig(Electrode())
    moved.execute("dip 9.18 12", 100)
    moved.execute("vat", 300)
    assert (mv(moved, 2000), celsius(moved, 2000)) == (mv(never, 2000), celsius(never, 2000))


def test_a_cracked_bulb_gives_two_fifths_of_the_slope_until_it_is_whole() -> None:
    rig = quiet_rig()
    rig.execute("dip 4.01", 0)
    rig.execute("crack", 1)
    assert mv(rig, 600) == pytest.approx(0.4 * nernst_mv(4.01, 25.0), abs=0.06)
    rig.execute("whole", 601)
    assert mv(rig, 601) == pytest.approx(nernst_mv(4.01, 25.0), abs=0.06)


def test_a_restless_one_never_settles_until_it_is_calm() -> None:
    rig = quiet_rig()
    rig.execute("dip 4.01", 0)
    rig.execute("restless", 1)
    late = np.arange(1000, 1600)
    spread = np.array([np.ptp(rig.conversions(part).potential_mv) for part in late.reshape(-1, 30)])
    assert spread.min() > 5.0
    rig.execute("calm", 1600)
    assert np.ptp(rig.conversions(late).potential_mv) == 0.0


def test_cold_buffers_are_cold_wherever_it_is_dipped_afterwards_and_where_it_stands() -> None:
    rig = quiet_rig()
    rig.execute("dip 4.01", 0)
    rig.execute("cold 12", 500)
    assert celsius(rig, 1000) == pytest.approx(12.0, abs=0.006)
    rig.execute("dip 9.18", 1000)
    assert celsius(rig, 2000) == pytest.approx(12.0, abs=0.006)
    rig.execute("dip 9.18 20", 2000)
    assert celsius(rig, 3000) == pytest.approx(20.0, abs=0.006)


@pytest.mark.parametrize(
    ("words", "error"),
    [
        ("stir", "'stir' is no word; there are: dip, vat, crack, whole, restless, calm, cold"),
        ("dip", "dip wants a pH, and a temperature (C) if you like, such as: dip 4.01 20"),
        ("dip 4 20 1", "dip wants a pH, and a temperature (C) if you like, such as: dip 4.01 20"),
        ("cold", "cold wants one number (C)"),
        ("vat 1", "vat wants no number"),
        ("dip acid", "'acid' is no number"),
        ("dip nan", "'nan' is no number"),
        ("dip 15", "15 is not from 0 to 14 pH"),
        ("cold 300", "300 is not from -5 to 95 C"),
    ],
)
def test_what_is_no_word_is_refused_and_changes_nothing(words: str, error: str) -> None:
    rig = quiet_rig()
    before = rig.operator
    with pytest.raises(OperatorCommandError) as refused:
        rig.execute(words, 10)
    assert str(refused.value) == error
    assert rig.operator == before


def test_words_on_standard_input_move_the_probe(simulator: Start) -> None:
    started = simulator("quiet-night", speed=60.0)
    started.hear("dip 9.18 20")
    with serial.Serial(started.port, timeout=2) as client:
        deadline, volts = time.monotonic() + 20, 1.0
        while volts > -0.1 and time.monotonic() < deadline:
            client.write(b"MEAS:VOLT?\n")
            volts = float(client.readline())
    assert volts < -0.1


def test_each_word_is_repeated_on_standard_error_and_the_end_of_the_words_is_not_the_end() -> None:
    command = [sys.executable, "-P", "-m", "simulator", "serve", "quiet-night", "--hours", "0.006", "--speed", "20"]
    words = "dip 4.01\nsing\n\ncrack"
    ended = subprocess.run(command, input=words, capture_output=True, text=True, timeout=60, check=True)
    assert [line for line in ended.stderr.splitlines() if "SIMULATION" not in line] == [
        "simulator: dip 4.01",
        "simulator: error: 'sing' is no word; there are: dip, vat, crack, whole, restless, calm, cold",
        "simulator: crack",
    ]


@pytest.mark.slow
def test_without_standard_input_it_serves_all_the_same() -> None:
    line = f"{sys.executable} -P -m simulator serve quiet-night --hours 0.01 --speed 20 <&-"
    ended = subprocess.run(["/bin/sh", "-c", line], capture_output=True, text=True, timeout=60, check=False)
    assert (ended.returncode, ended.stdout[:6]) == (0, "port: ")
