"""Run the slow jobs of the calendar: the daily backup, the check of the disk, the good-night test.

Law: jobs run in the scheduler's threads and only post what they found; a job that fails in an unexpected way ends the
process, since the scheduler would swallow it. The end waits for no job: each has a thread that keeps no process, and a
backup is broken off.
"""

import logging
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from threading import Thread
from typing import Any
from zoneinfo import ZoneInfo

from apscheduler.events import EVENT_JOB_ERROR, JobExecutionEvent
from apscheduler.executors.base import BaseExecutor, run_job
from apscheduler.schedulers.background import BackgroundScheduler

from logger.config import SystemConfig
from logger.daemon.clock import Clock
from logger.errors import StoreBusyError, StoreDamagedError, StoreError, ThreadCrash
from logger.model import Cause, Command, CommandKind, Entry
from logger.store import Store
from logger.store.backup import copies, size_bytes
from logger.store.integrity import damage
from logger.structs import Struct
from logger.units import DAY_US
from logger.watch.system import SYSTEM

log = logging.getLogger(__name__)

DISK_EVERY_MIN = 10
DISK_DEADBAND = 1.1
"""There is room again when so many times the reserve is free. Common practice, no source."""
MB = 1_000_000
BACKUP_HOUR_UTC = 3
LATE_S = 3600
"""A job may start so late (a machine that slept, a clock that was stepped) and still counts."""


class HousekeepingReport(Struct, frozen=True):
    """What a job found, for the journal and the hub."""

    entry: Entry


class DiskSpace(Struct, frozen=True):
    """What the disk is like: what is wrong (empty: nothing), or not yet quite right again."""

    trouble: str
    in_deadband: bool = False


class _Threads(BaseExecutor):  # type: ignore[misc] # the library has no types
    """Runs each job in a thread that keeps no process: the library's own are waited for at the end."""

    def _do_submit_job(self, job: Any, run_times: Any) -> None:  # noqa: ANN401 - the library's own
        Thread(target=self._run, args=(job, run_times), name=f"job-{job.name}", daemon=True).start()

    def _run(self, job: Any, run_times: Any) -> None:  # noqa: ANN401 - the library's own
        try:
            happened = run_job(job, job._jobstore_alias, run_times, self._logger.name)  # noqa: SLF001 - as its own
        except BaseException as error:  # noqa: BLE001 - as its own
            self._run_job_error(job.id, error, error.__traceback__)
        else:
            self._run_job_success(job.id, happened)


