"""`vatvigil electrode`."""

from pathlib import Path

import pytest

from tests.cli.cli_fixture import SECOND_US, House, now_us
from tests.cli.electrode_history import DAY_US, life


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(folder=tmp_path)


def test_the_trend_is_a_table_with_the_condition_and_the_forecast_under_it(house: House) -> None:
    life(house, now_us() - 29 * DAY_US, [0.98, 0.96, 0.945, 0.93, 0.91])
    result = house.do("electrode", "marrow-probe")
    assert (result.exit_code, result.stderr) == (0, "")
    said = " ".join(result.stdout.split())
    assert said.startswith("Electrode E1 in marrow-probe no. made slope % offset mV t95 s noise mV found off a day")
    assert "98.0 +2.0 20 0.10 - -" in said
    assert "91.0 +2.0 20 0.10 +0.040 +0.0057" in said
    assert "maintenance required (NE 107). The slope is 91.0 % of the Nernst slope, below 92 %: clean the bulb" in said
    assert "Likely about" in said
    assert max(map(len, result.stdout.splitlines())) <= 80


def test_scripts_get_the_same_as_json(house: House) -> None:
    life(house, now_us() - 29 * DAY_US, [0.98, 0.96, 0.945, 0.93, 0.91])
    told = house.json("electrode", "marrow-probe")
    assert (told["status"], told["electrode"], told["simulated"]) == ("maintenance-required", "E1", False)
    assert [round(point["slope_percent"], 2) for point in told["trend"]] == [98.0, 96.0, 94.5, 93.0, 91.0]
    assert told["forecast"]["earliest"] <= told["forecast"]["likely"] <= told["forecast"]["latest"]
    assert [one["calibrations"] for one in told["electrodes"]] == [5]


def test_too_few_calibrations_make_no_forecast(house: House) -> None:
    life(house, now_us() - DAY_US - SECOND_US, [0.98])
    assert house.json("electrode", "marrow-probe")["forecast"]["text"] == (
        "Not enough data yet to say when the slope leaves 85 %: 1 of the 4 calibrations that a forecast needs."
    )


def test_a_probe_without_calibrations_says_how_to_make_one(house: House) -> None:
    with house.watch():
        pass
    said = " ".join(house.do("electrode", "marrow-probe").stdout.split())
    assert "`vatvigil calibrate marrow-probe` guides you" in said


def test_an_unknown_probe_is_refused_with_the_nearest(house: House) -> None:
    result = house.do("electrode", "marow-probe")
    assert (result.exit_code, result.stderr) == (
        1,
        "Error: the configuration has no probe 'marow-probe'; did you mean 'marrow-probe'?\n",
    )


def test_a_simulated_electrode_says_so(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more="[simulation]\n")
    life(house, now_us() - 2 * DAY_US, [0.98])
    assert house.do("electrode", "marrow-probe").stdout.startswith("SIMULATED")
    assert house.json("electrode", "marrow-probe")["simulated"] is True
