"""How near the pipeline comes to bare arrays, and storing a replay to the bare driver, over a simulated recording.

The recording is the simulator's: `normal-night`, 2000 hours at 6 s, 1.2 million records.
"""

import json
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from statistics import median

import numpy as np
import pytest

from logger import recording
from logger.config import AlarmConfig, AlarmKind
from logger.model import Block, Command, Floats
from logger.recording import Header
from logger.replay import ROWS, ReplayStore, replay, replay_into
from logger.settings import load
from logger.store import rows
from logger.structs import replace
from logger.watch import pipeline
from logger.watch.pipeline import Watch
from tests.series import watch

pytestmark = [pytest.mark.bench, pytest.mark.timeout(900)]
HOURS, POLL_S = 2000, 6.0
STORED = 8 * ROWS
ROUNDS = 5
LIVE = 400
ALARMS = (
    AlarmConfig(id="ph-high", kind=AlarmKind.PH_HIGH, setpoint=4.0, deadband=0.05),
    AlarmConfig(id="ph-low", kind=AlarmKind.PH_LOW, setpoint=3.6, deadband=0.05),
    AlarmConfig(id="warm", kind=AlarmKind.TEMPERATURE_HIGH, setpoint=20.2, deadband=0.1),
    AlarmConfig(id="cool", kind=AlarmKind.TEMPERATURE_LOW, setpoint=19.8, deadband=0.1),
    AlarmConfig(id="temperature-high", kind=AlarmKind.TEMPERATURE_HIGH, setpoint=30.0),
    AlarmConfig(id="temperature-low", kind=AlarmKind.TEMPERATURE_LOW, setpoint=10.0),
    AlarmConfig(id="no-data", kind=AlarmKind.NO_DATA, window_s=0.0, on_delay_s=300.0),
    AlarmConfig(id="blind", kind=AlarmKind.BLIND, on_delay_s=1200.0),
)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Let the simulator write the recording."""
    path = tmp_path_factory.mktemp("recording") / "nights.jsonl"
    options = ["--hours", str(HOURS), "--poll", str(POLL_S), "--out", str(path)]
    subprocess.run([sys.executable, "-P", "-m", "simulator", "record", "normal-night", *options], check=True)
    return path


def read(path: Path) -> tuple[Header, list[Block | Command]]:
    with path.open("rb") as stream:
        header, items = recording.read(stream, name=path.name)
        return header, list(items)


def watch_of(header: Header, poll_s: float = POLL_S, alarms: Sequence[AlarmConfig] = ALARMS) -> Watch:
    made = watch(*alarms, poll_s=poll_s)
    return Watch(vat=made.vat, probe=replace(made.probe, id=header.probe))


def rounds_s(*works: Callable[[], object]) -> list[float]:
    """Do each work in turn, round after round; return the median time of each, in seconds."""

    def once(work: Callable[[], object]) -> float:
        begin = time.perf_counter()
        work()
        return time.perf_counter() - begin

    return [median(times) for times in zip(*([once(work) for work in works] for _ in range(ROUNDS)), strict=True)]


def bare_ph(potential_mv: Floats, temperature_c: Floats) -> Floats:
    return 7.0 - (potential_mv - 6.44) / (0.1984 * (temperature_c + 273.15))


def test_replay_evaluates(night: Path) -> None:
    header, items = read(night)
    blocks = [item for item in items if isinstance(item, Block)]
    count = sum(len(block) for block in blocks)
    whole = Block.concatenate(blocks)
    pieces = [whole[start : start + ROWS] for start in range(0, count, ROWS)]
    watched = watch_of(header)

    def parsed() -> Iterator[Block | Command]:
        with night.open("rb") as stream:
            yield from recording.read(stream, name="")[1]

    ours, bare, ours_read, bare_read = rounds_s(
        lambda: list(replay(watched, items)),
        lambda: [bare_ph(piece.potential_mv, piece.temperature_c) for piece in pieces],
        lambda: list(replay(watched, parsed())),
        lambda: bare_parse(night),
    )
    raised = sum(entry.annunciates for outcome in replay(watched, items) for entry in outcome.entries)
    print(f"\nreplay of {count:,} records, eight alarms ({raised} occurrences), median of {ROUNDS}; ratio of time")
    print(f"  evaluated {count / ours:12,.0f}/s  bare numpy pH {count / bare:12,.0f}/s  ratio {ours / bare:.1f}")
    print(f"  with parse{count / ours_read:12,.0f}/s  bare json + pH{count / bare_read:12,.0f}/s", end="")
    print(f"  ratio {ours_read / bare_read:.2f}")


def bare_parse(path: Path) -> None:
    """Read the recording with the standard library and compute pH, nothing else."""
    with path.open("rb") as stream:
        for line in stream:
            columns = json.loads(line).get("rows")
            if columns:
                potential, temperature = (np.array(columns[c], dtype=float) for c in ("potential_mv", "temperature_c"))
                bare_ph(potential, temperature)


MANY = tuple(replace(alarm, id=f"{alarm.id}-{number}") for number in range(5) for alarm in ALARMS)
"""The eight alarms five times over, `no-data` among them, which judges each record."""


CONFIGURED = load(Path(__file__).parents[2] / "config_examples" / "simulator.toml", environ={}).vats[0]
"""A vat with a target, and the alarms that every vat has: 14 of them judge each record."""


@pytest.mark.parametrize(("poll_s", "alarms"), [(10.0, ALARMS), (1.0, ALARMS), (10.0, MANY), (10.0, CONFIGURED.alarms)])
def test_a_live_step(night: Path, poll_s: float, alarms: tuple[AlarmConfig, ...]) -> None:
    header, items = read(night)
    command = next(item for item in items if isinstance(item, Command))
    made = Block.concatenate([item for item in items if isinstance(item, Block)][:60])
    block = replace(made, elapsed_us=np.round(made.elapsed_us * (poll_s / POLL_S)).astype(np.int64))
    watched = watch_of(header, poll_s, alarms)
    if alarms is CONFIGURED.alarms:
        watched = Watch(vat=replace(CONFIGURED, probe=header.probe), probe=watched.probe)
    past = len(block) - LIVE
    state, _ = pipeline.step(watched, pipeline.fresh(watched), block[:past], commands=[command])
    ours, bare = [], []
    for row in range(past, len(block)):
        one, begin = block[row : row + 1], time.thread_time()
        state, _ = pipeline.step(watched, state, one)
        between = time.thread_time()
        bare_ph(one.potential_mv, one.temperature_c)
        ours.append(between - begin)
        bare.append(time.thread_time() - between)
    rows = f"poll {poll_s:g} s, {len(state.recent)} recent rows, {len(alarms)} alarms"
    print(f"\na live step, {rows}, of {LIVE} steps; ratio of time to bare numpy pH of one row")
    for name, ours_s, bare_s in (("median", median(ours), median(bare)), ("least", min(ours), min(bare))):
        print(f"  {name:6} {ours_s * 1e3:.2f} ms  bare {bare_s * 1e6:.1f} us  ratio {ours_s / bare_s:.0f}")


def test_replay_stores(night: Path, tmp_path: Path) -> None:
    header, items = read(night)
    watched, some = watch_of(header), first_rows(items, STORED)
    commands = [item for item in some if isinstance(item, Command)]
    outcomes = list(replay(watched, some))
    count = sum(len(outcome.measurements) for outcome in outcomes)
    tuples = [list(rows.measurement_rows(outcome, 1)) for outcome in outcomes]
    ours, bare = [], []
    for number in range(ROUNDS):
        bare.append(executemany_s(shelf(tmp_path / f"bare-{number}.sqlite"), commands, tuples))
        ours.append(replay_into_s(shelf(tmp_path / f"ours-{number}.sqlite"), watched, some))
    print(f"\nreplay of {count:,} records into SQLite, {ROWS:,} a transaction, median of {ROUNDS}")
    ours_s, bare_s = median(ours), median(bare)
    print(f"  evaluated and stored {count / ours_s:9,.0f}/s  bare executemany {count / bare_s:9,.0f}/s", end="")
    print(f"  ratio {bare_s / ours_s:.2f}")


def shelf(path: Path) -> ReplayStore:
    return ReplayStore.open(f"sqlite:///{path}", simulated=True)


def first_rows(items: Sequence[Block | Command], wanted: int) -> list[Block | Command]:
    """Return the items up to the block that completes so many rows."""
    ends = np.cumsum([len(item) if isinstance(item, Block) else 0 for item in items])
    return list(items[: int(np.searchsorted(ends, wanted)) + 1])


def replay_into_s(kept: ReplayStore, watched: Watch, items: Sequence[Block | Command]) -> float:
    begin = time.perf_counter()
    for _ in replay_into(kept, watched, items):
        pass
    took_s = time.perf_counter() - begin
    kept.store.close()
    return took_s


def executemany_s(kept: ReplayStore, commands: Sequence[Command], tuples: Sequence[list[tuple[object, ...]]]) -> float:
    """Return how long the bare driver takes for rows made beforehand, into the same tables, as durably."""
    kept.add_commands(commands)
    path = kept.store.path
    kept.store.close()
    assert path is not None
    with closing(sqlite3.connect(path, isolation_level=None)) as bare:
        assert bare.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        bare.execute("PRAGMA synchronous=FULL")
        bare.execute("PRAGMA foreign_keys=ON")
        insert = f"INSERT INTO measurement VALUES ({', '.join('?' * len(tuples[0][0]))})"  # noqa: S608 - question marks
        begin = time.perf_counter()
        for part in tuples:
            bare.execute("BEGIN IMMEDIATE")
            bare.executemany(insert, part)
            bare.execute("COMMIT")
        return time.perf_counter() - begin
