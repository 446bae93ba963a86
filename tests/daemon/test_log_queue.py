"""The queue of the log, over real pipes, devices and files."""

import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.daemon.log_queue import LAST_WORDS_S, LogQueue
from tests.parts.waiting import wait_until

Pipe = tuple[int, int]
LINE = b"%05d " + 90 * b"." + b"\n"


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    reading, writing = os.pipe()
    yield reading, writing
    for end in (reading, writing):
        os.close(end)


def read_until(reading: int, end: bytes) -> list[bytes]:
    """Read lines until the last one is `end`."""
    got = b""
    while not got.endswith(end):
        got += os.read(reading, 1 << 16)
    return got.splitlines(keepends=True)


def test_lines_that_a_reader_does_not_take_are_dropped_counted_and_told_in_their_place(pipe: Pipe) -> None:
    queue = LogQueue(pipe[1])
    began = time.monotonic()
    for number in range(5000):
        queue.write(LINE % number)
    queue.end()
    assert time.monotonic() - began < LAST_WORDS_S + 5  # nobody reads: a write that waits would never come back
    *before, told = read_until(pipe[0], b"did not keep up\n")
    assert before == [LINE % number for number in range(len(before))]
    found = re.fullmatch(rb"(\d+) lines of the log were dropped: its reader did not keep up\n", told)
    assert found
    assert len(before) + int(found[1]) == 5000
    queue.write(b"again\n")
    assert read_until(pipe[0], b"again\n") == [b"again\n"]


def test_the_end_waits_for_a_reader_that_is_slow(pipe: Pipe) -> None:
    queue = LogQueue(pipe[1])
    for number in range(100):
        queue.write(LINE % number)
    queue.end()
    assert os.read(pipe[0], 1 << 16) == b"".join(LINE % number for number in range(100))


def test_a_disk_that_was_full_is_told_how_many_lines_it_lacks(tmp_path: Path) -> None:
    file = tmp_path / "log"
    descriptor = os.open("/dev/full", os.O_WRONLY)  # full(4): every write fails as on a full disk
    queue = LogQueue(descriptor)
    queue.write(b"one\ntwo\n")
    queue.write(b"three\n")
    queue.end()
    room = os.open(file, os.O_WRONLY | os.O_CREAT)
    os.dup2(room, descriptor)
    queue.write(b"four\n")
    wait_until(lambda: file.read_text().endswith("four\n"), 10)
    assert file.read_text() == "3 lines of the log were dropped: its reader did not keep up\nfour\n"
    for each in (room, descriptor):
        os.close(each)
