"""`vatvigil alarms`."""

import json
from pathlib import Path

import pytest

from logger.model import CommandKind
from logger.report.words import moment
from logger.store import Store, queries
from tests.cli.cli_fixture import PROBE, VAT, House, answering, now_us

LOW_MV, HIGH_MV = 145.0, 118.0
"""About pH 4.46 and 4.93 by the house's calibration; the alarm stands at 4.6."""

UNSTORABLE = "holds a character that cannot be stored (NUL or half of a pair)"


@pytest.fixture
def house(tmp_path: Path) -> House:
    """One vat whose alarm stands unacknowledged."""
    house = House(folder=tmp_path)
    with house.watch() as watching:
        first_us = now_us() - 30_000_000
        watching.calibrate(first_us)
        watching.take([LOW_MV, HIGH_MV, HIGH_MV], first_us=first_us)
    return house


def pending(house: House) -> list[tuple[str, str, int | None, float | None, str, str]]:
    """Return what waits in the inbox."""
    with Store.open(house.config.store_url, simulated=house.config.simulated, read_only=True) as store:
        found = queries.pending_commands(store)
    return [(c.kind, c.alarm, c.occurrence, c.duration_s, c.by, c.note) for c in found]


@pytest.mark.parametrize("command", [("alarms",), ("alarms", "list")])
def test_the_list_is_the_default_and_shows_what_is_not_normal(house: House, command: tuple[str]) -> None:
    told = house.json(*command)
    assert [(a["vat"], a["alarm"], a["state"]) for a in told["alarms"]] == [("marrow", "ph-high", "unacknowledged")]


def test_all_shows_the_normal_ones_too(house: House) -> None:
    told = house.json("alarms", "--all")
    assert [(a["alarm"], a["state"]) for a in told["alarms"]] == [
        ("ph-high", "unacknowledged"),
        ("early-rise", "normal"),
        ("no-data", "normal"),
        ("blind", "normal"),
        ("trust-lost", "normal"),
        ("trust-doubted", "normal"),
        ("no-calibration", "normal"),
        ("calibration-overdue", "normal"),
        ("check-overdue", "normal"),
        ("cleaning-overdue", "normal"),
        ("buffer-expired", "normal"),
        ("drifted", "normal"),
        ("disk-low", "normal"),
        ("clock-stepped", "normal"),
        ("store-unwritable", "normal"),
        ("store-renewed", "normal"),
    ]


def test_an_acknowledgement_carries_the_occurrence_that_stands(house: House) -> None:
    told = house.json("alarms", "ack", "marrow", "ph-high", "--wait", "0", "--by", "tova", "--note", "on my way")
    assert (told["taken"], told["applied"], told["record"]) == (False, None, None)
    assert pending(house) == [("acknowledge", "ph-high", 1, None, "tova", "on my way")]


def test_an_acknowledgement_of_another_occurrence_is_refused_and_not_put_in(house: House) -> None:
    result = house.do("alarms", "ack", "marrow", "ph-high", "--occurrence", "7")
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == "Error: occurrence 7 of ph-high is not the present one, which is 1\n"
    assert pending(house) == []


def test_all_that_waits_is_acknowledged_at_once_each_in_its_occurrence(house: House) -> None:
    told = house.do("alarms", "ack", "--all", "--wait", "0", "--by", "tova")
    assert (told.exit_code, told.stderr) == (0, "")
    assert "marrow ph-high: the daemon has not taken it yet" in " ".join(told.stdout.split())
    assert pending(house) == [("acknowledge", "ph-high", 1, None, "tova", "")]


