"""`vatvigil status`."""

import os
import sys
from math import log
from pathlib import Path
from typing import Any
from unittest.mock import ANY

import pexpect
import pytest
from scipy import constants

from logger.config import Simulation
from logger.daemon import clock
from logger.report import page
from logger.report.local_time import LocalTime
from logger.report.status import gather, is_clock_shared
from logger.store import Store
from logger.watch import system
from logger.watch.system import SystemFacts
from tests.cli.cli_fixture import SECOND_US, House, now_us

AT_4_5 = 145.0
"""About pH 4.5 by the house's calibration at 20 C."""
AT_5_0 = 118.0


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(folder=tmp_path)


def ph_at_145_mv() -> float:
    """Work out pH = 7 - (E - E0) / (s k) at 20 C by hand from the house's two buffers at 25 C (CODATA, by scipy)."""
    k25, k20 = (log(10) * constants.R * t / constants.value("Faraday constant") * 1000 for t in (298.15, 293.15))
    slope = (174.2 - 6.1) / (6.865 - 4.005) / k25
    offset = 6.1 - slope * k25 * (7 - 6.865)
    return float(7 - (145.0 - offset) / (slope * k20))


def filled(house: House, *potential_mv: float | None, ago_s: float = 0.0, calibrated: bool = True) -> None:
    """Fill the store with records, the last of them so long ago."""
    last_us = now_us() - round(ago_s * SECOND_US)
    first_us = last_us - 10 * SECOND_US * (len(potential_mv) - 1)
    with house.watch() as watching:
        if calibrated:
            watching.calibrate(first_us)
        watching.take(potential_mv, first_us=first_us)


def test_a_vat_that_is_well_needs_no_attention(house: House) -> None:
    filled(house, AT_4_5, AT_4_5 + 0.3, AT_4_5)
    told = house.json("status")
    (vat,) = told["vats"]
    newest = vat.pop("newest")
    assert vat.pop("believed_age_s") == newest.pop("age_s")
    assert newest["verdict"].startswith("Believed: watched for too short a time to tell more, calibrated ")
    assert newest == {
        "record": 3,
        "at": vat.pop("believed_at"),
        "stale": False,
        "ph": pytest.approx(ph_at_145_mv(), abs=1e-4),
        "expanded_uncertainty_ph": pytest.approx(0.12, abs=0.02),
        "coverage_factor": 2,
        "temperature_c": 20.0,
        "potential_mv": 145.0,
        "quality": "pass",
        "tests": ["unwitnessed"],
        "believed": True,
        "belief": "believed",
        "verdict": ANY,
    }
    assert vat.pop("calibration").keys() >= {"calibration", "made_at", "age_s", "slope", "offset_mv"}
    assert vat == {
        "vat": "marrow",
        "name": "Marrow",
        "probe": "marrow-probe",
        "alarms": [],
        "trust": {
            "level": "earned",
            "since": None,
            "age_s": None,
            "sentence": "Earned: watched for too short a time to tell more",
        },
        "health": "good",
        "findings": [],
        "corrections": [],
        "started": None,
        "unwatched": "",
        "target": None,
    }
    assert (told["attention"], told["simulated"], told["commands_waiting"]) == ([], False, 0)
    assert told["run"]["run"] == 1


def test_an_old_newest_record_is_said_plainly(house: House) -> None:
    filled(house, AT_4_5, AT_4_5, ago_s=3600)
    result = house.do("status")
    assert result.exit_code == 3
    assert "the newest record is 1 h 0 min old, but one is due every 10 s" in " ".join(result.stdout.split())
    assert ", OLD (" in result.stdout


def test_three_polls_are_not_old_yet(house: House) -> None:
    filled(house, AT_4_5, AT_4_5, ago_s=25)
    assert house.do("status").exit_code == 0


def test_an_alarm_that_nobody_acknowledged_needs_attention_until_somebody_does(house: House) -> None:
    filled(house, AT_4_5, AT_5_0, AT_5_0)
    (alarm,) = house.json("status", code=3)["vats"][0]["alarms"]
    assert {name: alarm[name] for name in ("alarm", "state", "priority", "occurrence", "acknowledge")} == {
        "alarm": "ph-high",
        "state": "unacknowledged",
        "priority": "high",
        "occurrence": 1,
        "acknowledge": True,
    }
    assert alarm["text"].startswith("pH 4.93 +/- 0.11 (k=2), at or above 4.60")
    assert house.do("alarms", "ack", "marrow", "ph-high", "--wait", "0").exit_code == 0
    with house.watch() as watching:
        watching.take([AT_5_0], first_us=now_us())
    told = house.json("status")
    assert (told["attention"], told["vats"][0]["alarms"][0]["state"]) == ([], "acknowledged")


