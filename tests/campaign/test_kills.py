"""SIGKILL at any instant: in the start, the run, a write of the log, a migration, beside PostgreSQL."""

import shutil
import signal
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from tests.campaign import old_store
from tests.campaign.bench import Bench, bench
from tests.campaign.table import chance, note, trials
from tests.campaign.witness import Count, Rows, in_server
from tests.parts.mosquitto import MakeMosquitto

Kill = Callable[[Bench, float], None]
EVERY = 20
"""Kills between two verdicts."""
pytestmark = [pytest.mark.slow, pytest.mark.timeout(14_400)]


def kill(here: Bench) -> None:
    """Look, and kill at once: what the witness has seen by then must stay."""
    here.look()
    here.end(signal.SIGKILL)


def in_start(here: Bench, instant: float) -> None:
    """Kill soon after the daemon has opened its store: it is left alone with its imports."""
    here.until(lambda: has_open(here, here.file), "the store to be opened")
    time.sleep(0.5 * instant)
    kill(here)
    here.start()


def has_open(here: Bench, file: Path) -> bool:
    assert here.process is not None
    with suppress(OSError):  # a file may be closed while it is looked at
        return any(fd.samefile(file) for fd in Path(f"/proc/{here.process.pid}/fd").iterdir())
    return False


def in_run(here: Bench, instant: float) -> None:
    here.watch()
    time.sleep(0.6 * instant)
    kill(here)
    here.start()


def in_write(here: Bench, instant: float) -> None:
    """Kill as soon as the write-ahead log is written to."""
    here.watch()
    time.sleep(0.3 * instant)
    log = here.file.with_name("log.sqlite-wal")
    before, until = log.stat(), time.monotonic() + 1.0
    while log.stat().st_mtime_ns == before.st_mtime_ns and time.monotonic() < until:
        pass
    here.end(signal.SIGKILL)
    here.start()


def judged_at_times(here: Bench, kind: Kill, name: str, number: int) -> None:
    """Kill so many times; now and then let all be told, and the witness judge."""
    instants = chance(name)
    for begin in range(0, number, EVERY):
        now, ended = min(EVERY, number - begin), here.unasked
        for _ in range(now):
            kind(here, instants.random())
        here.watch()
        note(name, now, here.verdict_after_telling(), ended=here.unasked - ended)


def test_killed(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    kinds: dict[Kill, tuple[int, int]] = {in_start: (2, 260), in_run: (2, 240), in_write: (3, 240)}
    with bench(tmp_path / "bench", mosquitto(persistent=True)) as here:
        here.start()
        here.watch()
        for kind, times in kinds.items():
            judged_at_times(here, kind, f"SIGKILL {kind.__name__.replace('_', ' ')}", trials(*times))
        assert here.end() == 0


def test_killed_beside_postgresql(tmp_path: Path, mosquitto: MakeMosquitto, postgres_url: str) -> None:
    ours = in_server(postgres_url)
    with bench(tmp_path / "bench", mosquitto(persistent=True), store=f'url = "{postgres_url}"', select=ours) as here:
        here.start()
        here.watch()
        judged_at_times(here, in_run, "SIGKILL beside PostgreSQL", trials(2, 110))
        assert here.end() == 0


def test_killed_in_a_migration(tmp_path: Path) -> None:
    """The store is the old one or the new one; what it held is there, in its backups too, and `run` can use it."""
    name, number = "SIGKILL in a migration", trials(2, 150)
    instants, kept = chance(name), old_store.make(tmp_path / "kept")
    before = old_store.rows(kept, old_store.RECORDS)
    lasts_s = how_long_it_lasts(old_store.make(tmp_path / "timed"))
    for n in range(number):
        file = tmp_path / f"trial-{n}" / "log.sqlite"
        shutil.copytree(kept.parent, file.parent)
        kill_a_migration(file, lasts_s * instants.random())
        note(name, 1, what_is_left(file, before))
        shutil.rmtree(file.parent)


def how_long_it_lasts(file: Path) -> float:
    with old_store.begin_to_migrate(file) as process:
        assert process.stdout is not None
        process.stdout.readline()
        began_s = time.monotonic()
        assert process.wait() == 0
        return time.monotonic() - began_s


def kill_a_migration(file: Path, after_s: float) -> None:
    with old_store.begin_to_migrate(file) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(after_s)
        process.kill()


def what_is_left(file: Path, before: Rows) -> Count:
    count = Count()
    count.add("lost", old_store.rows(file, old_store.RECORDS) != before, "records")
    count.add("lost", old_store.migrate(file) != 0, "it cannot be migrated once more")
    count.add("lost", old_store.rows(file, old_store.RECORDS) != before, "records, migrated")
    for part in (file, *file.parent.glob("*.backup")):
        count.add("lost", old_store.rows(part, "PRAGMA integrity_check") != [("ok",)], part)
    whole = [copy for copy in file.parent.glob("*.backup") if old_store.rows(copy, old_store.RECORDS) == before]
    count.add("lost", not whole, "no backup of the old revision")
    return count