def test_where_all_is_acknowledged_nothing_is_left_to_be(house: House) -> None:
    with answering(house, HIGH_MV):
        (one,) = house.json("alarms", "ack", "marrow", "--all", "--wait", "20")
    assert (one["taken"], one["applied"], one["text"]) == (True, True, "acknowledged")
    assert house.do("alarms", "ack", "--all", "--wait", "0").stdout == "No alarm waits to be acknowledged.\n"
    assert house.json("alarms", "ack", "system", "--all", "--wait", "0") == []


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("marrow", "ph-high", "--all"), "--all is for every alarm"),
        (("--all", "--occurrence", "1"), "--all is for every alarm"),
        (("marrow",), "name VAT and ALARM, or give --all"),
    ],
)
def test_an_acknowledgement_of_all_names_none(house: House, arguments: tuple[str, ...], sentence: str) -> None:
    told = house.do("alarms", "ack", *arguments)
    assert (told.exit_code, sentence in told.stderr) == (2, True)
    assert pending(house) == []


def test_the_daemons_answer_is_waited_for_and_printed(house: House) -> None:
    with answering(house, HIGH_MV):
        told = house.json("alarms", "ack", "marrow", "ph-high", "--wait", "20")
    assert (told["taken"], told["applied"], told["text"]) == (True, True, "acknowledged")
    assert told["record"] > 3


def test_while_the_daemon_reads_its_answer_is_waited_for_unasked(house: House) -> None:
    with answering(house, HIGH_MV):
        result = house.do("alarms", "ack", "marrow", "ph-high")
    assert result.stdout.startswith("Command 2: acknowledged (before record ")


def test_without_a_daemon_nobody_waits_and_the_command_stays(tmp_path: Path) -> None:
    house = House(folder=tmp_path)
    with house.watch() as watching:
        watching.take([LOW_MV], first_us=now_us() - 3_600_000_000)
    result = house.do("alarms", "shelve", "marrow", "ph-high", "--minutes", "5")
    assert result.exit_code == 0
    assert " ".join(result.stdout.split()) == (
        "Command 1: the daemon has not taken it yet; it will as soon as it runs and its next reading is due."
    )
    assert [kind for kind, *_ in pending(house)] == [CommandKind.SHELVE]


def test_what_the_daemon_refuses_exits_1_with_its_sentence(house: House) -> None:
    with answering(house):  # it has read its configuration; a vat is added to the file afterwards
        added = PROBE.format(port="/dev/other") + VAT
        house.path.write_text(house.path.read_text() + added.replace("marrow", "teasel"))
        result = house.do("alarms", "shelve", "teasel", "ph-high", "--minutes", "5", "--wait", "20")
    assert (result.exit_code, result.stdout) == (1, "")
    assert " ".join(result.stderr.split()) == ("Command 2: refused: vat teasel is not in the daemon's configuration.")


@pytest.mark.parametrize(
    ("arguments", "kind", "duration_s"),
    [
        (("shelve", "marrow", "ph-high", "--minutes", "30"), CommandKind.SHELVE, 1800.0),
        (("unshelve", "marrow", "ph-high"), CommandKind.UNSHELVE, None),
        (("reset", "marrow", "ph-high"), CommandKind.RESET, None),
        (("out-of-service", "marrow", "ph-high"), CommandKind.OUT_OF_SERVICE, None),
        (("return-to-service", "marrow", "ph-high"), CommandKind.RETURN_TO_SERVICE, None),
    ],
)
def test_each_request_goes_into_the_inbox(
    house: House, arguments: tuple[str, ...], kind: CommandKind, duration_s: float | None
) -> None:
    house.json("alarms", *arguments, "--wait", "0", "--by", "tova")
    assert pending(house) == [(kind, "ph-high", None, duration_s, "tova", "")]


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("ack", "marow", "ph-high"), "the configuration has no vat 'marow'; did you mean 'marrow'?"),
        (("ack", "zzz", "ph-high"), "the configuration has no vat 'zzz'; valid here: marrow"),
        (("ack", "marrow", "ph-hihg"), "vat marrow has no alarm 'ph-hihg'; did you mean 'ph-high'?"),
        (
            ("shelve", "marrow", "ph-high", "--minutes", "481"),
            "shelving for 481 min is not possible: it must be over 0 and at most 480 min (max_shelve_s of vat marrow)",
        ),
        (
            ("ack", "marrow", "ph-high", "--by", "to\0va"),
            "its name of who asks holds the character '\\x00': write one line of plain text",
        ),
    ],
)
def test_what_cannot_be_is_refused_before_it_is_put_in(house: House, arguments: tuple[str, ...], sentence: str) -> None:
    result = house.do("alarms", *arguments)
    assert (result.exit_code, result.stdout, result.stderr) == (1, "", f"Error: {sentence}\n")
    assert pending(house) == []


