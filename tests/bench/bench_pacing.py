"""Missed polls and jitter of 1 s polls over a minute, idle and beside a process that burns one core.

The daemon and the bare loop with the same pacing run at the same time, each on an instrument of its own. Lateness is
the distance from the grid that begins at the earliest tick.
"""

import os
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest

from tests.bench import bare_poller
from tests.bench.processes import configured, daemon, printed, running, stored_elapsed_us, wait_for_records
from tests.parts.mosquitto import MakeMosquitto
from tests.probe.peer import Peer

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]
POLL_S, SECONDS = 1.0, 60
BURN = [sys.executable, "-c", "while True: pass"]


@pytest.mark.parametrize("burns", [False, True], ids=["idle", "one core burning"])
def test_pacing(tmp_path: Path, mosquitto: MakeMosquitto, *, burns: bool) -> None:
    broker = mosquitto()
    with ExitStack() as stack:
        ours_at, bare_at = (stack.enter_context(Peer(tmp_path / name)).link for name in ("port-a", "port-b"))
        if burns:
            burner = stack.enter_context(running(BURN, tmp_path / "burner"))
            os.sched_setaffinity(burner.pid, {min(os.sched_getaffinity(0))})
        config = configured(tmp_path / "ours", port=ours_at, broker=broker.port, poll_s=POLL_S)
        told = [str(bare_at), str(POLL_S), "0", str(broker.port)]
        stack.enter_context(daemon(config))
        wait_for_records(config)
        stack.enter_context(running([sys.executable, str(bare_poller.__file__), *told], tmp_path / "bare"))
        wait_for_records(config, len(stored_elapsed_us(config)) + round(SECONDS / POLL_S), SECONDS + 30)
        ours = stored_elapsed_us(config)
        theirs = [int(line) // 1000 for line in printed(tmp_path / "bare")]
    print(f"\npacing, poll {POLL_S:g} s, {'one core burning' if burns else 'idle'}")
    print(f"  daemon {lateness(ours)}")
    print(f"  bare   {lateness(theirs)}")


def lateness(ticks_us: Sequence[int]) -> str:
    """Say how many ticks are missing and how late, in ms, the others are."""
    ticks = np.array(ticks_us, dtype=np.float64) / 1e6
    number = np.round((ticks - ticks[0]) / POLL_S)
    late = ticks - number * POLL_S
    middle, most, worst = np.percentile(late - late.min(), [50, 95, 100]) * 1e3
    missed = int(number[-1]) + 1 - len(ticks)
    return f"{len(ticks)} polls, {missed} missed; late p50 {middle:.2f}, p95 {most:.2f}, max {worst:.2f} ms"
