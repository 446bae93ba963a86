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
from apscheduler.events import EVENT_JOB_EXECUTED, JobExecutionEvent

from logger.config import SystemConfig
from logger.daemon import clock as clocks
from logger.daemon import housekeeping
from logger.daemon.housekeeping import DiskSpace, Housekeeping, HousekeepingReport, disk_space
from logger.errors import StoreDamagedError, ThreadCrash
from logger.model import Cause, CommandKind, Entry
from logger.store import Store, backup, queries
from tests.daemon.factories import config_of

Posted = SimpleQueue[HousekeepingReport | DiskSpace | ThreadCrash]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    (tmp_path / "log").mkdir()
    config = config_of(tmp_path / "log")
    with Store.open(config.store_url, simulated=False, migrate=True) as opened:
        yield opened


def keeper(
    store: Store, posted: Posted, *, backup_dir: Path | None = None, rehearse_at_min: int | None = None
) -> Housekeeping:
    system = SystemConfig(disk_reserve_mb=1.0, rehearse_at_min=rehearse_at_min)
    return Housekeeping(store, clocks.of(None), backup_dir=backup_dir, system=system, post=posted.put)


def found(posted: Posted) -> HousekeepingReport | ThreadCrash:
    """Return what was posted next, but for how much room there is."""
    while isinstance(item := posted.get(timeout=30), DiskSpace):
        pass
    return item


def hurried(kept: Housekeeping) -> None:
    """Let every job of the scheduler run at once: the next of its own hours is far away."""
    for job in kept._scheduler.get_jobs():  # noqa: SLF001 - there is no other way to its timetable
        job.func(*job.args)


def test_the_disk_is_looked_at_when_it_starts(store: Store) -> None:
    posted: Posted = SimpleQueue()
    kept = keeper(store, posted)
    kept.start()
    kept.stop()
    assert posted.get(timeout=1) == DiskSpace("")


def test_room_is_low_below_the_reserve_and_enough_again_a_tenth_above_it(store: Store) -> None:
    assert store.path is not None
    folder, free = store.path.parent, shutil.disk_usage(store.path.parent).free
    low = disk_space(folder, free * 2)
    assert "make room" in low.trouble
    assert f"{folder}" in low.trouble
    assert disk_space(folder, free * 0.95) == DiskSpace("", in_deadband=True)
    assert disk_space(folder, free * 0.5) == DiskSpace("")


def test_a_backup_is_a_whole_store(store: Store, tmp_path: Path) -> None:
    posted: Posted = SimpleQueue()
    hurried(keeper(store, posted, backup_dir=tmp_path / "copies"))
    (copy,) = (tmp_path / "copies").iterdir()
    with closing(sqlite3.connect(copy)) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert posted.get() == DiskSpace("")
    assert posted.empty()


def test_a_backup_that_is_overdue_is_made_at_the_start_and_only_then(store: Store, tmp_path: Path) -> None:
    copies = tmp_path / "copies"
    started(store, copies, expected=1)
    started(store, copies, expected=1)  # there is one of today
    (copy,) = copies.iterdir()
    copy.rename(copies / "night-20200101T030000Z.sqlite")
    started(store, copies, expected=1)  # it holds all that the store does
    with store.begin() as work:
        work.add_entries([Entry(seq=0, at_us=1, vat="", cause=Cause.NOTED, text="skimmed")])
        work.commit()
    started(store, copies, expected=2)


def started(store: Store, copies: Path, *, expected: int) -> None:
    """Let it begin and look once for a backup that is due; then there are so many copies."""
    kept, looked = keeper(store, SimpleQueue(), backup_dir=copies), threading.Event()
    scheduler = kept._scheduler  # noqa: SLF001 - only it tells when a job is done
    name = Housekeeping._back_up_if_due.__name__  # noqa: SLF001 - as above

    def note(event: JobExecutionEvent) -> None:
        if scheduler.get_job(event.job_id).name.endswith(name):
            looked.set()

    scheduler.add_listener(note, EVENT_JOB_EXECUTED)
    kept.start()
    assert looked.wait(30.0)
    kept.stop()
    assert len(list(copies.iterdir())) == expected


