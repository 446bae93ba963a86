"""`vatvigil archive`, from a long log to what the reports say afterwards."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from logger.store import Store
from tests.cli.cli_fixture import SECOND_US, House, now_us

DAY_US = 86_400 * SECOND_US
OLD_DAYS = 40


@pytest.fixture
def house(tmp_path: Path) -> House:
    """A vat with a batch that ended forty days ago, and with records of today."""
    made = House(folder=tmp_path)
    with made.watch() as watching:
        old_us = now_us() - OLD_DAYS * DAY_US
        watching.calibrate(old_us - 700 * SECOND_US)
        watching.take_at_once([150.0] * 40, first_us=old_us)
        watching.take_at_once([150.0] * 20, first_us=now_us() - 300 * SECOND_US)
    return made


def said(house: House, *arguments: str, code: int = 0) -> str:
    done = house.do(*arguments)
    assert (done.exit_code, done.exception if code == 0 else None) == (code, None), done.output
    return " ".join(done.output.split())


def evening(days_ago: int = OLD_DAYS) -> str:
    return f"{datetime.fromtimestamp(now_us() / SECOND_US - days_ago * 86_400, UTC):%Y-%m-%d}"


def test_what_is_old_moves_into_a_file_that_every_report_reads(house: House, tmp_path: Path) -> None:
    file, before = tmp_path / "old.sqlite", ("--before", evening(20))
    assert "Nothing was moved out of the store yet" in (listed := said(house, "archive", "list", *before))
    assert "marrow marrow-probe 40" in listed
    assert "add --yes to move it" in said(house, "archive", "make", str(file), *before)
    assert not file.exists()
    told = said(house, "archive", "make", str(file), *before, "--yes")
    for words in (
        "To be moved into",
        "Read again and found the same",
        "no backup of the store has it",
        "Start the daemon",
    ):
        assert words in told
    assert "The store says the same of it" in said(house, "archive", "verify", str(file))
    assert house.json("archive", "list")["archives"][0]["file"] == str(file)
    assert str(file) in said(house, "alarms", "journal")
    since = ("--from", "2000-01-01")
    here, there = (
        said(house, "export", "marrow", *since),
        said(house, "export", "marrow", *since, "--archive", str(file)),
    )
    assert (here.count("marrow-probe"), there.count("marrow-probe")) == (20, 40)
    assert f"was moved to the archive {file}" in here
    assert "was made already" in said(house, "archive", "make", str(file), *before, "--yes")


@pytest.mark.slow
def test_nights_reports_and_seals_of_what_was_moved_say_where_it_is(house: House, tmp_path: Path) -> None:
    before = ("--before", evening(20))
    file, report = tmp_path / "old.sqlite", tmp_path / "report.html"
    begin = f"{evening()}T00:00:00Z"
    for arguments in (
        ("batch", "start", "marrow", "--at", begin),
        ("batch", "end", "marrow", "--at", f"{evening()}T23:59:00Z"),
    ):
        said(house, *arguments, "--wait", "0", "--by", "tova")
    with house.watch() as watching:
        watching.take_at_once([150.0], first_us=now_us())  # it takes both commands
    said(house, "batch", "report", "marrow", "--out", str(report))
    said(house, "archive", "make", str(file), *before, "--yes")
    assert "add --also" in said(house, "batch", "report", "marrow", "--out", str(tmp_path / "new.html"), code=1)
    also = ("--also", str(file))
    assert "The same" in said(house, "batch", "verify", str(report), *also)
    said(house, "batch", "report", "marrow", "--out", str(tmp_path / "new.html"), *also)
    assert "The same" in said(house, "batch", "verify", str(tmp_path / "new.html"), *also)
    night = said(house, "night", "marrow", "--evening", evening())
    assert "Archived what was stored of marrow up to" in night
    assert str(file) in night
    assert "did the daemon run" not in night
    assert "more in archives" in said(house, "electrode", "marrow-probe")
    assert "is only read" in said(house, "restore", str(file), code=1)


@pytest.mark.slow
def test_a_store_is_not_upgraded_as_an_archive(house: House, tmp_path: Path) -> None:
    assert "is no archive" in said(house, "archive", "upgrade", str(tmp_path / "log.sqlite"), code=1)


@pytest.mark.slow
def test_a_store_that_is_watched_is_left_alone(house: House, tmp_path: Path) -> None:
    with Store.open(house.config.store_url, simulated=False) as daemon:
        daemon.claim()
        told = said(house, "archive", "make", str(tmp_path / "old.sqlite"), "--yes", code=1)
    assert "end that one" in told
    assert not (tmp_path / "old.sqlite").exists()


@pytest.mark.slow
@pytest.mark.parametrize("file", ["vatvigil.toml", "log.sqlite", "nowhere/old.sqlite"])
def test_no_file_is_taken_for_an_archive_that_is_none(house: House, tmp_path: Path, file: str) -> None:
    before = (tmp_path / file).read_bytes() if (tmp_path / file).exists() else None
    told = said(house, "archive", "make", str(tmp_path / file), "--yes", code=1)
    assert "left as it is" in told or "make it first" in told
    if before is not None and file != "log.sqlite":
        assert (tmp_path / file).read_bytes() == before