def test_an_alarm_that_returned_says_so(house: House) -> None:
    filled(house, AT_4_5, AT_5_0, AT_5_0, AT_4_5, AT_4_5)
    (alarm,) = house.json("status", code=3)["vats"][0]["alarms"]
    assert (alarm["state"], alarm["text"][:33]) == ("returned-unacknowledged", "back to normal (it was told at pH")


def test_what_is_not_believed_is_told_with_its_reason_and_the_age_of_the_last_that_was(house: House) -> None:
    filled(house, AT_4_5, AT_4_5, AT_4_5 + 60, ago_s=1)
    (vat,) = house.json("status")["vats"]
    assert (vat["newest"]["believed"], vat["newest"]["tests"]) == (
        False,
        ["jump", "outside-buffers", "unwitnessed"],
    )
    assert vat["newest"]["verdict"].startswith("Not believed: the reading jumps, since ")
    assert 10 < vat["believed_age_s"] < 20


def test_a_record_without_a_reading_says_why(house: House) -> None:
    filled(house, AT_4_5, None)
    newest = house.json("status")["vats"][0]["newest"]
    assert newest["verdict"].startswith("Not believed: no reading, no reply in time, since ")
    assert (newest["belief"], newest["quality"], newest["ph"]) == ("not-believed", "missing", None)


def test_without_a_calibration_it_says_how_to_get_one(house: House) -> None:
    filled(house, AT_4_5, calibrated=False)
    told = house.json("status", code=3)
    assert told["vats"][0]["newest"]["verdict"].startswith("Not believed: no calibration is stored for this probe, ")
    assert "`vatvigil calibrate marrow-probe`" in told["attention"][0]


def test_a_store_without_a_record_says_that_the_daemon_is_to_be_started(house: House) -> None:
    with house.watch():
        pass
    assert "`vatvigil run`" in house.json("status", code=3)["attention"][0]


def test_without_a_store_it_says_who_makes_it(house: House) -> None:
    result = house.do("status")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "`vatvigil run` makes it" in result.stderr


def test_messages_that_wait_long_need_attention_when_there_is_a_broker(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more='[mqtt]\nhost = "127.0.0.1"\n')
    filled(house, AT_4_5, AT_4_5, AT_5_0, *[AT_5_0] * 70)
    told = house.json("status", code=3)
    assert told["outbox_waiting"] == 2  # calibrated, annunciated
    assert told["attention"][-1] == "Messages have been waiting for the broker for 12 min: `vatvigil check` tries it."


@pytest.mark.parametrize("command", [("status",), ("alarms", "list", "--all"), ("alarms", "journal")])
def test_what_is_printed_fits_80_columns_and_says_that_it_is_simulated(tmp_path: Path, command: tuple[str]) -> None:
    house = House(folder=tmp_path, more="[simulation]\nspeed = 1\n")
    filled(house, AT_4_5, AT_5_0, None, AT_5_0 + 50)
    result = house.do(*command)
    lines = result.stdout.splitlines()
    assert [line for line in lines if len(line) > 80] == []
    assert lines[0] == "SIMULATED: nothing here is a measurement of a real vat."


def test_the_page_ends_with_the_caution(house: House) -> None:
    filled(house, AT_4_5)
    assert house.do("status").stdout.endswith("This is no safety interlock.\n")


def test_a_record_of_the_future_is_no_sign_of_life(house: House) -> None:
    # The clock was set back by an hour, and the daemon has stored nothing since.
    filled(house, AT_4_5, AT_4_5, ago_s=-3600)
    told = house.json("status", code=3)
    assert told["vats"][0]["newest"]["stale"] is True
    assert "the newest record is of the future (the clock was set back), but one is due" in told["attention"][0]


