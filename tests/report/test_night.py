"""A night as it is told in the morning, from what the daemon's own cycles stored."""

from collections.abc import Iterator
from datetime import date

import numpy as np
import pytest

from logger.config import PeopleConfig
from logger.report import night_json
from logger.report.local_time import LocalTime
from logger.report.night import Night, gather, night_of
from logger.report.night_page import NightPage
from logger.store import Store, queries
from logger.structs import replace
from logger.units import HOUR_US, SECOND_US
from tests.cli.cli_fixture import House

BEGIN_US = 1_732_467_600 * SECOND_US
"""2024-11-24T17:00:00Z, 18:00 in Paris."""
END_US = BEGIN_US + 14 * HOUR_US
MORE = """
[people]
zone = "Europe/Paris"
[mqtt]
host = "127.0.0.1"
[vat.marrow.target]
ph = 4.0
"""
LOW_MV, HIGH_MV = 145.0, 118.0
"""About pH 4.46 and 4.93 by the house's calibration; the alarm stands at 4.6."""


def noisy(mv: float, count: int) -> list[float | None]:
    return [mv + 0.1 * (n % 7) + 0.3 * (n % 2) for n in range(count)]


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    """A night with an alarm that the broker took and a person answered, a gap, a mark; it ends before midnight."""
    house = House(folder=tmp_path_factory.mktemp("night"), more=MORE)
    with house.watch() as watching:
        watching.calibrate(BEGIN_US)
        watching.take_at_once(noisy(LOW_MV, 360), first_us=BEGIN_US)
        watching.take_at_once(noisy(HIGH_MV, 1), first_us=BEGIN_US + HOUR_US)
        (event,) = [one for one in queries.unsent_events(watching.store, 99) if "annunciated" in one.id]
        with watching.store.begin() as work:
            work.mark_delivered([event.id], BEGIN_US + HOUR_US + 60 * SECOND_US)
            work.commit()
        assert house.do("alarms", "ack", "marrow", "ph-high", "--wait", "0", "--by", "tova").exit_code == 0
        watching.take_at_once(noisy(HIGH_MV, 1), first_us=BEGIN_US + HOUR_US + 600 * SECOND_US)
        assert house.do("mark", "marrow", "stirred", "--wait", "0", "--by", "tova").exit_code == 0
        later = [*noisy(LOW_MV, 719), *[None] * 60, *noisy(LOW_MV, 720)]
        watching.take_at_once(later, first_us=BEGIN_US + 2 * HOUR_US)
    return house


@pytest.fixture
def night(house: House) -> Iterator[Night]:
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        (vat,) = house.config.vats
        yield gather(house.config, store, vat, since_us=BEGIN_US, until_us=END_US, at_us=END_US)


def page(night: Night, width: int = 80, *, is_over: bool = True) -> list[str]:
    clock = LocalTime.of(PeopleConfig(zone="Europe/Paris"))
    return [*NightPage(clock=clock, width=width).lines(night, is_over=is_over)]


def test_ten_lines_say_what_was_believed_what_came_and_who_was_told(night: Night) -> None:
    told = page(night)
    assert told[0] == "Marrow, 2024-11-24 18:00 CET to 2024-11-25 08:00 CET"
    labels = [line[2:14].strip() for line in told[1:] if line[2:14].strip()]
    assert labels == ["Claims", "Believed", "Last pH", "Lowest pH", "Highest pH", "Temperature", "Alarms", "Gaps",
                      "Done", "To do"]  # fmt: skip
    text = " ".join(" ".join(told).split())
    assert "Claims none made, none withdrawn" in text
    assert "Temperature 20.0 to 20.0 C" in text
    assert "19:00 to 20:00 ph-high [high], broker took it 19:01, acknowledged 19:10 (tova)" in text
    assert "20:00 stirred (tova)" in text
    assert "21:59 to 22:09" in text


