"""Which alarms the simulator's named runs raise, and how long after the fault began; quiet nights raise none.

Printed by `pytest -m bench -n 0 -s tests/bench/bench_detection.py`; SEEDS from the environment (default 50).
"""

import os
from collections import Counter, defaultdict
from statistics import median

import pytest

from tests.night.faults import FAULTS, raised

pytestmark = [pytest.mark.bench, pytest.mark.timeout(3600)]


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
