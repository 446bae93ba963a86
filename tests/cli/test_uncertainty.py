"""`vatvigil uncertainty`."""

from math import hypot
from pathlib import Path

import pytest

from logger.cli.uncertainty import REMEDIES
from logger.store import Store, queries
from tests.cli.cli_fixture import SECOND_US, House, now_us


@pytest.fixture
def house(tmp_path: Path) -> House:
    """Return a house with a calibration of a week ago and a reading of now."""
    house = House(folder=tmp_path)
    with house.watch() as watching:
        watching.calibrate(now_us() - 7 * 86_400 * SECOND_US)
        watching.take([150.0, 150.1, 150.0], first_us=now_us() - 20 * SECOND_US)
    return house


def test_the_parts_add_up_to_the_doubt_of_the_record_the_largest_first(house: House) -> None:
    told = house.json("uncertainty", "marrow")
    parts = [term["u_ph"] for term in told["terms"]]
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        newest = queries.latest(store, "marrow-probe")
    assert told["u_ph"] == pytest.approx(float(newest.u[-1]), rel=1e-9)
    assert told["u_ph"] == pytest.approx(hypot(*parts), rel=1e-12)  # GUM (JCGM 100) 5.1.2
    assert parts == sorted(parts, reverse=True)
    assert told["ph"] == float(newest.ph[-1])


def test_after_a_week_without_a_check_drift_leads_and_a_check_is_what_shrinks_it(house: House) -> None:
    # Common practice, no source: 0.012 a day, for 7 days 0.084; junction 0.05.
    told = house.json("uncertainty", "marrow", "--at-ph", "4.6")
    first, second = told["terms"][:2]
    assert (first["name"], first["u_ph"]) == ("drift", pytest.approx(0.084, abs=0.002))
    assert (second["name"], second["u_ph"]) == ("liquid junction in brine", pytest.approx(0.05))
    assert "vatvigil verify" in first["smaller_by"]
    assert (told["ph"], told["coverage_factor"], told["checked"]) == (4.6, 2, False)


def test_every_part_has_what_makes_it_smaller(house: House) -> None:
    terms = house.json("uncertainty", "marrow", "--at-ph", "3.4")["terms"]
    assert {term["name"] for term in terms} <= set(REMEDIES)


def test_a_person_gets_shares_in_80_columns(house: House) -> None:
    result = house.do("uncertainty", "marrow")
    lines = result.stdout.splitlines()
    assert [line for line in lines if len(line) > 80] == []
    assert lines[0].startswith("Marrow: one reading at pH 4.37")
    assert lines[3].split()[2] == "drift:"
    assert lines[-1].startswith("Combined: u = 0.1")


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (("marow",), 1, "no vat 'marow'; did you mean 'marrow'?"),
        (("marrow", "--at-ph", "15"), 2, "15.0 is not in the range"),
    ],
)
def test_what_has_no_budget_is_refused(house: House, arguments: tuple[str, ...], code: int, sentence: str) -> None:
    result = house.do("uncertainty", *arguments)
    assert (result.exit_code, result.stdout) == (code, "")
    assert sentence in " ".join(result.stderr.split())


def test_without_a_calibration_there_is_no_doubt_because_there_is_no_ph(tmp_path: Path) -> None:
    bare = House(folder=tmp_path)
    with bare.watch() as watching:
        watching.take([150.0], first_us=now_us())
    result = bare.do("uncertainty", "marrow")
    assert (result.exit_code, "no calibration of marrow-probe is in force" in result.stderr) == (1, True)