def test_nan_minutes_are_refused(house: House) -> None:
    assert house.do("alarms", "shelve", "marrow", "ph-high", "--minutes", "nan").exit_code == 1
    assert pending(house) == []


def test_the_journal_tells_what_happened_oldest_first(house: House) -> None:
    told = house.json("alarms", "journal")
    assert [entry["cause"] for entry in told["entries"]] == ["calibrated", "annunciated"]
    assert told["entries"][1]["text"].startswith("pH 4.93")
    assert told["entries"][1]["at"].endswith("Z")


def test_the_journal_can_be_cut_by_number_vat_and_time(house: House) -> None:
    assert [e["cause"] for e in house.json("alarms", "journal", "--limit", "1")["entries"]] == ["annunciated"]
    assert house.json("alarms", "journal", "--since", "2900-01-01T00:00:00Z")["entries"] == []
    assert len(house.json("alarms", "journal", "--vat", "marrow")["entries"]) == 2
    assert "did you mean 'marrow'?" in house.do("alarms", "journal", "--vat", "marow").stderr


def test_what_is_no_time_is_a_usage_error(house: House) -> None:
    result = house.do("alarms", "journal", "--from", "noon")
    assert result.exit_code == 2
    assert "'noon' is no time such as 22:00, yesterday," in " ".join(result.stderr.split())


def test_a_simulated_house_says_so_in_every_output(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more="[simulation]\nspeed = 1\n")
    with house.watch() as watching:
        watching.take([LOW_MV], first_us=now_us())
    assert house.json("alarms")["simulated"] is True
    for arguments in [("alarms",), ("alarms", "journal"), ("alarms", "reset", "marrow", "blind", "--wait", "0")]:
        assert house.do(*arguments).stdout.startswith("SIMULATED")


def test_the_report_tells_how_the_alarms_served(house: House) -> None:
    told = house.json("alarms", "--report")
    assert (told["annunciated"], told["standing"], told["most_frequent"][0]["name"]) == (
        1,
        ["marrow ph-high"],
        "marrow ph-high",
    )
    assert (told["answers"]["unanswered"], told["chattering"], told["simulated"]) == (1, {}, False)
    text = " ".join(house.do("alarms", "report").stdout.split())
    assert "Priority high" in text
    assert "1 never acknowledged" in text
    assert "common practice" in text


def test_a_report_of_a_simulation_goes_by_its_own_clock(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more="[simulation]\nspeed = 60\n")
    ahead_us = now_us() + 40 * 86_400_000_000
    with house.watch() as watching:
        watching.calibrate(ahead_us)
        watching.take([LOW_MV, HIGH_MV], first_us=ahead_us)
    told = house.json("alarms", "--report")
    assert (told["simulated"], told["annunciated"]) == (True, 1)
    assert told["to"] == moment(ahead_us + 10_000_001)


def test_a_report_of_a_period_that_ends_before_it_begins_is_refused(house: House) -> None:
    result = house.do("alarms", "--report", "--from", "2026-11-02T00:00:00Z", "--to", "2026-11-01T00:00:00Z")
    assert result.exit_code == 2
    assert "the period must end after it begins" in result.stderr


def test_readings_that_cross_the_setpoint_again_and_again_are_called_chattering(tmp_path: Path) -> None:
    house = House(folder=tmp_path)
    with house.watch() as watching:
        first_us = now_us() - 80_000_000
        watching.calibrate(first_us)
        watching.take([LOW_MV, HIGH_MV] * 4, first_us=first_us)
    assert house.json("alarms", "--report")["chattering"] == {"marrow ph-high": 1}
    assert json.loads(house.do("status", "--json").stdout)["alarms"]["chattering"] == ["marrow ph-high"]
    assert "chattering: marrow ph-high" in " ".join(house.do("status").stdout.split())
