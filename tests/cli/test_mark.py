"""`vatvigil mark`."""

from pathlib import Path

import pytest

from logger.store import Store, queries
from tests.cli.house import House, answering, now_us


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
        ("out-of-liquid", "suppressed"),
        ("erratic", "suppressed"),
    ]
    assert (back["applied"], back["text"]) == (True, "process alarms watch again, their delays start anew")


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
        (("stirred",), 2, "'stirred' is not one of"),
    ],
)
def test_what_cannot_be_marked_is_refused(house: House, arguments: tuple[str, ...], code: int, sentence: str) -> None:
    result = house.do("mark", "marrow", *arguments)
    assert result.exit_code == code
    assert sentence in " ".join(result.stderr.split())
