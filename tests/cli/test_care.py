"""`vatvigil care`."""

from pathlib import Path

import pytest

from logger.store import Store, queries
from logger.store.care import diary
from tests.cli.cli_fixture import SECOND_US, House, answering, now_us
from tests.cli.electrode_history import DAY_US, life

BY = ("--by", "tova", "--wait", "0")


@pytest.fixture
def house(tmp_path: Path) -> House:
    house = House(folder=tmp_path)
    with house.watch() as watching:
        watching.calibrate(now_us() - 20 * SECOND_US)
        watching.take([145.0], first_us=now_us() - 10 * SECOND_US)
    return house


def test_what_was_done_is_a_dated_entry_and_the_watch_remembers_it(house: House) -> None:
    with answering(house):
        told = house.json(
            "care", "done", "marrow-probe", "cleaned", "--using", "pepsin", "--by", "tova", "--wait", "20"
        )
        with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
            remembered = queries.watches(store)["marrow"].care
            (entry,) = diary(store, "marrow-probe")
            noted = [each.text for each in queries.entries(store, limit=9) if each.cause == "noted"]
    assert told["asked"][0]["text"] == "entered in the care diary"
    assert (entry.kind, entry.using, entry.by, entry.is_backdated) == ("cleaned", "pepsin", "tova", False)
    assert remembered.cleaned_at_us == entry.happened_at_us
    assert noted == ["care: cleaned, with pepsin"]


def test_a_late_entry_says_when_it_was_made_and_one_that_was_taken_back_counts_no_more(house: House) -> None:
    house.do("care", "done", "marrow-probe", "cleaned", "--at", "2026-01-05 09:00", *BY)
    house.do("care", "withdraw", "1", "--why", "the other probe", *BY)
    said = " ".join(house.do("care", "list").stdout.split())
    assert "cleaned. Entered 20" in said
    assert "withdraws entry 1 (the other probe)" in said
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        notes = [c.note for c in queries.pending_commands(store) if c.kind == "care"]
    assert ['"cleaned_at_us":null' in note for note in notes] == [False, True]


def test_a_buffer_that_was_opened_is_of_every_probe_and_has_its_expiry(house: House) -> None:
    house.do("care", "opened", "gbt-phthalate", "--lot", "B7", "--expires", "2030-12-31", *BY)
    (entry,) = house.json("care", "list", "marrow-probe")["entries"]
    assert (entry["probe"], entry["buffer"], entry["lot"]) == ("", "gbt-phthalate", "B7")
    assert entry["expires"].startswith("2030-12-31")


def test_the_life_of_the_electrode_shows_it(tmp_path: Path) -> None:
    house = House(folder=tmp_path)
    life(house, now_us() - 29 * DAY_US, [0.98, 0.96])
    house.do("care", "done", "marrow-probe", "electrode-changed", "--electrode", "E1", "--at", "2026-01-05", *BY)
    house.do("care", "done", "marrow-probe", "stored", "--using", "3 M KCl", *BY)
    said = " ".join(house.do("electrode", "marrow-probe").stdout.split())
    assert "stored, in 3 M KCl 2026-01-05 electrode changed: E1" in said


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (("done", "marow-probe", "cleaned"), 1, "did you mean 'marrow-probe'?"),
        (("done", "marrow-probe", "polished"), 2, "'polished' is not one of 'rinsed', 'stored', 'cleaned'"),
        (("opened", "gbt-phtalate"), 1, "gbt-phthalate"),
        (("withdraw", "9", "--why", "x"), 1, "the diary has no entry 9 that stands"),
        (("done", "marrow-probe", "cleaned", "--using", "a\nb"), 1, "using holds the character '\\n'"),
    ],
)
def test_what_cannot_be_entered_is_refused(house: House, arguments: tuple[str, ...], code: int, sentence: str) -> None:
    result = house.do("care", *arguments)
    assert result.exit_code == code
    assert sentence in " ".join(result.stderr.split())
    assert "The care diary is empty" in house.do("care", "list").stdout
