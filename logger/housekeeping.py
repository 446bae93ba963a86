"""What is slow and calendar-like: the daily backup and the look at the disk.

Law: jobs run in the scheduler's threads and only post what they found; a job that fails in an unexpected way ends the
process, since the scheduler would swallow it.
"""

import logging
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

from apscheduler.events import EVENT_JOB_ERROR, JobExecutionEvent
from apscheduler.schedulers.background import BackgroundScheduler

from logger.clock import Clock
from logger.errors import StoreError
from logger.model import Cause, Entry
from logger.ports import Crashed
from logger.store import Store

log = logging.getLogger(__name__)

DISK_RESERVE = 500_000_000
"""Bytes that must stay free: over a year of one probe at 10 s. [CP]"""
DISK_EVERY_MIN = 10
BACKUP_HOUR_UTC = 3
LATE_S = 3600
"""A job may start so late (a machine that slept, a clock that was stepped) and still counts."""


@dataclass(frozen=True, slots=True)
class Found:
    """What a job found, for the journal and the hub."""

    entry: Entry


class Housekeeping:
    """The scheduler and its two jobs."""

    def __init__(
        self, store: Store, clock: Clock, *, backup_dir: Path | None, post: Callable[[Found | Crashed], None]
    ) -> None:
        """Prepare; `start` begins."""
        self._store, self._clock, self._backup_dir, self._post = store, clock, backup_dir, post
        self._disk_was_low = False
        defaults = {"misfire_grace_time": LATE_S, "coalesce": True, "max_instances": 1}
        self._scheduler = BackgroundScheduler(timezone=UTC, job_defaults=defaults)
        self._scheduler.add_listener(self._on_error, EVENT_JOB_ERROR)
        if store.path is not None:
            minutes = f"*/{DISK_EVERY_MIN}"
            self._scheduler.add_job(self._look_at_disk, "cron", minute=minutes, args=[store.path.parent])
        if store.path is not None and backup_dir is not None:
            self._scheduler.add_job(self._back_up, "cron", hour=BACKUP_HOUR_UTC, args=[backup_dir])

    def start(self) -> None:
        """Begin; the disk is looked at at once."""
        if self._store.path is not None:
            self._look_at_disk(self._store.path.parent)
        self._scheduler.start()

    def plan_anew(self) -> None:
        """Plan by the wall clock as it is now: the scheduler would wait until one that was set back catches up."""
        for job in self._scheduler.get_jobs():
            job.reschedule(job.trigger)

    def stop(self) -> None:
        """End after the job that runs now."""
        self._scheduler.shutdown()

    def _look_at_disk(self, folder: Path) -> None:
        trouble = _disk_trouble(folder)
        if trouble and not self._disk_was_low:
            self._tell(Cause.DISK_LOW, trouble)
        self._disk_was_low = bool(trouble)

    def _back_up(self, folder: Path) -> None:
        try:
            copy = self._store.backup(folder, at_us=self._clock.read().at_us)
        except StoreError as error:
            self._tell(Cause.BACKUP_FAILED, f"No backup was made: {error}")
        else:
            log.info("Backup written to %s", copy)

    def _tell(self, cause: Cause, text: str) -> None:
        log.warning("%s", text)
        at_us = self._clock.read().at_us
        self._post(Found(Entry(seq=0, at_us=at_us, vat="", cause=cause, priority="medium", text=text)))

    def _on_error(self, event: JobExecutionEvent) -> None:
        self._post(Crashed(event.exception))


def _disk_trouble(folder: Path) -> str:
    """Say what is wrong with the room for the log; empty: nothing."""
    try:
        free = shutil.disk_usage(folder).free
    except OSError as error:
        return f"The room at {folder} cannot be told ({error.strerror}): is the disk still there?"
    return (
        f"Only {free // 1_000_000} MB are free at {folder}: make room, or the log stops" if free < DISK_RESERVE else ""
    )
