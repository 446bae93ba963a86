"""Killed at any moment, the store opens again and holds every commit that was acknowledged, whole."""

import itertools
import signal
import subprocess
import sys

from logger.store import Store, history, queries
from tests.store.conftest import Opener

COMMITS = (3, 40, 17)


def test_a_killed_writer_leaves_every_acknowledged_commit_whole(store_url: str, opened: Opener) -> None:
    opened(store_url).close()
    for count in COMMITS:
        acknowledged = write_until_killed(store_url, count)
        with Store.open(store_url, simulated=False) as store:
            check(store, acknowledged)


def write_until_killed(url: str, count: int) -> int:
    """Return the last number that the writer printed."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.store.writer", url], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        lines = list(itertools.islice(writer.stdout, count))
        writer.send_signal(signal.SIGKILL)
        lines += writer.stdout.readlines()
    assert len(lines) >= count
    return int(lines[-1])


def check(store: Store, acknowledged: int) -> None:
    [span] = history.spans(store)
    numbers = [int(seq) for piece in history.indications(store, span, chunk=7) for seq in piece.seq]
    assert numbers == list(range(1, span.last + 1))
    assert span.last in (acknowledged, acknowledged + 1)  # a commit done, but not yet printed
    assert queries.watches(store)["marrow"].windows.fresh_us == span.last
    assert [event.id for event in queries.unsent_events(store, 10_000)] == [f"event {number}" for number in numbers]


def test_a_status_query_works_while_a_process_writes(store_url: str, opened: Opener) -> None:
    opened(store_url).close()
    with subprocess.Popen(
        [sys.executable, "-m", "tests.store.writer", store_url], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "1\n"
        with Store.open(store_url, simulated=False, read_only=True) as status:
            for _ in range(20):
                printed = int(writer.stdout.readline())
                assert queries.latest(status, "marrow-probe").seq[0] >= printed
        writer.kill()
