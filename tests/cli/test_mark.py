"""`vatvigil mark`."""

from pathlib import Path

import pytest

from logger.store import Store, queries
from tests.cli.cli_fixture import House, answering, now_us


@pytest.fixture
def house(tmp_path: Path) -> House:
    house = House(folder=tmp_path)
    with house.watch() as watching:
        watching.take([145.0], first_us=now_us())
    return house


def test_the_process_alarms_are_suspended_while_the_probe_is_out_and_watch_again_when_it_is_back(house: House) -> None:
    with answering(house):
        out = house.json("mark", "marrow", "probe-out", "--minutes", "30", "--wait", "20")
        alarms = house.json("alarms")["alarms"]
        back = house.json("mark", "marrow", "probe-in", "--wait", "20")
    assert (out["applied"], out["text"]) == (True, "process alarms suspended for 30 min")
    assert [(alarm["alarm"], alarm["state"]) for alarm in alarms] == [
        ("ph-high", "suppressed"),
        ("early-rise", "suppressed"),
    ]
    assert (back["applied"], back["text"]) == (True, "process alarms watch again, their delays start anew")


def test_what_was_done_at_the_vat_is_told_in_the_journal_with_its_figures(house: House) -> None:
    with answering(house):
        told = [
            house.json("mark", "marrow", *what, "--wait", "20")
            for what in (("started", "--hours-ago", "1.5"), ("topped-up", "--litres", "4"), ("stirred",))
        ]
        entries = house.json("alarms", "journal")["entries"]
    assert [(one["applied"], one["text"]) for one in told] == [
        (True, "what counts from a start counts from there"),
        (True, "for 120 min the rate of change is not judged, and a rise is paused"),
        (True, "for 120 min the rate of change is not judged, and a rise is paused"),
    ]
    assert [e["text"] for e in entries if e["cause"] == "marked"] == ["started, 1.5 h ago", "topped-up, 4 L", "stirred"]


def test_a_note_is_put_in_with_the_mark_in_one_transaction(house: House) -> None:
    told = house.json("mark", "marrow", "probe-out", "--note", "cleaning", "--by", "tova", "--wait", "0")
    assert [each["taken"] for each in told] == [False, False]
    with Store.open(house.config.store_url, simulated=False, read_only=True) as store:
        found = [(c.kind, c.note, c.by) for c in queries.pending_commands(store)]
    assert found == [("mark", "probe-out", "tova"), ("note", "cleaning", "tova")]


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (("probe-out", "--minutes", "481"), 1, "a mark must last over 0 and at most 480 min, not 481"),
        (("probe-in", "--minutes", "5"), 2, "--minutes goes with probe-out"),
        (("shaken",), 2, "'shaken' is not one of 'probe-out', 'probe-in', 'stirred', 'topped-up', 'started'"),
        (("stirred", "--litres", "4"), 2, "--litres goes with topped-up"),
        (("topped-up", "--litres", "-4"), 1, "what was topped up must be at least 0.001 L, not -4"),
        (("topped-up", "--hours-ago", "4"), 2, "--hours-ago goes with started"),
        (("started", "--hours-ago", "2000"), 1, "a start must lie at most 1440 h back, not 2000"),
    ],
)
def test_what_cannot_be_marked_is_refused(house: House, arguments: tuple[str, ...], code: int, sentence: str) -> None:
    result = house.do("mark", "marrow", *arguments)
    assert result.exit_code == code
    assert sentence in " ".join(result.stderr.split())
