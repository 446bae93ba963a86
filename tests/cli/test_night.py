"""`vatvigil night` and `vatvigil show`: in a pipe, in a terminal, in the C locale, without the package that draws."""

import os
import subprocess
import sys
from pathlib import Path

import pexpect
import pytest

from logger import report
from logger.units import HOUR_US, SECOND_US
from tests.cli.cli_fixture import House

BEGIN_US = 1_732_467_600 * SECOND_US
"""2024-11-24T17:00:00Z."""
EVENING = ("--evening", "2024-11-24")
SPAN = ("--from", "2024-11-24T17:00:00Z", "--to", "2024-11-25T07:00:00Z")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    house = House(folder=tmp_path_factory.mktemp("night"), more='[people]\nzone = "Europe/Paris"\n')
    with house.watch() as watching:
        watching.calibrate(BEGIN_US)
        watching.take_at_once([145.0 + 0.4 * (n % 3) for n in range(720)], first_us=BEGIN_US + HOUR_US)
    return house


def in_c_locale(house: House, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    """Run a command as cron would: piped, ASCII only."""
    plain = {"PATH": os.environ["PATH"], "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    command = [sys.executable, "-P", "-m", "logger", *arguments, "-c", str(house.path)]
    return subprocess.run(command, capture_output=True, env=plain, check=False)


def test_a_night_is_told_and_drawn(house: House) -> None:
    told = house.do("night", *EVENING)
    assert (told.exit_code, told.stderr) == (0, "")
    assert "Marrow, 2024-11-24 18:00 CET to 2024-11-25 08:00 CET" in told.stdout
    assert "belief" in told.stdout
    assert "|20:00" in told.stdout
    assert max(map(len, told.stdout.splitlines())) <= 80
    words_only = house.do("night", "marrow", *EVENING, "--no-plot", "--utc")
    assert "|20:00" not in words_only.stdout
    assert "2024-11-24 17:00 UTC to 2024-11-25 07:00 UTC" in words_only.stdout


def test_a_night_is_written_as_a_page(house: House, tmp_path: Path) -> None:
    page = tmp_path / "night.html"
    told = house.do("night", *EVENING, "--html", str(page))
    assert (told.exit_code, told.stderr) == (0, "")
    markup = page.read_text()
    assert "Marrow, 2024-11-24 18:00 CET to 2024-11-25 08:00 CET" in markup
    assert "720 of 720 readings (100 %)" in markup
    assert "pH alone does not make food safe" in markup
    assert markup.count("<svg") == 2
    assert list(tmp_path.iterdir()) == [page]
    refused = house.do("night", *EVENING, "--html", str(tmp_path / "absent" / "night.html"))
    assert (refused.exit_code, "choose another file" in refused.stderr) == (1, True)


def test_scripts_get_the_same_facts(house: House) -> None:
    (night,) = house.json("night", "marrow", *EVENING)["nights"]
    assert (night["vat"], night["records"], night["believed"]) == ("marrow", 720, 720)
    assert night["lowest"]["ph"] <= night["highest"]["ph"]


def test_in_the_c_locale_it_is_ascii(house: House) -> None:
    told = in_c_locale(house, "show", "marrow", *SPAN)
    assert (told.returncode, told.stderr) == (0, b"")
    assert told.stdout.isascii()
    assert b"belief" in told.stdout


def test_without_the_package_that_draws_the_words_stand_alone(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "plotext", None)
    monkeypatch.delitem(sys.modules, "logger.report.terminal_plot", raising=False)
    monkeypatch.delattr(report, "terminal_plot", raising=False)
    told = house.do("night", *EVENING)
    assert told.exit_code == 0
    assert "Believed    720 of 720 readings (100 %)" in told.stdout
    assert "belief " not in told.stdout
    assert told.stderr.startswith("No picture: ")


def test_in_a_terminal_it_is_as_wide_as_that(house: House) -> None:
    columns = 60
    arguments = ["-P", "-m", "logger", "show", "marrow", *SPAN, "-c", str(house.path)]
    told, code = pexpect.run(
        " ".join([sys.executable, *arguments]),
        withexitstatus=True,
        env={**os.environ, "TERM": "xterm", "LC_ALL": "C.UTF-8", "COLUMNS": "", "LINES": ""},
        dimensions=(40, columns),
    )
    widths = [len(line) for line in told.decode().splitlines()]
    assert code == 0
    assert columns - 12 <= max(widths) <= columns


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (("night", "marow"), 1, "no vat 'marow'; did you mean 'marrow'?"),
        (("night", "--evening", "24.11."), 2, "'24.11.' is no date such as 2026-11-24."),
        (("night", "--evening", "8000-01-01"), 1, "the night of 8000-01-01 has not begun yet"),
        (("show", "marrow", "--last", "2 moons"), 2, "is no length of time such as 30min, 12h or 7d"),
        (("show", "marrow", "--last", "2h", "--from", "22:00"), 2, "leave out --from"),
        (("show", "marrow", "--probe", "marrow-prob"), 1, "did you mean 'marrow-probe'?"),
        (("show", "marrow", "--from", "2024-11-25T07:00:00Z", "--to", "2024-11-24T07:00:00Z"), 1, "before it begins"),
    ],
)
def test_what_cannot_be_shown_is_refused_with_what_to_do(
    house: House, arguments: tuple[str, ...], code: int, sentence: str
) -> None:
    result = house.do(*arguments)
    assert result.exit_code == code
    assert sentence in " ".join(result.stderr.split())


def test_a_span_longer_than_a_night_names_its_days(house: House) -> None:
    told = house.do("show", "marrow", "--from", "2024-11-20T00:00:00Z", "--to", "2024-11-25T00:00:00Z").stdout
    assert "at 24 Nov 20:" in told
    assert "|22 Nov" in told
