"""How long a season takes: 3 million records of 10 s through one setting of an alarm, and through many at once.

The season is the simulator's `normal-night`, 2000 hours at 10 s, over and over.
"""

import io
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from logger import recording
from logger.config import AlarmConfig, AlarmKind, ProbeConfig, VatConfig
from logger.model import Block, Command
from logger.replay import replay
from logger.report import trial, tuning
from logger.structs import replace

pytestmark = [pytest.mark.bench, pytest.mark.timeout(900)]
HOURS, RECORDS = 2000, 3_000_000
PROBE = ProbeConfig(id="marrow-probe", port="")
VAT = VatConfig(
    id="marrow",
    name="Marrow",
    probe=PROBE.id,
    alarms=(
        AlarmConfig(id="ph-high", kind=AlarmKind.PH_HIGH, setpoint=4.6, deadband=0.05),
        AlarmConfig(id="temperature-low", kind=AlarmKind.TEMPERATURE_LOW, setpoint=16.0, deadband=0.5),
        AlarmConfig(id="no-data", kind=AlarmKind.NO_DATA, window_s=0.0, on_delay_s=300.0),
        AlarmConfig(id="blind", kind=AlarmKind.BLIND, on_delay_s=1200.0),
    ),
)
GRIDS = (
    {"setpoint": (4.5,)},
    {"setpoint": (4.0, 4.2, 4.4, 4.5), "deadband": (0.02, 0.05), "on_delay_s": (0.0, 600.0, 1200.0)},
    {"setpoint": (4.0, 4.2, 4.4, 4.5), "on_delay_s": (0.0, 600.0), "window_s": (0.0, 300.0, 600.0)},
)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write 3 million records as a recording."""
    options = ["--hours", str(HOURS), "--poll", "10"]
    command = [sys.executable, "-P", "-m", "simulator", "record", "normal-night", *options]
    made = subprocess.run(command, capture_output=True, check=True).stdout
    header, items = recording.read(io.BytesIO(made), name="nights")
    path = tmp_path_factory.mktemp("season") / "season.jsonl"
    with path.open("wb") as stream:
        recording.write(stream, header, repeated(list(items)))
    return path


def repeated(items: list[Block | Command]) -> Iterator[Block | Command]:
    blocks = [item for item in items if isinstance(item, Block)]
    yield from (item for item in items if isinstance(item, Command))
    length, written = sum(map(len, blocks)), 0
    while written < RECORDS:
        shift = written // length
        for block in blocks:
            times = np.int64(shift * HOURS * 3_600_000_000)
            later = replace(
                block, seq=block.seq + shift * length, at_us=block.at_us + times, elapsed_us=block.elapsed_us + times
            )
            yield later[: RECORDS - written]
            written = min(written + len(later), RECORDS)
            if written == RECORDS:
                return


@pytest.mark.parametrize("grid", GRIDS, ids=["one", "one-window", "three-windows"])
def test_a_season_through_settings(season: Path, grid: dict[str, tuple[float, ...]]) -> None:
    swept = tuning.sweep(VAT, PROBE, "ph-high", grid)
    begin = time.perf_counter()
    with season.open("rb") as stream:
        _, items = recording.read(stream, name="season")
        held = list(items)
    read_s = time.perf_counter() - begin
    begin = time.perf_counter()
    told = trial.annunciations_of(replay(swept.watch(PROBE), swept.asked(held)))
    cells = tuning.cells(swept, [(told, trial.Judge())])
    took_s = time.perf_counter() - begin
    assert told.records == RECORDS
    print(
        f"\n{len(cells)} settings over {told.records:,} records: {took_s:.1f} s ({took_s / len(cells):.2f} s each)",
        end="",
    )
    print(f"; reading the recording {read_s:.1f} s")
