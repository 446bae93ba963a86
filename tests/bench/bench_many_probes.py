"""32 probes on 8 Modbus lines, each read every second by one daemon, beside a bare loop that only reads.

Both run at the same time, each on a wall of ports of its own. Lateness is the distance from each probe's grid, which
begins at its earliest tick. BENCH_SECONDS sets the length.
"""

import os
import sqlite3
import sys
import time
from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import ExitStack, closing
from pathlib import Path

import numpy as np
import psutil
import pytest

from tests.bench import bare_modbus, modbus_wall
from tests.bench.processes import daemon, printed, running
from tests.parts.waiting import wait_until

SECONDS = float(os.environ.get("BENCH_SECONDS", "180"))
pytestmark = [pytest.mark.bench, pytest.mark.timeout(SECONDS + 120)]
PORTS, UNITS, POLL_S, WARM_UP_S = 8, 4, 1.0, 10.0
_PROBE = """
[probe.p{port}-{unit}]
port = "{folder}/port-{port}"
protocol = "modbus-rtu"
baud = 115200
poll_s = {poll_s}
timeout_s = 0.2
modbus = {{ address = {unit}, potential = {{ number = 0 }}, temperature = {{ number = 2 }} }}
[vat.v{port}-{unit}]
probe = "p{port}-{unit}"
alarm.ph-high = {{ setpoint = 4.6 }}
alarm.ph-low = {{ setpoint = 3.0 }}
"""


def wall(stack: ExitStack, folder: Path, ports: int = PORTS, units: int = UNITS) -> Path:
    command = [sys.executable, str(modbus_wall.__file__), str(folder), str(ports), str(units)]
    stack.enter_context(running(command, folder))
    wait_until(lambda: printed(folder) == ["READY"], 20.0, lambda: "\n".join(printed(folder)))
    return folder


def configured(
    folder: Path, at: Path, ports: int = PORTS, units: int = UNITS, *, tables: str = "", alarms: str = ""
) -> Path:
    """Return a configuration for all probes of a wall; `tables`: what else it has, `alarms`: what else each vat has."""
    folder.mkdir()
    text = f'[store]\npath = "{folder}/store.sqlite"\n{tables}[simulation]\n'
    pairs = [(port, unit) for port in range(ports) for unit in range(1, units + 1)]
    text += "".join(_PROBE.format(port=port, unit=unit, folder=at, poll_s=POLL_S) + alarms for port, unit in pairs)
    config = folder / "vatvigil.toml"
    config.write_text(text)
    return config


def stored(config: Path) -> tuple[dict[str, list[int]], int]:
    """Return the watch times of the records by probe, and how many records have no reading."""
    ticks = defaultdict(list)
    with closing(sqlite3.connect(f"file:{config.parent / 'store.sqlite'}?mode=ro", uri=True)) as store:
        rows = store.execute("SELECT probe, elapsed_us, reason FROM measurement ORDER BY seq").fetchall()
    for probe, elapsed_us, _ in rows:
        ticks[probe].append(elapsed_us)
    return ticks, sum(reason != 0 for *_, reason in rows)


def test_many_probes(tmp_path: Path) -> None:
    with ExitStack() as stack:
        ours_at, bare_at = wall(stack, tmp_path / "ours-ports"), wall(stack, tmp_path / "bare-ports")
        config = configured(tmp_path / "ours", ours_at)
        ours = stack.enter_context(daemon(config))
        told = [str(bare_at), str(PORTS), str(UNITS), str(POLL_S)]
        bare = stack.enter_context(running([sys.executable, str(bare_modbus.__file__), *told], tmp_path / "bare"))
        time.sleep(WARM_UP_S)
        before = {name: cpu_s(process.pid) for name, process in (("daemon", ours), ("bare", bare))}
        time.sleep(SECONDS)
        used = {name: usage(process.pid, before[name]) for name, process in (("daemon", ours), ("bare", bare))}
        ticks, without = stored(config)
        theirs = defaultdict(list)
        for line in printed(tmp_path / "bare"):
            who, at_ns = line.split()
            theirs[who].append(int(at_ns) // 1000)
    print(f"\n{PORTS * UNITS} probes on {PORTS} ports, poll {POLL_S:g} s, {SECONDS:g} s; without a reading: {without}")
    print(f"  daemon {lateness(ticks)}; {used['daemon']}")
    print(f"  bare   {lateness(theirs)}; {used['bare']}")
    assert len(ticks) == PORTS * UNITS


def cpu_s(pid: int) -> float:
    times = psutil.Process(pid).cpu_times()
    return times.user + times.system


def usage(pid: int, before_s: float) -> str:
    process, share = psutil.Process(pid), (cpu_s(pid) - before_s) / SECONDS
    return (
        f"CPU {share:.1%} of a core, memory {process.memory_info().rss / 1e6:.0f} MB, {process.num_threads()} threads"
    )


def lateness(by_probe: Mapping[str, Sequence[int]]) -> str:
    """Say how many ticks are missing and how late, in ms, the others are."""
    missed, lates = 0, []
    for ticks_us in by_probe.values():
        ticks = np.array(ticks_us, dtype=np.float64) / 1e6
        number = np.round((ticks - ticks[0]) / POLL_S)
        late = ticks - number * POLL_S
        lates.append(late - late.min())
        missed += int(number[-1]) + 1 - len(ticks)
    middle, most, worst = np.percentile(np.concatenate(lates), [50, 95, 100]) * 1e3
    polls = sum(map(len, by_probe.values()))
    return f"{polls} polls, {missed} missed; late p50 {middle:.2f}, p95 {most:.2f}, max {worst:.2f} ms"
