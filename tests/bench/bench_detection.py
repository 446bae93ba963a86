"""Which alarms the simulator's named runs raise, and how long after the fault began; quiet nights raise none.

Printed by `pytest -m bench -n 0 -s tests/bench/bench_detection.py`; SEEDS from the environment (default 50).
"""

import io
import os
import subprocess
import sys
from collections import Counter, defaultdict
from pathlib import Path
from statistics import median

import pytest

from logger import recording, replay, settings
from logger.pipeline import Watch

pytestmark = [pytest.mark.bench, pytest.mark.timeout(3600)]
EXAMPLE = Path(__file__).parents[2] / "config_examples" / "simulator.toml"
RISEN_H = 33.9
"""The true pH of that run is 0.1 above its lowest."""
FAULTS: dict[str, dict[str, float]] = {
    "quiet-night": {},
    "probe-out": {"out-of-liquid": 3.0},
    "long-foam": {"no-data": 3.267, "out-of-liquid": 5.367, "erratic": 11.433},
    "probe-knocked": {"erratic": 3.0},
    "unplugged": {"no-data": 2.0},
    "frozen": {"blind": 2.0},
    "cold-night": {"temperature-low": 1.5},
    "normal-night": {},
    "ph-rise": {"rise": RISEN_H},
}
"""By run the alarms that must be raised, with the hour in which their cause begins; no other may be."""


def raised(run: str, seed: int) -> list[tuple[str, float]]:
    """Return which alarms annunciate in a run, each with its hour."""
    config = settings.load(EXAMPLE, environ={})
    options = ["--seed", str(seed), "--poll", "10"]
    made = subprocess.run(
        [sys.executable, "-P", "-m", "simulator", "record", run, *options], capture_output=True, check=True
    )
    _, items = recording.read(io.BytesIO(made.stdout), name=run)
    watch = Watch(vat=config.vats[0], probe=config.probes[0])
    entries = [entry for outcome in replay.replay(watch, items) for entry in outcome.entries]
    begun = entries[0].at_us
    return [(entry.alarm, (entry.at_us - begun) / 3.6e9) for entry in entries if entry.annunciates]


@pytest.mark.parametrize("run", FAULTS)
def test_each_fault_raises_its_alarm_and_no_other(run: str) -> None:
    seeds = int(os.environ.get("SEEDS", "50"))
    times: dict[str, list[float]] = defaultdict(list)
    nights: Counter[str] = Counter()
    for seed in range(1, seeds + 1):
        found = raised(run, seed)
        nights.update({alarm for alarm, _ in found})
        for alarm in {alarm for alarm, _ in found}:
            first = min(hour for name, hour in found if name == alarm)
            times[alarm].append(60.0 * (first - FAULTS[run].get(alarm, 0.0)))
    told = [
        f"{a} in {n} of {seeds}, after {median(times[a]):.0f} min (most {max(times[a]):.0f})" for a, n in nights.items()
    ]
    print(f"\n{run:14} {'; '.join(told) or f'nothing in {seeds}'}")
    assert nights == dict.fromkeys(FAULTS[run], seeds)