def test_the_figures_are_those_of_the_records(house: House, night: Night) -> None:
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        rows = queries.latest(store, "marrow-probe", count=10_000)
    counts = night.curve.counts
    assert counts.records == len(rows)
    assert counts.believed == int(np.count_nonzero(rows.belief == 0))
    assert night.curve.newest is not None
    assert night.curve.newest.value == rows.ph[np.flatnonzero(rows.belief == 0)[-1]]


def test_what_the_page_says_scripts_get_too(night: Night) -> None:
    told = night_json.facts(night)
    (alarm,) = [one for one in told["alarms"] if one["alarm"] == "ph-high"]
    assert alarm["sent"] == [{"way": "broker", "at": "2024-11-24T18:01:00Z"}]
    assert alarm["acknowledged"]["by"] == "tova"
    assert (told["from"], told["to"]) == ("2024-11-24T17:00:00Z", "2024-11-25T07:00:00Z")


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_it_fits_the_terminal(night: Night, width: int) -> None:
    assert max(map(len, page(night, width))) <= width


def test_an_alarm_that_went_nowhere_or_was_held_says_so(night: Night) -> None:
    summary = next(one for one in night.alarms if one.alarm == "ph-high")
    lost, held = replace(summary, sent=()), replace(summary, held=True, acknowledged=None)
    text = " ".join(" ".join(page(replace(night, alarms=(lost, held)))).split())
    assert "ph-high [high], NOT SENT, acknowledged 19:10 (tova)" in text
    assert "ph-high [high], held in quiet hours, nobody was told, not acknowledged" in text
    nobody = " ".join(" ".join(page(replace(night, ways=()))).split())
    assert "Nobody was told: neither a broker nor another way out is configured." in nobody


@pytest.mark.parametrize(("believed", "is_quiet"), [(0, False), (899, False), (900, True), (1000, True)])
def test_a_night_is_quiet_only_if_it_is_known(night: Night, believed: int, *, is_quiet: bool) -> None:
    counts = replace(night.curve.counts, records=1000, believed=believed)
    calm = replace(night, alarms=(), curve=replace(night.curve, counts=counts))
    assert ("a quiet night" in "\n".join(page(calm))) == is_quiet


def test_a_claim_stands_first(night: Night) -> None:
    claim = replace(night.marks[0], what="Measured at or below pH 4.00.")
    told = page(replace(night, claims=(claim,)))
    assert "Measured at or below pH 4.00" in told[1]


def test_of_a_night_long_ago_nothing_is_to_be_done(house: House) -> None:
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        (vat,) = house.config.vats
        long_ago = gather(house.config, store, vat, since_us=BEGIN_US, until_us=END_US, at_us=END_US + 48 * HOUR_US)
        empty = gather(house.config, store, vat, since_us=0, until_us=HOUR_US, at_us=END_US)
    assert long_ago.todo is None
    assert "there is no record of this time" in "\n".join(page(empty))


@pytest.mark.parametrize(
    ("hours", "begins"),
    [(-1, -24), (0, 0), (7, 0), (14, 0), (23, 0), (24, 24)],
)
def test_the_last_night_is_the_one_that_began_last(hours: int, begins: int) -> None:
    people = PeopleConfig(zone="Europe/Paris")
    found = night_of(people, at_us=BEGIN_US + hours * HOUR_US)
    assert found == (BEGIN_US + begins * HOUR_US, END_US + begins * HOUR_US)


def test_a_night_in_which_the_clocks_change_is_an_hour_longer_or_shorter() -> None:
    people = PeopleConfig(zone="Europe/Paris")  # 2024-03-31 and 2024-10-27 at 01:00 UTC (IANA)
    lengths = [
        end - begin
        for begin, end in (
            night_of(people, at_us=0, evening=date(2024, 3, 30)),
            night_of(people, at_us=0, evening=date(2024, 10, 26)),
        )
    ]
    assert [length / HOUR_US for length in lengths] == [13, 15]
