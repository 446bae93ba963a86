"""The store's disk: full, full in the middle of a write, locked, read-only; the store damaged, cut short or deleted."""

import os
import random
import resource
import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from tests.campaign.bench import Bench, bench
from tests.campaign.table import chance, note, trials
from tests.campaign.witness import Count
from tests.parts.mosquitto import MakeMosquitto

pytestmark = [pytest.mark.slow, pytest.mark.timeout(7200)]
HELD_S = 4.0
AGAIN = "The store can be written again"
COPIED = 'path = "log.sqlite"\nbackup_dir = "copies"'


@contextmanager
def limited(here: Bench, size: int) -> Iterator[None]:
    """Let no file of the daemon grow beyond a size: as on a full disk, only that the error has another number."""
    assert here.process is not None
    before = resource.prlimit(here.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(here.process.pid, resource.RLIMIT_FSIZE, (size, before[1]))
    yield
    resource.prlimit(here.process.pid, resource.RLIMIT_FSIZE, before)


def full(here: Bench, _chance: random.Random) -> None:
    with limited(here, 1024):
        time.sleep(HELD_S)


def full_in_a_write(here: Bench, instants: random.Random) -> None:
    log = here.file.with_name("log.sqlite-wal")
    with limited(here, log.stat().st_size + instants.randrange(6000)):
        time.sleep(HELD_S)


def locked(here: Bench, _chance: random.Random) -> None:
    with closing(sqlite3.connect(here.file, isolation_level=None, timeout=30)) as other:
        other.execute("BEGIN IMMEDIATE")
        time.sleep(HELD_S)


@contextmanager
def failing(here: Bench, error: str) -> Iterator[None]:
    """Let each call by which SQLite writes or flushes fail with an error of the kernel (strace(1), inject)."""
    assert here.process is not None
    calls = "pwrite64,fdatasync,fsync,ftruncate"
    command = ["strace", "-f", "-q", "-o", "/dev/null", "-e", f"trace={calls}", "-e", f"inject={calls}:error={error}"]
    with subprocess.Popen([*command, "-p", str(here.process.pid)]) as tracer:
        yield
        tracer.terminate()


def answering(error: str, name: str) -> Callable[[Bench, random.Random], None]:
    def fail(here: Bench, _chance: random.Random) -> None:
        before = here.log.count(AGAIN)
        with failing(here, error):
            time.sleep(HELD_S)
        here.until(lambda: here.log.count(AGAIN) > before, AGAIN)

    fail.__name__ = name
    return fail


HARMLESS: tuple[Callable[[Bench, random.Random], None], ...] = (full, full_in_a_write, locked)
ANSWERS = (answering("ENOSPC", "no_space"), answering("EIO", "aborted"), answering("EROFS", "read_only_in_the_run"))
"""In the long form only: who is not root may not trace what he did not start, by the setting of most kernels."""


def test_the_disk_in_trouble(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    number = trials(1, 6)
    with bench(tmp_path / "bench", mosquitto()) as here:
        here.start()
        here.watch()
        for fault in (*HARMLESS, *ANSWERS[: trials(0, 3)]):
            instants, ended = chance(f"disk {fault.__name__}"), here.unasked
            for _ in range(number):
                here.look()
                with here.witness.alarm_path_open():
                    fault(here, instants)
                    here.watch(2)
            count = here.verdict_after_telling()
            note(f"disk: {fault.__name__.replace('_', ' ')}", number, count, ended=here.unasked - ended)


def test_the_disk_read_only_at_a_start(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    number = trials(1, 5)
    with bench(tmp_path / "bench", mosquitto()) as here:
        here.start()
        here.watch()
        for _ in range(number):
            here.look()
            here.end()
            with read_only(here.folder):
                here.start()
                assert here.process is not None
                assert here.process.wait(30) == 1  # its manager starts it again
            here.start()
            here.watch()
        note("disk: read-only at a start", number, here.verdict_after_telling(), ended=here.unasked)


def run(command: str) -> None:
    subprocess.run(command.split(), check=True)


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Let nobody write the store; root, whom modes do not hold, by a mount."""
    if os.geteuid() == 0:
        store = folder / "log.sqlite"
        run(f"mount --bind {store} {store}")
        run(f"mount -o remount,bind,ro {store}")
        yield
        run(f"umount {store}")
        return
    (folder / "log.sqlite").chmod(0o400)
    yield
    (folder / "log.sqlite").chmod(0o600)


def damaged(file: Path, instants: random.Random) -> None:
    with file.open("r+b") as store:
        for _ in range(60):
            store.seek(instants.randrange(0, file.stat().st_size - 600))
            store.write(instants.randbytes(500))


def header_gone(file: Path, instants: random.Random) -> None:
    with file.open("r+b") as store:
        store.write(instants.randbytes(100))


def cut_short(file: Path, instants: random.Random) -> None:
    os.truncate(file, instants.randrange(1, 5) * 4096)


def log_cut_short(file: Path, _chance: random.Random) -> None:
    os.truncate(file.with_name("log.sqlite-wal"), 0)


def log_deleted(file: Path, _chance: random.Random) -> None:
    file.with_name("log.sqlite-wal").unlink()


def deleted(file: Path, _chance: random.Random) -> None:
    for part in ("log.sqlite", "log.sqlite-wal", "log.sqlite-shm"):
        file.with_name(part).unlink(missing_ok=True)


Harm = Callable[[Path, random.Random], None]
IN_RUN: tuple[Harm, ...] = (cut_short, log_cut_short, log_deleted, deleted)
AT_START: tuple[Harm, ...] = (header_gone, cut_short, deleted, damaged)


@pytest.mark.parametrize("is_running", [True, False])
def test_the_store_damaged(tmp_path: Path, mosquitto: MakeMosquitto, *, is_running: bool) -> None:
    where = "in the run" if is_running else "at a start"
    broker = mosquitto()
    harms = IN_RUN if is_running else AT_START
    for harm in harms[-trials(1, len(harms)) :]:  # `tests/e2e/test_damaged_store.py` and `tests/daemon` try the others
        name = f"store: {harm.__name__.replace('_', ' ')} {where}"
        instants, number = chance(name), trials(1, 4)
        for n in range(number):
            with bench(tmp_path / f"{harm.__name__}-{n}", broker, store=COPIED) as here:
                hurt(here, harm, instants, is_running=is_running)
                note(name, 1, renewed(here), ended=here.unasked)


def test_the_header_gone_in_the_run(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    """Nobody need notice: the first page is in the log, and comes back with it, or else the next start begins anew."""
    name, broker = "store: header gone in the run", mosquitto()
    for n in range(trials(0, 6)):
        with bench(tmp_path / f"trial-{n}", broker, store=COPIED) as here:
            here.start()
            here.watch(2)
            here.until(lambda: any(here.folder.glob("copies/*.sqlite")), "a backup")
            here.look()
            with here.witness.alarm_path_open():
                header_gone(here.file, chance(f"{name} {n}"))
                here.watch(3)
            here.end()
            here.start()
            here.watch()
            is_new = any(event["alarm"] == "store-renewed" for event in here.witness.events)
            print(f"trial {n}: {'begun anew' if is_new else 'nothing lost'}")
            note(name, 1, renewed(here) if is_new else here.verdict_after_telling(), ended=here.unasked)


def hurt(here: Bench, harm: Harm, instants: random.Random, *, is_running: bool) -> None:
    here.start()
    here.watch(2)
    here.until(lambda: any(here.folder.glob("copies/*.sqlite")), "a backup")
    if is_running:
        with here.witness.alarm_path_open():
            harm(here.file, instants)
            said(here, "store-unwritable" if harm is deleted else "store-renewed")
            here.watch(3)
    else:
        here.end()
        harm(here.file, instants)
        here.start()
    if harm is deleted and is_running:  # it might be a disk that is not mounted: only a start decides
        here.end()
        here.start()
    said(here, "store-renewed")
    here.watch(3)
    assert here.end() == 0


def said(here: Bench, alarm: str) -> None:
    here.until(lambda: any(e["alarm"] == alarm for e in here.witness.events), alarm)


def renewed(here: Bench) -> Count:
    """Count what became of the alarms: the store itself may have lost what came after its newest backup."""
    count, heard = Count(), [e for e in here.witness.events if e["cause"] == "annunciated" and e["vat"]]
    numbers = [event["occurrence"] for event in heard]
    count.add("doubled", len(numbers) - len(set(numbers)), numbers)
    silences = here.witness.silences()
    count.add("hung", len(silences), silences)
    count.add("lost", here.select("PRAGMA integrity_check") != [("ok",)], "integrity")
    return count
