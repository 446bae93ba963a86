"""What the report of a long batch costs: 60 days read every 10 s, beside the driver that reads and digests them."""

import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from hashlib import sha256
from pathlib import Path

import msgspec
import numpy as np
import pytest

from logger.store import batch_seal
from tests.cli.cli_fixture import House
from tests.report import batch_night

pytestmark = [pytest.mark.bench, pytest.mark.timeout(900)]
RECORDS = 60 * 8640
PERIOD_US = 10_000_000


@pytest.fixture
def house(tmp_path: Path) -> House:
    """A batch whose log is filled by the driver: 60 days of a ferment that comes to its target on the third."""
    house = House(folder=tmp_path, more=batch_night.MORE)
    with house.watch() as watching:
        watching.calibrate(batch_night.BEGIN_US)
        with watching.store.begin() as work:
            batch_night.begin(work)
            work.commit()
        watching.take_at_once([120.0, 120.1], first_us=batch_night.BEGIN_US)
    with closing(sqlite3.connect(tmp_path / "log.sqlite")) as log:
        log.row_factory = sqlite3.Row
        newest = dict(log.execute("SELECT * FROM measurement ORDER BY seq DESC LIMIT 1").fetchone())
        marks = ", ".join("?" * len(newest))
        log.executemany(f"INSERT INTO measurement VALUES ({marks})", filled(newest))  # noqa: S608 - marks
        log.commit()
    return house


def filled(newest: dict[str, object]) -> Iterator[tuple[object, ...]]:
    noise = np.random.default_rng(1).normal(0, 0.01, (RECORDS, 2))
    for number, (ph, celsius) in enumerate(noise.tolist(), 1):
        changed = {
            "seq": int(str(newest["seq"])) + number,
            "at_us": int(str(newest["at_us"])) + number * PERIOD_US,
            "elapsed_us": int(str(newest["elapsed_us"])) + number * PERIOD_US,
            "ph": batch_night.true_ph(number / 2160) + ph,
            "temperature_c": round(20.0 + 5 * celsius, 1),
            "potential_mv": round(120.0 + 50 * ph, 1),
        }
        yield tuple({**newest, **changed}.values())


def test_the_report_of_sixty_days(house: House) -> None:
    bare_s = bare(house.folder / "log.sqlite")
    page = house.folder / "report.html"
    command = [sys.executable, "-P", "-m", "logger", "batch"]
    report_s, megabytes = timed([*command, "report", "marrow", "--out", str(page), "-c", str(house.path)])
    verify_s, _ = timed([*command, "verify", str(page), "-c", str(house.path)])
    print(f"\n{RECORDS:,} records: report {report_s:.1f} s ({megabytes:.0f} MB at most), verify {verify_s:.1f} s")
    print(f"the driver alone reads, encodes and digests them in {bare_s:.1f} s: report / bare {report_s / bare_s:.1f}")


LAUNCHER = """
import resource, subprocess, sys
subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL)
spent = resource.getrusage(resource.RUSAGE_CHILDREN)
print(spent.ru_utime + spent.ru_stime, spent.ru_maxrss / 1000)
"""
"""A process of its own, and small: what a child takes counts from the size of the process that starts it."""


def timed(command: list[str]) -> tuple[float, float]:
    """Return the processor time of a command in seconds, and its largest memory in MB."""
    told = subprocess.run([sys.executable, "-c", LAUNCHER, *command], check=True, capture_output=True, text=True)
    seconds, megabytes = map(float, told.stdout.split())
    return seconds, megabytes


def bare(path: Path) -> float:
    """Return the processor time in which the driver reads the records in one go and digests them."""
    names = ", ".join(f'"{name}"' for name in batch_seal.SECTIONS["record"][1])
    began, digest = time.process_time(), sha256()
    with closing(sqlite3.connect(path)) as log:
        rows = log.execute(f"SELECT 'record', {names} FROM measurement ORDER BY seq")  # noqa: S608 - names of columns
        while found := rows.fetchmany(3600):
            digest.update(msgspec.json.Encoder().encode_lines(found))
    return time.process_time() - began
