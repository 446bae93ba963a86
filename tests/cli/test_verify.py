"""`vatvigil verify --spot`, and what is refused; the live check is driven in `tests/e2e/test_calibrating.py`."""

from pathlib import Path

import pytest

from logger.store import Store, queries
from tests.cli.cli_fixture import SECOND_US, House, answering, now_us

SPOT = ("verify", "marrow-probe", "--spot", "4.40", "--u", "0.05", "--instrument", "hand meter 2", "--by", "tova")
"""150.0 mV at 20 C on the two points of the house reads close to this."""


@pytest.fixture
def house(tmp_path: Path) -> House:
    """Return a house whose probe stood in the vat for some minutes."""
    house = House(folder=tmp_path)
    with house.watch() as watching:
        begin_us = now_us() - 400 * SECOND_US
        watching.calibrate(begin_us - SECOND_US)
        watching.take([150.0 + 0.1 * (k % 3) for k in range(40)], first_us=begin_us)
    return house


def checks(house: House) -> int:
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        return len(queries.checks(store, "marrow-probe"))


def newest_ph(house: House) -> float:
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        return float(queries.latest(store, "marrow-probe").ph[-1])


def test_a_spot_measurement_is_stored_beside_the_probes_median_and_noted_by_the_daemon(house: House) -> None:
    with answering(house):
        told = house.json(*SPOT, "--wait", "20")
    assert (told["asked"]["applied"], "read 4.40, the probe" in told["asked"]["text"]) == (True, True)
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        (check,) = queries.checks(store, "marrow-probe")
        (carry,) = queries.watches(store).values()
    assert (check.kind, check.instrument, check.by, check.vat) == ("spot", "hand meter 2", "tova", "marrow")
    assert (check.reference_ph, check.u_reference_ph, check.passed) == (4.40, 0.05, True)
    assert check.deviation_ph == pytest.approx(newest_ph(house) - 4.40, abs=0.01)
    assert carry.electrode.estimate is not None
    assert any(carry.electrode.estimate.steady.mean)
    assert carry.electrode.calibration is not None
    assert carry.electrode.calibration.id == 1  # the zero was not moved


def test_what_a_script_gets(house: House) -> None:
    told = house.json(*SPOT, "--wait", "0.2")
    assert sorted(told) == ["asked", "check", "doubt", "simulated"]
    assert (told["check"]["id"], told["check"]["passed"], told["doubt"]["believed"]) == (1, True, True)
    assert told["check"]["at"].endswith("Z")


def test_far_off_fails_with_what_to_do_and_exit_code_3(house: House) -> None:
    result = house.do("verify", "marrow-probe", "--spot", "4.1", "--u", "0.2", "--instrument", "strip", "--wait", "0.2")
    assert result.exit_code == 3
    assert result.stdout.startswith("FAIL: the probe reads pH 4.37")
    assert "A spot measurement never moves the probe's zero" in " ".join(result.stdout.split())
    assert [line for line in result.stdout.splitlines() if len(line) > 80] == []


def test_the_tolerance_is_the_askers(house: House) -> None:
    assert (
        house.do(
            "verify", "marrow-probe", "--spot", "4.1", "--u", "0.2", "--tolerance", "0.5", "--wait", "0.2"
        ).exit_code
        == 0
    )


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        ((), 2, "give one of --buffer ID, --spot PH and --in-buffer PH"),
        (
            ("--buffer", "gbt-phthalate", "--spot", "4.4", "--u", "0.05"),
            2,
            "give one of --buffer ID, --spot PH and --in-buffer PH",
        ),
        (("--spot", "4.4"), 2, "--spot and --u go together"),
        (("--buffer", "gbt-phthalate", "--u", "0.05"), 2, "--spot and --u go together"),
        (("--spot", "44", "--u", "0.05"), 1, "a spot measurement must be at most 13.99 pH, not 44"),
        (
            ("--spot", "4.4", "--u", "0"),
            1,
            "must be at least 0.005 pH, not 0: no display of 0.01 pH tells more than half",
        ),
        (("--spot", "4.4", "--u", "0.31"), 1, "must be at most 0.3 pH, not 0.31: so vague a value says nothing"),
        (("--spot", "4.4", "--u", "nan"), 1, "of a spot measurement must be at least 0.005 pH, not nan"),
        (("--spot", "4.4", "--u", "0.05", "--tolerance", "nan"), 2, "nan is not in the range 0.001<=x<=2.0"),
        (("--buffer", "gbt-phtalate"), 1, "did you mean 'gbt-phthalate'?"),
    ],
)
def test_what_is_no_check_is_refused_and_nothing_is_stored(
    house: House, arguments: tuple[str, ...], code: int, sentence: str
) -> None:
    result = house.do("verify", "marrow-probe", *arguments)
    assert (result.exit_code, result.stdout) == (code, "")
    assert sentence in " ".join(result.stderr.split())
    assert checks(house) == 0


def test_without_a_calibration_there_is_nothing_to_check(tmp_path: Path) -> None:
    bare = House(folder=tmp_path)
    with bare.watch() as watching:
        watching.take([150.0], first_us=now_us())
    result = bare.do(*SPOT)
    assert (result.exit_code, "no calibration of marrow-probe is in force" in result.stderr) == (1, True)


def test_readings_of_long_ago_are_not_the_vats_present_one(tmp_path: Path) -> None:
    old = House(folder=tmp_path)
    with old.watch() as watching:
        begin_us = now_us() - 7200 * SECOND_US
        watching.calibrate(begin_us - SECOND_US)
        watching.take([150.0, 150.1, 150.2, 150.1], first_us=begin_us)
    result = old.do(*SPOT)
    assert result.exit_code == 1
    assert "in the last 10 minutes the probe has not made 3 readings" in " ".join(result.stderr.split())


def test_a_spot_measurement_says_nothing_of_a_probe_that_is_marked_out(house: House) -> None:
    house.do("mark", "marrow", "probe-out", "--wait", "0")
    with house.watch() as watching:
        watching.take([150.0], first_us=now_us())
    result = house.do(*SPOT)
    assert (result.exit_code, checks(house)) == (1, 0)
    assert "the probe is marked out: put it back, mark it `probe-in`" in " ".join(result.stderr.split())
