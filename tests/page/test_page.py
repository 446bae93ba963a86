"""What the page says of vats, from a store that the pipeline filled."""

import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path

import pytest

from logger.config import Config
from logger.page import source as source_module
from logger.store import Store
from logger.structs import replace
from logger.units import MINUTE_US, SECOND_US
from tests.page import scene
from tests.page.served import Served, served
from tests.parts.postgres import Postgres

NOW_US = scene.NOW_US


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Config:
    return scene.build(tmp_path_factory.mktemp("page"), now_us=NOW_US, vats=scene.SMALL)


@pytest.fixture
def clock() -> list[int]:
    """UTC as the page has it."""
    return [NOW_US]


@pytest.fixture
def page(made: Config, clock: list[int], monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    monkeypatch.setattr(source_module, "KEPT_S", 0.0)
    with served(made, lambda: clock[0]) as running:
        yield running


INLINE = ("a", "b", "bdi", "code", "span", "strong", "time")


class Words(HTMLParser):
    """The text of a page as a reader has it, and the elements that are in it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.feed(text)

    def handle_data(self, data: str) -> None:
        self.parts.append(data)

    def handle_endtag(self, tag: str) -> None:
        self.parts += [] if tag in INLINE else [" "]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        self.ids += [value or "" for name, value in attrs if name == "id"]

    @property
    def text(self) -> str:
        return " ".join("".join(self.parts).split())


def words(page: Served, path: str = "/", status: int = 200) -> Words:
    answer = page.get(path)
    assert answer.status == status
    return Words(answer.text)


def test_a_vat_is_seen_at_a_glance(page: Served) -> None:
    text = words(page).text
    assert re.search(r"North vat pH 4\.\d\d ± 0\.\d\d \(k = 2\)", text)
    assert "Believed" in text
    assert re.search(r"\d\d\.\d °C, read 4 s ago", text)
    assert "medium target reached, not confirmed, unacknowledged for" in text
    assert "OLD" not in text
    assert "pH alone does not make food safe." in text


def test_old_data_are_loud(page: Served, clock: list[int]) -> None:
    clock[0] = NOW_US + 25 * MINUTE_US
    for path in ("/", "/vat/north"):
        text = words(page, path).text
        assert "OLD: read 25 min ago" in text
        assert "Believed then" in text
    clock[0] = NOW_US - 25 * MINUTE_US
    assert "OLD: read at a time that is yet to come: the clock was set back" in words(page).text


def test_one_vat_shows_its_curve_its_journal_and_its_batch(page: Served) -> None:
    shown = words(page, "/vat/north")
    assert "svg" in shown.tags
    assert len(shown.ids) == len({*shown.ids})
    for text in ("The last 12 h", "Lowest pH", "Journal", "calibrated by", "Trust", "Forecast"):
        assert text in shown.text
    for text in ("white cabbage, 96 kg, lot C-12", "sea salt, 2.1 kg, lot NOT RECORDED"):
        assert text in shown.text
    for text in ("The batch", "lot code L-0417", "volume 120 L", "by tova"):
        assert text in shown.text
    for text in ("Departures", "from 2026-11-24 18:00:00 CET", "a window stood open"):
        assert text in shown.text


@pytest.mark.parametrize(
    ("span", "title"),
    [("12h", "The last 12 h"), ("3d", "The last 3 days"), ("batch", "The batch"), ("x", "The last 12 h")],
)
def test_a_span_can_be_chosen(page: Served, span: str, title: str) -> None:
    shown = words(page, f"/vat/north?span={span}")
    assert title in shown.text
    assert ("aria-current", "page") in shown.attributes


def test_what_somebody_wrote_is_text_and_hides_nothing(page: Served) -> None:
    answer = page.get("/vat/north")
    shown = Words(answer.text)
    assert shown.text.count(scene.NASTY) >= 3  # in the record, in the journal, as a name
    assert f"{scene.NASTY} \\u202elive" in shown.text
    assert shown.tags.count("script") == 1
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in answer.text
    assert shown.text.count("long long") > 900


def test_the_markup_needs_nothing_that_the_policy_forbids(page: Served) -> None:
    for path in ("/", "/vat/north", "/vat/none"):
        shown = Words(page.get(path).text)
        assert not {"style", "iframe", "form", "object"} & {*shown.tags}
        assert not [name for name, _ in shown.attributes if name.startswith("on") or name == "style"]
        links = [value for name, value in shown.attributes if name in ("href", "src")]
        assert all(link is not None and re.match(r"[/?#](?!/)", link) for link in links)


def test_there_is_no_other_vat(page: Served) -> None:
    for path in ("/vat/none", "/vat/..%2f..%2fetc", "/nothing"):
        assert "No such page" in words(page, path, 404).text


def test_a_store_that_is_away_is_said_loudly_and_found_again(
    made: Config, clock: list[int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(source_module, "KEPT_S", 0.0)
    folder = tmp_path / "house"
    shutil.copytree(Path(made.store_url.removeprefix("sqlite:///")).parent, folder)
    file = folder / "log.sqlite"
    config = replace(made, store_url=f"sqlite:///{file}")
    with served(config, lambda: clock[0]) as page:
        assert "OLD" not in words(page).text
        aside = file.rename(tmp_path / "aside.sqlite")
        clock[0] += 120 * SECOND_US
        text = words(page, status=503).text
        assert "THE STORE CANNOT BE READ" in text
        assert "What is below was read 2 min ago" in text
        assert "OLD: last read (2026-11-24 18:59:56 CET)" in text
        assert " This page goes on trying." in text
        assert re.search(r"pH 4\.\d\d", text)
        shown = words(page, "/vat/north", 503).text
        assert "There is no curve to show now." in shown
        aside.rename(file)
        clock[0] = NOW_US
        assert "THE STORE" not in words(page).text
        assert "svg" in words(page, "/vat/north").tags


def test_another_file_in_the_place_of_the_store_is_seen(
    made: Config, clock: list[int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(source_module, "KEPT_S", 0.0)
    file, other = tmp_path / "log.sqlite", tmp_path / "new.sqlite"
    shutil.copy(made.store_url.removeprefix("sqlite:///"), file)
    Store.open(f"sqlite:///{other}", simulated=False, migrate=True).close()
    with served(replace(made, store_url=f"sqlite:///{file}"), lambda: clock[0]) as page:
        assert re.search(r"pH 4\.\d\d", words(page).text)
        other.replace(file)
        text = words(page).text
        assert "nothing was read yet" in text
        assert not re.search(r"pH 4\.\d\d", text)


def test_a_store_that_was_never_there_is_said_so(made: Config, tmp_path: Path) -> None:
    with served(replace(made, store_url=f"sqlite:///{tmp_path}/none.sqlite"), lambda: NOW_US) as page:
        assert "Nothing could be read yet." in words(page, status=503).text
        assert "THE STORE CANNOT BE READ" in words(page, "/vat/north", 503).text


def test_looking_writes_nothing(page: Served, made: Config) -> None:
    file = Path(made.store_url.removeprefix("sqlite:///"))
    before = file.read_bytes(), os.stat(file).st_mtime_ns  # noqa: PTH116 - both at once
    words(page)
    words(page, "/vat/north?span=batch")
    assert (file.read_bytes(), os.stat(file).st_mtime_ns) == before  # noqa: PTH116
    with closing(sqlite3.connect(file)) as connection:
        assert connection.execute("SELECT count(*) FROM inbox WHERE consumed_seq IS NULL").fetchone() == (0,)


def test_a_server_that_ended_every_session_is_found_again(
    made: Config, postgres: Postgres, postgres_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(source_module, "KEPT_S", 0.0)
    Store.open(postgres_url, simulated=False, migrate=True).close()
    with served(replace(made, store_url=postgres_url), lambda: NOW_US) as page:
        assert page.get("/").status == 200
        postgres.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'vatvigil'")
        assert page.get("/").status in (200, 503)
        assert page.get("/").status == 200
