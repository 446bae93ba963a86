"""Killed at any moment, each row is in the store or in the archive, guards are in force, a second run ends it."""

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from logger.store import Store, archive
from tests.store.archive_fixture import day, fill, moments, rows
from tests.store.conftest import Opener
from tests.store.test_append_only import refused

STEPS = 18
"""Four until the store has its note, three of the journal, five of events, three for each of two pieces of records."""


def make(url: str, file: Path, *step: str) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "tests.store.archiver", url, str(file), str(day(20)), *step]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_kill_at_any_step_loses_nothing_and_a_second_run_finishes(
    sqlite_url: str, opened: Opener, tmp_path: Path
) -> None:
    made = opened(sqlite_url)
    fill(made)
    before = rows(made)
    made.close()
    whole = (tmp_path / "store.sqlite").read_bytes()
    for step in range(STEPS):
        file = tmp_path / f"{step}.sqlite"
        begin_anew(tmp_path / "store.sqlite", whole)
        killed = make(sqlite_url, file, str(step))
        assert (killed.returncode, killed.stdout) == (-signal.SIGKILL, "")
        check(sqlite_url, file, before)
        if step % 4 == 0:
            assert make(sqlite_url, file).stdout == "done\n"
            check(sqlite_url, file, before)
            with Store.open(sqlite_url, simulated=False, read_only=True) as store:
                assert moments(store)[0] == 18 * 24
                assert [note.file for note in store.moved] == [str(file)]
    begin_anew(tmp_path / "store.sqlite", whole)
    assert make(sqlite_url, tmp_path / "last.sqlite", str(STEPS)).stdout == "done\n"  # there is no further step


def begin_anew(path: Path, content: bytes) -> None:
    for ending in ("-wal", "-shm"):
        path.with_name(path.name + ending).unlink(missing_ok=True)
    path.write_bytes(content)


def check(url: str, file: Path, before: dict[str, set[tuple[object, ...]]]) -> None:
    with Store.open(url, simulated=False, read_only=True) as store:
        held = rows(store)
    old = {}
    if file.exists():
        archive.verify(file, simulated=False)
        with archive.opened(file, simulated=False) as opened_file:
            old = rows(opened_file)
    for name, wanted in before.items():
        assert wanted <= held[name] | old.get(name, set())
    statements = [f"DELETE FROM {name}" for name in ("measurement", "journal", "outbox", "channel_delivery")]  # noqa: S608 - names of ours
    assert refused(url, statements) == statements