def test_in_accelerated_time_ages_are_the_vats(tmp_path: Path) -> None:
    # Both ends know: at UTC `epoch` the monotonic clock stood at 0; 60 vat seconds pass in one.
    house = House(
        folder=tmp_path, more="[simulation]\nspeed = 60\nepoch = 2026-11-24T18:00:00Z\nepoch_monotonic_s = 0.0\n"
    )
    with house.watch() as watching:
        vat_us = clock.of(house.config.simulation).read().at_us
        watching.calibrate(vat_us)
        watching.take([AT_4_5], first_us=vat_us - 3600 * SECOND_US)
    newest = house.json("status", code=3)["vats"][0]["newest"]
    assert (3600 <= newest["age_s"] < 3600 + 60 * 60, newest["stale"]) == (True, True)


def test_where_only_the_daemon_has_the_simulations_clock_nothing_is_called_old(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more="[simulation]\nspeed = 60\nepoch = 2026-11-24T18:00:00Z\n")
    filled(house, AT_4_5, AT_4_5, ago_s=3600)
    told = house.json("status")
    assert (told["clock_known"], told["vats"][0]["newest"]["age_s"]) == (False, 0.0)
    assert "only the daemon knows this simulation's clock" in house.do("status").stdout


@pytest.mark.parametrize(
    ("simulation", "shared"),
    [
        (None, True),
        (Simulation(), True),
        (Simulation(speed=2.0), False),
        (Simulation(epoch_us=0), False),
        (Simulation(speed=2.0, epoch_us=0, epoch_monotonic_s=1.0), True),
    ],
)
def test_a_clock_is_shared_when_both_ends_can_derive_it(simulation: Simulation | None, shared: bool) -> None:  # noqa: FBT001 - a row of the table
    assert is_clock_shared(simulation) == shared


def test_the_system_s_own_alarms_are_shown_with_their_reason(house: House) -> None:
    facts = SystemFacts(at_us=now_us(), elapsed_us=0, disk="only 3 MB are free at /x: make room, or the log stops")
    filled(house, AT_4_5)
    carry, _, _ = system.step(system.vat_of(house.config), system.fresh(), facts)
    with Store.open(house.config.store_url, simulated=house.config.simulated) as store, store.begin() as work:
        work.remember(system.SYSTEM, carry)
        work.commit()
    told = house.json("status", code=3)
    (own,) = told["system"]
    assert (own["alarm"], own["state"]) == ("disk-low", "unacknowledged")
    assert own["text"] == "The log soon has no room: only 3 MB are free at /x: make room, or the log stops"
    assert "System: disk-low is not acknowledged: `vatvigil alarms ack system disk-low`." in told["attention"]


def test_it_is_watched_on_a_terminal_until_ctrl_c_and_leaves_the_page_behind(house: House) -> None:
    filled(house, AT_4_5, AT_5_0)
    arguments = ["-P", "-m", "logger", "status", "--watch", "0.5", "-c", str(house.path)]
    environment: Any = {**os.environ, "TERM": "xterm", "LC_ALL": "C.UTF-8", "COLUMNS": "", "LINES": ""}
    watched = pexpect.spawn(
        sys.executable, arguments, env=environment, dimensions=(12, 60), timeout=60, encoding="utf-8"
    )
    for _ in range(2):  # it is drawn again and again
        watched.expect("Ctrl-C ends")
        watched.expect("Needs attention")
        watched.expect(r"\.\.\. \d+ more lines")
    watched.sendintr()
    watched.expect("pH alone does not make food safe")
    watched.expect(pexpect.EOF)
    watched.close()
    assert watched.exitstatus == 3  # an alarm is not acknowledged


@pytest.mark.parametrize(("more", "sentence"), [((), "it wants a terminal"), (("--json",), "--json is for scripts")])
def test_a_pipe_is_not_drawn_over(house: House, more: tuple[str, ...], sentence: str) -> None:
    filled(house, AT_4_5)
    told = house.do("status", "--watch", *more)
    assert (told.exit_code, sentence in told.stderr) == (2, True)


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_the_page_is_as_wide_as_the_terminal(house: House, width: int) -> None:
    filled(house, AT_4_5, AT_5_0)
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        overview = gather(house.config, store, at_us=now_us())
    lines = [*page.lines(overview, LocalTime.of(house.config.people), width=width)]
    whole = [*page.lines(overview, LocalTime.of(house.config.people), width=1000)]
    assert max(map(len, lines)) <= width
    assert "".join("".join(lines).split()) == "".join("".join(whole).split())
