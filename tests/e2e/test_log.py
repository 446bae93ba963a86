"""Whoever reads the daemon's log may stop, leave, or never have been there: the watch goes on, and ends when told."""

import os
import pty
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path

import pytest

from tests.e2e.hub_listener import RESTLESS
from tests.parts.daemon import MakeNight, Night, Vat

CTRL_S, CTRL_Q = b"\x13", b"\x11"
"""XOFF and XON (ISO 646 DC3 and DC1; termios(3), IXON): the terminal holds and goes on."""


@contextmanager
def full_pipe() -> Iterator[int]:
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    with suppress(BlockingIOError):
        while True:
            os.write(writing, bytes(4096))
    os.set_blocking(writing, True)
    yield writing
    os.close(writing)
    os.close(reading)


@contextmanager
def broken_pipe() -> Iterator[int]:
    reading, writing = os.pipe()
    os.close(reading)
    yield writing
    os.close(writing)


def begin(here: Night, log: int, *, closed: str = "") -> None:
    """Start the daemon with its output there; `closed`: redirections of the shell."""
    run = [sys.executable, "-P", "-m", "logger", "run", "--verbose", "-c", str(here.config_file)]
    command = ["sh", "-c", f'exec "$@" {closed}', "sh", *run]
    here.process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=here.folder)


def restless(night: MakeNight) -> Night:
    return night(Vat(run="quiet-night", alarms=RESTLESS), speed=200, poll_s=2)


@pytest.mark.parametrize("reader", [full_pipe, broken_pipe])
def test_a_reader_of_the_log_that_stops_or_leaves_stops_no_watch(
    night: MakeNight, reader: Callable[[], AbstractContextManager[int]]
) -> None:
    here = restless(night)
    with reader() as log:
        begin(here, log)
        here.watch(records=30)
        assert here.stop() == 0


def test_a_terminal_that_holds_its_output_stops_no_watch_and_gets_all_of_it_later(night: MakeNight) -> None:
    here = restless(night)
    reading, writing = pty.openpty()
    os.write(reading, CTRL_S)
    begin(here, writing)
    here.watch(records=30)
    os.write(reading, CTRL_Q)
    got = b""
    while b"began run 1" not in got:
        got += os.read(reading, 1 << 16)
    os.write(reading, CTRL_S)
    assert here.stop() == 0
    os.close(writing)
    os.close(reading)


def test_a_daemon_begun_with_its_streams_closed_watches(night: MakeNight) -> None:
    here = restless(night)
    begin(here, subprocess.DEVNULL, closed="<&- >&- 2>&-")
    here.watch(records=30)
    assert here.process is not None
    folder = Path(f"/proc/{here.process.pid}/fd")
    assert [str((folder / number).readlink()) for number in "012"] == ["/dev/null"] * 3  # no port or store gets the log
    assert here.stop() == 0


def test_what_is_said_at_the_end_to_a_reader_that_stopped_does_not_hold_it_up(tmp_path: Path) -> None:
    with full_pipe() as log:
        command = [sys.executable, "-P", "-m", "logger", "run", "-c", str(tmp_path / "absent.toml")]
        done = subprocess.run(command, stdout=log, stderr=log, check=False, timeout=60)
    assert done.returncode == 2
