"""Screens say the time of the house; scripts, and whoever asks for it, read UTC."""

import pytest

from tests.cli.cli_fixture import House

# 2026-10-25, 01:00 UTC: the clocks of Lisbon go back (Directive 2000/84/EC, articles 2 and 3).
FIRST_US = 1_792_889_400_000_000
"""2026-10-25T00:50:00Z by GNU date: 01:50 in Lisbon; 20 min later it is 01:10."""
ABOVE_MV = 120.0
"""Some pH 4.9: above the limit."""


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    """A night in which the clock of the house goes back, with an alarm before and one after."""
    house = House(folder=tmp_path_factory.mktemp("house"), more='[people]\nzone = "Europe/Lisbon"\n')
    with house.watch() as watching:
        watching.calibrate(FIRST_US)
        watching.take([150.0] * 60 + [ABOVE_MV] * 60 + [160.0] * 240 + [ABOVE_MV] * 60, first_us=FIRST_US)
    return house


def lines(house: House, *arguments: str) -> list[str]:
    result = house.do(*arguments)
    assert (result.stderr, result.exit_code in {0, 3}) == ("", True)
    return [" ".join(line.split()) for line in result.stdout.splitlines()]


def test_the_journal_says_which_of_two_equal_hours_it_means(house: House) -> None:
    local = "\n".join(lines(house, "alarms", "journal"))
    assert ("2026-10-25 01:00:00 WET" in local, "2026-10-25 01:50:00 WEST" in local) == (True, True)
    assert "2026-10-25 01:00:00 UTC" in "\n".join(lines(house, "alarms", "journal", "--utc"))
    entries = house.json("alarms", "journal")["entries"]
    assert "2026-10-25T01:00:00.000000Z" in [entry["at"] for entry in entries]


def test_a_time_that_is_asked_for_is_of_the_same_clock(house: House) -> None:
    def entries(*period: str) -> list[str]:
        return [entry["at"] for entry in house.json("alarms", "journal", *period)["entries"]]

    everything, second = entries(), entries("--from", "2026-10-25T01:00:00+00:00")
    assert entries("--from", "2026-10-25 01:00") == [at for at in everything if at >= "2026-10-25T00:00"]
    assert entries("--from", "2026-10-25 02:00") == [at for at in everything if at >= "2026-10-25T02:00"]
    assert (
        entries("--from", "2026-10-25 01:00", "--utc") == second == [at for at in everything if at >= "2026-10-25T01"]
    )


def test_what_is_stored_says_the_time_of_the_configuration(house: House) -> None:
    journal = " ".join(" ".join(lines(house, "alarms", "journal")).split())
    page = " ".join(lines(house, "status"))
    for text in (journal, page, " ".join(lines(house, "alarms"))):
        assert (" WET" in text, " UTC" in text) == (True, False)
    stored = [entry["text"] for entry in house.json("alarms", "journal")["entries"] if entry["alarm"] == "trust-lost"]
    assert "jumped from 4.89 to 4.20 at 01:28 WET" in stored[0]


def test_the_status_says_local_time_and_scripts_read_utc(house: House) -> None:
    assert "(2026-10-25 01:59:50 WET)" in " ".join(lines(house, "status"))
    assert "(2026-10-25 01:59:50 UTC)" in " ".join(lines(house, "status", "--utc"))
    assert house.json("status", code=3)["vats"][0]["newest"]["at"] == "2026-10-25T01:59:50Z"


def test_a_replay_says_local_time(house: House) -> None:
    told = lines(house, "replay", "--period", "2026-10-25/2026-10-26")
    assert [line[:24] for line in told if "2026-10-25 01:50:00" in line] == [
        "2026-10-25 01:50:00 WEST",
        "2026-10-25 01:50:00 WEST",
        "2026-10-25 01:50:00 WET ",
    ]