def test_a_backup_that_cannot_be_made_is_told_and_ends_nothing(store: Store, tmp_path: Path) -> None:
    posted: Posted = SimpleQueue()
    (tmp_path / "copies").write_text("a file where a folder should be")
    hurried(keeper(store, posted, backup_dir=tmp_path / "copies"))
    told = found(posted)
    assert isinstance(told, HousekeepingReport)
    assert told.entry.cause is Cause.BACKUP_FAILED


def test_a_folder_that_vanished_is_told_and_ends_nothing(store: Store) -> None:
    posted: Posted = SimpleQueue()
    kept = keeper(store, posted)
    assert store.path is not None
    shutil.move(store.path.parent, store.path.parent.with_name("elsewhere"))
    hurried(kept)
    told = posted.get(timeout=1)
    assert isinstance(told, DiskSpace)
    assert "is the disk still there" in told.trouble


def test_a_job_that_fails_unexpectedly_is_posted_as_a_crash(store: Store) -> None:
    posted: Posted = SimpleQueue()
    kept = keeper(store, posted)

    def broken() -> None:
        raise ZeroDivisionError("a bug")

    kept.start()
    kept._scheduler.add_job(broken)  # noqa: SLF001 - the scheduler swallows what a job raises: that is the point
    crash = found(posted)
    kept.stop()
    assert isinstance(crash, ThreadCrash)
    assert isinstance(crash.error, ZeroDivisionError)


def test_the_hour_of_the_good_night_test_only_asks_for_it(store: Store) -> None:
    kept = keeper(store, SimpleQueue(), rehearse_at_min=21 * 60 + 30)
    (rehearse,) = [job for job in kept._scheduler.get_jobs() if job.name.endswith("_rehearse")]  # noqa: SLF001 - as above
    rehearse.func()
    assert [(c.kind, c.vat, c.duration_s, c.by) for c in queries.pending_commands(store)] == [
        (CommandKind.REHEARSE, "system", 600.0, "schedule")
    ]


def test_no_thread_is_left_behind(store: Store) -> None:
    before = set(threading.enumerate())
    kept = keeper(store, SimpleQueue())
    kept.start()
    kept.stop()
    assert {thread for thread in threading.enumerate() if thread.is_alive()} <= before


def test_a_clock_that_was_set_back_by_a_month_puts_nothing_off(store: Store, tmp_path: Path) -> None:
    # APScheduler goes by the wall clock: what it had planned would be a month away.
    store.backup(tmp_path / "copies", at_us=clocks.of(None).read().at_us)  # so that none is due at once
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
        assert waits[-1] <= timedelta(days=1)
    finally:
        kept.stop()


def test_a_store_that_a_backup_finds_damaged_is_told_as_such(store: Store, tmp_path: Path) -> None:
    assert store.path is not None
    store.close()
    content = store.path.read_bytes()
    store.path.write_bytes(content[:4096] + bytes(len(content) - 4096))
    posted: Posted = SimpleQueue()
    hurried(keeper(store, posted, backup_dir=tmp_path / "copies"))
    told, crash = found(posted), found(posted)
    assert isinstance(told, HousekeepingReport)
    assert isinstance(crash, ThreadCrash)
    assert isinstance(crash.error, StoreDamagedError)


def test_a_copy_that_went_bad_sets_no_sound_store_aside(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def bad_disk(*_: object) -> None:
        raise sqlite3.DatabaseError("the copy is malformed")

    monkeypatch.setattr(backup, "_check", bad_disk)
    posted: Posted = SimpleQueue()
    hurried(keeper(store, posted, backup_dir=tmp_path / "copies"))
    assert isinstance(found(posted), HousekeepingReport)
    assert posted.empty()