class Housekeeping:
    """The scheduler and its jobs."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        *,
        backup_dir: Path | None,
        system: SystemConfig,
        post: Callable[[HousekeepingReport | DiskSpace | ThreadCrash], None],
    ) -> None:
        """Prepare; `start` begins."""
        self._store, self._clock, self._backup_dir, self._post = store, clock, backup_dir, post
        self._reserve, self._within_s = system.disk_reserve_mb * MB, system.rehearse_within_s
        defaults = {"misfire_grace_time": LATE_S, "coalesce": True, "max_instances": 1}
        self._is_ending = False
        self._scheduler = BackgroundScheduler(timezone=UTC, job_defaults=defaults, executors={"default": _Threads()})
        self._scheduler.add_listener(self._on_error, EVENT_JOB_ERROR)
        if store.path is not None:
            minutes = f"*/{DISK_EVERY_MIN}"
            self._scheduler.add_job(self._check_disk, "cron", minute=minutes, args=[store.path.parent])
        if store.path is not None and backup_dir is not None:
            self._scheduler.add_job(self._back_up, "cron", hour=BACKUP_HOUR_UTC, args=[backup_dir])
        if system.rehearse_at_min is not None:
            hour, minute = divmod(system.rehearse_at_min, 60)
            zone = ZoneInfo(system.rehearse_zone)
            self._scheduler.add_job(self._rehearse, "cron", hour=hour, minute=minute, timezone=zone)

    def start(self) -> None:
        """Begin; the disk is looked at at once, and a backup that is overdue is made."""
        if self._store.path is not None:
            self._check_disk(self._store.path.parent)
        self._scheduler.start()
        if self._backup_dir is not None:
            # daily, not once: a job that is over is removed, and the scheduler stumbles if it is stopped meanwhile
            now = datetime.now(UTC)  # noqa: TID251 - the scheduler's own clock
            arguments = [self._backup_dir]
            self._scheduler.add_job(self._back_up_if_due, "interval", days=1, next_run_time=now, args=arguments)

    def plan_anew(self) -> None:
        """Plan by the wall clock as it is now: the scheduler would wait until one that was set back catches up."""
        for job in self._scheduler.get_jobs():
            job.reschedule(job.trigger)

    def stop(self) -> None:
        """Begin no job any more; break off a backup that is being made."""
        self._is_ending = True
        self._scheduler.shutdown(wait=False)

    def _check_disk(self, folder: Path) -> None:
        self._post(disk_space(folder, self._reserve))

    def _back_up_if_due(self, folder: Path) -> None:
        """Make the backup that is overdue: a machine may always be off at its hour, and one may have failed."""
        if not self._store.is_backed_up(folder, since_at_us=self._clock.read().at_us - DAY_US):
            self._back_up(folder)

    def _back_up(self, folder: Path) -> None:
        if not self._store.has_changed(folder):
            log.info("No backup is made: the newest one in %s holds all that the store does", folder)
            return
        try:
            copy = self._store.backup(folder, at_us=self._clock.read().at_us, is_wanted=lambda: not self._is_ending)
        except StoreError as error:
            if self._is_ending:
                log.info("%s", error)
                return
            self._post_entry(Cause.BACKUP_FAILED, f"No backup was made: {error}")
            if not isinstance(error, StoreBusyError):
                self._look_for_damage()
        else:
            self._tell_cost(copy, folder)

    def _tell_cost(self, copy: Path, folder: Path) -> None:
        """Say what the backups cost, and warn when the disk has no room for many more."""
        store = self._store.path or copy
        count, size = len(copies(store, folder)), size_bytes(store, folder)
        log.info("Backup written to %s; the %d kept take %.1f MB", copy, count, size / MB)

    def _look_for_damage(self) -> None:
        """Look whether it is the store, and not its copy, that is damaged."""
        try:
            found = damage(self._store.path) if self._store.path else ""
        except StoreBusyError as error:
            log.warning("%s", error)
            return
        if found:
            self._post(ThreadCrash(StoreDamagedError(f"The store {self._store.path} is damaged ({found})")))

    def _rehearse(self) -> None:
        """Ask for the good-night test, as a person would."""
        kind, at_us = CommandKind.REHEARSE, self._clock.read().at_us
        command = Command(id=0, at_us=at_us, kind=kind, vat=SYSTEM, duration_s=self._within_s, by="schedule")
        try:
            with self._store.begin() as work:
                work.add_command(command)
                work.commit()
        except StoreError as error:
            self._post_entry(Cause.REFUSED, f"The good-night test could not begin: {error}. Try `vatvigil rehearse`")

    def _post_entry(self, cause: Cause, text: str) -> None:
        log.warning("%s", text)
        at_us = self._clock.read().at_us
        self._post(HousekeepingReport(Entry(seq=0, at_us=at_us, vat="", cause=cause, priority="medium", text=text)))

    def _on_error(self, event: JobExecutionEvent) -> None:
        self._post(ThreadCrash(event.exception))


def disk_space(folder: Path, reserve: float) -> DiskSpace:
    """Return what there is to say of the room for the log; `reserve`: bytes that must stay free."""
    try:
        free = shutil.disk_usage(folder).free
    except OSError as error:
        return DiskSpace(f"the room at {folder} cannot be told ({error.strerror}): is the disk still there?")
    trouble = f"only {free // MB} MB are free at {folder}: make room, or the log stops"
    return DiskSpace(trouble if free < reserve else "", in_deadband=reserve <= free < reserve * DISK_DEADBAND)
