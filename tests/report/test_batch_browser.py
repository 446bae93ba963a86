"""The report of a batch in a real browser: printed, on a telephone, dark and light."""

import json
from pathlib import Path

import pytest

from tests.parts.browser import measured, needs_browser, printed, run
from tests.report import batch_night

pytestmark = [pytest.mark.slow, needs_browser]


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    house = batch_night.make(tmp_path_factory.mktemp("browser"))
    target = house.folder / "report.html"
    assert house.do("batch", "report", "N-17", "--out", str(target)).exit_code == 0
    return target


def test_the_first_printed_sheet_says_what_an_inspector_asks_first(page: Path) -> None:
    sheets = printed(page.parent, page)
    first = " ".join(sheets[0].split())
    for words in (
        "Batch record N-17, Marrow",
        "WITHDRAWN",
        "NOT SHOW",
        "pH alone does not make food safe",
        "heater stuck",
        "cable pulled",
        "REFUSED",
        "Facility NOT RECORDED",
        "temperature above 24 °C",
    ):
        assert words in first, words
    assert "The course" in sheets[1]
    assert "deadline" in sheets[1]
    assert any("Reviewed by, date" in sheet for sheet in sheets[1:3])
    assert len(sheets) < 20


@pytest.mark.parametrize("width", [390, 1000])
def test_nothing_runs_off_the_side_and_one_drawing_is_shown(page: Path, width: int) -> None:
    script = """d => JSON.stringify({
        wide: d.documentElement.scrollWidth,
        shown: [...d.querySelectorAll('svg')].filter(s => s.getBoundingClientRect().width > 0).length,
        letters: Math.min(...[...d.querySelectorAll('svg text')].filter(t => t.getBoundingClientRect().width > 0)
            .map(t => t.getBoundingClientRect().height)),
        scripts: d.querySelectorAll('script').length})"""
    found = json.loads(measured(page.parent, page, width=width, script=script))
    assert found["wide"] <= width
    assert (found["shown"], found["scripts"]) == (1, 0)
    assert found["letters"] >= 11  # CSS pixels, the height of a line of the smallest text


def test_it_is_dark_where_the_reader_wants_it_dark(page: Path) -> None:
    pictures = []
    for scheme in (0, 1):  # dark, light
        picture = page.parent / f"{scheme}.png"
        run(page.parent, f"--screenshot={picture}", f"--blink-settings=preferredColorScheme={scheme}",
            "--window-size=1000,1200", page.as_uri())  # fmt: skip
        pictures.append(picture.read_bytes())
    assert pictures[0] != pictures[1]
