"""The disk is looked at, copies are made, and a job that fails in a way nobody expected ends the process."""

import shutil
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from queue import SimpleQueue

import pytest

from logger import clock as clocks
from logger import housekeeping
from logger.housekeeping import Found, Housekeeping
from logger.model import Cause
from logger.ports import Crashed
from logger.store import Store
from tests.service.making import config_of

Posted = SimpleQueue[Found | Crashed]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    (tmp_path / "log").mkdir()
    config = config_of(tmp_path / "log")
    with Store.open(config.store_url, simulated=False, migrate=True) as opened:
        yield opened


def keeper(store: Store, posted: Posted, *, backup_dir: Path | None = None) -> Housekeeping:
    return Housekeeping(store, clocks.of(None), backup_dir=backup_dir, post=posted.put)


def hurried(kept: Housekeeping) -> None:
    """Let every job of the scheduler run at once: the next of its own hours is far away."""
    for job in kept._scheduler.get_jobs():  # noqa: SLF001 - there is no other way to its timetable
        job.func(*job.args)


def test_a_disk_with_little_room_is_told_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    posted: Posted = SimpleQueue()
    monkeypatch.setattr(housekeeping, "DISK_RESERVE", shutil.disk_usage("/").total * 1000)
    kept = keeper(store, posted)
    kept.start()
    hurried(kept)
    kept.stop()
    found = posted.get(timeout=1)
    assert isinstance(found, Found)
    assert (found.entry.cause, found.entry.priority) == (Cause.DISK_LOW, "medium")
    assert "make room" in found.entry.text
    assert posted.empty()


def test_a_backup_is_a_whole_store(store: Store, tmp_path: Path) -> None:
    posted: Posted = SimpleQueue()
    hurried(keeper(store, posted, backup_dir=tmp_path / "copies"))
    (copy,) = (tmp_path / "copies").iterdir()
    with closing(sqlite3.connect(copy)) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert posted.empty()


def test_a_backup_that_cannot_be_made_is_told_and_ends_nothing(store: Store, tmp_path: Path) -> None:
    posted: Posted = SimpleQueue()
    (tmp_path / "copies").write_text("a file where a folder should be")
    hurried(keeper(store, posted, backup_dir=tmp_path / "copies"))
    found = posted.get(timeout=1)
    assert isinstance(found, Found)
    assert found.entry.cause is Cause.BACKUP_FAILED


def test_a_folder_that_vanished_is_told_and_ends_nothing(store: Store) -> None:
    posted: Posted = SimpleQueue()
    kept = keeper(store, posted)
    assert store.path is not None
    shutil.move(store.path.parent, store.path.parent.with_name("elsewhere"))
    hurried(kept)
    found = posted.get(timeout=1)
    assert isinstance(found, Found)
    assert found.entry.cause is Cause.DISK_LOW


def test_a_job_that_fails_unexpectedly_is_posted_as_a_crash(store: Store) -> None:
    posted: Posted = SimpleQueue()
    kept = keeper(store, posted)

    def broken() -> None:
        raise ZeroDivisionError("a bug")

    kept.start()
    kept._scheduler.add_job(broken)  # noqa: SLF001 - the scheduler swallows what a job raises: that is the point
    crash = posted.get(timeout=30)
    kept.stop()
    assert isinstance(crash, Crashed)
    assert isinstance(crash.error, ZeroDivisionError)


def test_no_thread_is_left_behind(store: Store) -> None:
    before = set(threading.enumerate())
    kept = keeper(store, SimpleQueue())
    kept.start()
    kept.stop()
    assert {thread for thread in threading.enumerate() if thread.is_alive()} <= before


def test_a_clock_that_was_set_back_by_a_month_puts_nothing_off(store: Store, tmp_path: Path) -> None:
    # APScheduler goes by the wall clock (pitfalls.md): what it had planned would be a month away.
    kept = keeper(store, SimpleQueue(), backup_dir=tmp_path / "copies")
    kept.start()
    try:
        jobs = kept._scheduler.get_jobs()  # noqa: SLF001 - there is no other way to its timetable
        for job in jobs:
            job.modify(next_run_time=job.next_run_time + timedelta(days=30))
        kept.plan_anew()
        now = datetime.now(UTC)  # noqa: TID251 - the scheduler's own clock
        waits = sorted(job.next_run_time - now for job in jobs)
        assert timedelta(0) <= waits[0] <= timedelta(minutes=housekeeping.DISK_EVERY_MIN)
        assert waits[1] <= timedelta(days=1)
    finally:
        kept.stop()
