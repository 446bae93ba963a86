"""What is remembered of alarms that were told while the store took nothing: whole, in bounds, of this store alone."""

import os
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

from logger.daemon.cycle import CycleResult
from logger.daemon.store_thread import at_once
from logger.daemon.told_file import PLACE_BYTES, Told, ToldFile
from logger.errors import StoreBusyError
from logger.model import AlarmState, Carry, Cause, Entry, State
from logger.structs import replace
from logger.watch.system import SYSTEM

T = TypeVar("T")
RAISED = Entry(seq=7, at_us=1, vat="", cause=Cause.ANNUNCIATED, alarm="disk-low", occurrence=3, annunciates=True)


def file_in(folder: Path, store: str = "one") -> ToldFile:
    return ToldFile(path=folder / "night.db.told", ask=at_once, told=Told(store=store))


def of_system(occurrence: int) -> CycleResult:
    state = AlarmState(base=State.UNACKNOWLEDGED, occurrence=occurrence)
    entry = replace(RAISED, occurrence=occurrence)
    return CycleResult(entries=[entry], system=Carry(probe="", alarms={"disk-low": state}))


def left_in(folder: Path, store: str = "one") -> Told | None:
    return file_in(folder, store).open(["vat"])


def numbers(told: Told | None) -> list[int | None]:
    return [entry.occurrence for entry in told.entries] if told else []


def test_a_run_finds_what_the_run_before_told_and_its_file_never_grows(tmp_path: Path) -> None:
    made = file_in(tmp_path)
    assert made.open(["vat"]) is None
    for occurrence in (1, 2, 3):
        made.tell(of_system(occurrence))
        assert made.path.stat().st_size == 2 * PLACE_BYTES
    found = left_in(tmp_path)
    assert found is not None
    assert numbers(found) == [1, 2, 3]
    assert found.watches[SYSTEM].alarms["disk-low"].occurrence == 3
    assert made.path.stat().st_mode & 0o777 == 0o600


def test_a_writing_that_was_cut_short_leaves_the_one_before(tmp_path: Path) -> None:
    made = file_in(tmp_path)
    made.open(["vat"])
    made.tell(of_system(1))
    before = made.path.read_bytes()
    made.tell(of_system(2))
    after = made.path.read_bytes()
    changed = [place for place in (0, PLACE_BYTES) if before[place : place + 64] != after[place : place + 64]]
    assert len(changed) == 1
    for length in (1, 12, 16, 40, 300):
        place = changed[0]
        made.path.write_bytes(before[:place] + after[place : place + length] + before[place + length :])
        assert numbers(left_in(tmp_path)) == [1]


def test_a_store_that_took_everything_empties_it(tmp_path: Path) -> None:
    made = file_in(tmp_path)
    made.open(["vat"])
    made.tell(of_system(1))
    made.note([of_system(1)], is_last=False)
    assert numbers(left_in(tmp_path)) == [1]
    made.note([of_system(1)], is_last=True)
    assert left_in(tmp_path) is None


def test_another_store_and_garbage_are_passed_over(tmp_path: Path) -> None:
    made = file_in(tmp_path)
    made.open(["vat"])
    made.tell(of_system(1))
    assert left_in(tmp_path, "another") is None
    made.path.write_bytes(os.urandom(2 * PLACE_BYTES))
    assert left_in(tmp_path) is None


def test_of_very_many_entries_the_newest_are_kept(tmp_path: Path) -> None:
    made = file_in(tmp_path)
    made.open(["vat"])
    made.tell(CycleResult(entries=[replace(RAISED, occurrence=number, text="x" * 500) for number in range(2_000)]))
    kept = numbers(left_in(tmp_path))
    assert 100 < len(kept) < 2_000
    assert kept[-1] == 1_999


def test_a_disk_that_hangs_or_fails_holds_up_nothing(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    def late(_: Callable[[], T], /) -> T:
        raise StoreBusyError("The store has not answered for 1 s")

    made = replace(file_in(tmp_path), ask=late)
    made.open(["vat"])
    made.tell(of_system(1))
    made.tell(of_system(2))
    assert caplog.text.count("cannot be written") == 1
