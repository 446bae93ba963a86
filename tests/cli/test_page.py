"""The command that serves the page, as far as it does so without serving."""

import sys
from pathlib import Path

import pytest

from logger.cli import page as module
from tests.cli.cli_fixture import House

ADDRESS = ("--address", "0.0.0.0")  # noqa: S104 - nothing is served here


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(folder=tmp_path)


def test_without_the_extra_a_sentence_says_how_to_install_it(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    monkeypatch.delitem(sys.modules, "logger.page.serve", raising=False)
    told = house.do("page")
    assert told.exit_code == 1
    assert "the page needs the package uvicorn" in told.stderr
    assert "pip install 'vatvigil[page]'" in told.stderr


def test_the_address_for_a_telephone_holds_the_token(house: House) -> None:
    file = house.folder / "token"
    asked = ("page", *ADDRESS, "--port", "8480", "--token-file", str(file), "--print-address")
    told = house.do(*asked)
    assert told.exit_code == 0
    assert told.stdout.strip().endswith(f":8480/?token={file.read_text().strip()}")
    assert house.do(*asked).stdout == told.stdout
    assert "token" not in house.do("page", "--print-address", "--token-file", str(house.folder / "none")).stdout
    assert not (house.folder / "none").exists()


def test_an_address_that_is_none_and_a_wrong_configuration_are_told(house: House) -> None:
    assert "0.0.0.0" in house.do("page", "--address", "kitchen").stderr  # noqa: S104 - named only
    house.path.write_text("nonsense")
    assert house.do("page").exit_code == 2


def test_the_system_s_journal_does_not_get_the_token(monkeypatch: pytest.MonkeyPatch) -> None:
    where = "http://192.168.7.20:8480/?token=abc"
    assert where in module._greeting(where, token="abc")[0]  # noqa: S106, SLF001
    monkeypatch.setenv("JOURNAL_STREAM", "8:1234")
    told = module._greeting(where, token="abc")  # noqa: S106, SLF001
    assert "abc" not in " ".join(told)
