"""A port that goes away and comes back under another number, behind a name that stays."""

import os
import time
from itertools import pairwise
from pathlib import Path

import psutil
import pytest

from logger.config import ProbeConfig, Protocol, TextConfig
from logger.model import Reason
from logger.probe.reader import Reader, reader
from tests.probe.text_peer import TextPeer

TEXT = TextConfig(pattern=r"(?P<mv>\d+) mV", example="171 mV", query="READ?")
POLL_S, FACTOR = 1.0, 20
"""Watch time runs so many times faster: a poll every 0.05 s."""
LONGEST_S = 5.0
"""Within which readings must resume (two polls or 5 s, whichever is longer), in watch time."""


class Watch:
    """Polls on a steady grid and keeps what came."""

    def __init__(self, reads: Reader) -> None:
        self.reads, self.began_s, self.ticks = reads, time.monotonic(), 0

    def poll(self) -> Reason:
        self.ticks += 1
        time.sleep(max(0.0, self.began_s + self.ticks * POLL_S / FACTOR - time.monotonic()))
        elapsed_us = round(self.ticks * POLL_S * 1e6)
        return self.reads.read(at_us=elapsed_us, elapsed_us=elapsed_us).reason


def plugged(link: Path) -> TextPeer:
    peer = TextPeer(link)
    peer.answer = lambda _: [(0.0, b"171 mV\n")]
    return peer


def replug(link: Path, times: int) -> None:
    probe = ProbeConfig(id="p", port=str(link), poll_s=POLL_S, protocol=Protocol.TEXT, text=TEXT, timeout_s=0.3)
    watch = Watch(reader(probe, simulated=False))
    devices, open_then = [], []
    holder: tuple[int, ...] = os.openpty()
    for number in range(times):
        with plugged(link):
            for end in holder:
                os.close(end)
            devices.append(str(link.readlink()))
            absent = 0
            while (reason := watch.poll()) is not Reason.NONE:
                absent += 1
                assert (reason, absent * POLL_S <= LONGEST_S) == (Reason.PORT_ABSENT, True)
            assert [watch.poll() for _ in range(2)] == [Reason.NONE] * 2
            open_then.append(psutil.Process().num_fds())
        assert [watch.poll() for _ in range(1 + number % 3)] == [Reason.PORT_ABSENT] * (1 + number % 3)
        # One or two take the numbers that are free, so that the next port's is another.
        holder = sum((os.openpty() for _ in range(1 + (number + 1) % 2)), ())
    watch.reads.close()
    for end in holder:
        os.close(end)
    renumbered = [before != after for before, after in pairwise(devices)]
    assert 2 * sum(renumbered) >= len(renumbered)  # not all: other tests take and free numbers meanwhile
    assert max(open_then) == open_then[0]  # fewer: what an earlier test left was collected meanwhile


@pytest.mark.slow
def test_a_hundred_replugs_leave_exact_gaps_and_no_descriptor(tmp_path: Path) -> None:
    replug(tmp_path / "probe", 100)


def test_a_replugged_port_is_read_again_within_5_seconds(tmp_path: Path) -> None:
    replug(tmp_path / "probe", 3)
