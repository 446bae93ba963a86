"""How many bytes a record costs on the disk, each in a transaction of its own as in a watch that polls each 10 s.

The kernel counts what is written (`/proc/self/io`, proc(5): `write_bytes` is what goes to the disk, in whole pages of
the page cache); the write-ahead log and its checkpoints are in it.
"""

import os
from pathlib import Path

import pytest

from logger.model import Block, Command
from logger.store import Store, rows
from logger.structs import replace
from logger.watch import pipeline
from tests.bench.bench_replay import night, read, watch_of

__all__ = ["night"]  # a fixture
pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]
RECORDS = 4000
POLL_S = 10.0


def written() -> int:
    os.sync()
    counts = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(counts["write_bytes"])


@pytest.mark.parametrize("together", [1, 6], ids=["each at once", "a minute together"])
def test_bytes_written_for_a_record(night: Path, tmp_path: Path, together: int) -> None:
    """`together`: so many in a transaction, as by `[store] commit_every_s`."""
    header, items = read(night)
    command = next(item for item in items if isinstance(item, Command))
    made = Block.concatenate([item for item in items if isinstance(item, Block)][:40])
    watched = watch_of(header, POLL_S)
    store = Store.open(f"sqlite:///{tmp_path}/store.db", simulated=True, migrate=True)
    past = len(made) - RECORDS
    state, first = pipeline.step(watched, pipeline.fresh(watched), made[:past], commands=[command])
    with store.begin() as work:
        run = work.start_run(at_us=0, elapsed_us=0, version="", config_hash="")
        if command.calibration:
            work.add_calibration(command.calibration)
        work.append(replace(first, answers=()), run=run)
        work.commit()
    before, bare = written(), 0
    for begin in range(past, len(made), together):
        with store.begin() as work:
            for row in range(begin, min(begin + together, len(made))):
                state, outcome = pipeline.step(watched, state, made[row : row + 1])
                bare += len(repr(next(iter(rows.measurement_rows(outcome, run)))))
                work.append(outcome, run=run)
            work.commit()
    store.close()
    a_record = (written() - before) / RECORDS
    print(f"\nwritten to the disk for a record, {together} a commit: {a_record / 1000:.1f} kB", end="")
    print(f"; the record as text {bare / RECORDS:.0f} bytes; ratio {a_record * RECORDS / bare:.0f}")
    print(f"  at one each 10 s: {a_record * 6 * 60 * 24 * 365 / 1e9:.0f} GB a year and vat")
