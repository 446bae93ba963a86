"""The process: nobody reads its log, no descriptors, no memory, stopped and continued."""

import os
import pty
import resource
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil
import pytest

from tests.campaign.bench import Bench, bench
from tests.campaign.table import note, trials
from tests.parts.mosquitto import MakeMosquitto

pytestmark = [pytest.mark.slow, pytest.mark.timeout(7200)]
HELD_S = 4.0


@contextmanager
def limited(here: Bench, what: int, soft: int) -> Iterator[None]:
    assert here.process is not None
    before = resource.prlimit(here.process.pid, what)
    resource.prlimit(here.process.pid, what, (soft, before[1]))
    yield
    if here.process.poll() is None:
        resource.prlimit(here.process.pid, what, before)


def no_descriptors(here: Bench) -> None:
    assert here.process is not None
    with limited(here, resource.RLIMIT_NOFILE, psutil.Process(here.process.pid).num_fds()):
        time.sleep(HELD_S)


def no_memory(here: Bench) -> None:
    assert here.process is not None
    with limited(here, resource.RLIMIT_AS, psutil.Process(here.process.pid).memory_info().vms):
        time.sleep(HELD_S)


def stopped_and_continued(here: Bench) -> None:
    with here.witness.excused():
        here.send(signal.SIGSTOP)
        time.sleep(7)
        here.send(signal.SIGCONT)


def hung_up(here: Bench) -> None:
    here.send(signal.SIGHUP)


FAULTS: tuple[Callable[[Bench], None], ...] = (no_descriptors, no_memory, stopped_and_continued, hung_up)


def test_the_process_in_trouble(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    number = trials(1, 5)
    with bench(tmp_path / "bench", mosquitto()) as here:
        here.start()
        here.watch()
        for fault in FAULTS:
            ended = here.unasked
            for _ in range(number):
                here.look()
                fault(here)
                with here.witness.alarm_path_open():
                    here.watch(2)
            count = here.verdict_after_telling()
            note(f"process: {fault.__name__.replace('_', ' ')}", number, count, ended=here.unasked - ended)


def fill(terminal: int) -> None:
    """Write until a terminal that nobody reads takes no more: some 4 kB."""
    own = os.open(os.ttyname(terminal), os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
    with suppress(BlockingIOError):
        while True:
            os.write(own, b"." * 64)
    os.close(own)


@pytest.mark.parametrize("is_closed", [True, False])
def test_nobody_reads_the_log(tmp_path: Path, mosquitto: MakeMosquitto, *, is_closed: bool) -> None:
    number = trials(1, 3)
    for n in range(number):
        with bench(tmp_path / f"bench-{n}", mosquitto()) as here:
            reader, writer = os.pipe() if is_closed else pty.openpty()
            here.start(stderr=writer, options=("--verbose",))
            here.watch(2)
            if is_closed:
                os.close(reader)
            else:
                fill(writer)
            os.close(writer)
            with here.witness.alarm_path_open():
                time.sleep(HELD_S)
                here.watch(2)
            count = here.verdict_after_telling()
            if not is_closed:
                os.close(reader)
            note(f"process: {'its log closed' if is_closed else 'Ctrl-S'}", 1, count, ended=here.unasked)
