"""What the simulator's named runs raise, how long after its cause, and what healthy batches raise: 50 seeds of each.

Printed by `pytest -m bench -n 0 -s tests/bench/bench_detection.py`; SEEDS from the environment (default 50). A healthy
batch lasts five nights; each profile's own alarms judge it.
"""

import os
from collections import Counter
from statistics import median

import pytest

from simulator.runs import find_run
from tests.bench.detection import HEALTHY, Raised, all_heard
from tests.e2e.replayed_runs import BESIDE, FAULTS

pytestmark = [pytest.mark.bench, pytest.mark.timeout(3600)]
SEEDS = range(1, int(os.environ.get("SEEDS", "50")) + 1)


@pytest.mark.parametrize("run", FAULTS)
def test_each_run_raises_the_alarms_of_what_goes_wrong_in_it_and_no_other(run: str) -> None:
    batches = all_heard(run, SEEDS)
    raised = Counter(alarm for batch in batches for alarm in {each.alarm for each in batch})
    print(f"\n{run:14} {'; '.join(_told(run, alarm, batches) for alarm in raised) or 'nothing'}")
    in_each = {alarm: number for alarm, number in raised.items() if alarm not in BESIDE.get(run, set())}
    assert in_each == dict.fromkeys(FAULTS[run], len(SEEDS))


def _told(run: str, alarm: str, batches: list[list[Raised]]) -> str:
    """Say in how many batches an alarm came, and how long after its cause."""
    firsts = [min(hours) for batch in batches if (hours := [each.hour for each in batch if each.alarm == alarm])]
    minutes = [60.0 * (hour - FAULTS[run].get(alarm, 0.0)) for hour in firsts]
    return f"{alarm} in {len(firsts)} of {len(batches)}, after {median(minutes):.0f} min (most {max(minutes):.0f})"


@pytest.mark.parametrize("run", HEALTHY)
def test_a_healthy_batch_wakes_nobody_more_often_than_once_in_200_nights(run: str) -> None:
    batches = all_heard(run, SEEDS)
    nights = len(batches) * find_run(run).hours / 24.0
    raised = Counter((each.alarm, each.priority) for batch in batches for each in batch)
    told = [f"{alarm} ({priority}) {n}, {n / nights:.4f} a night" for (alarm, priority), n in raised.items()]
    print(f"\n{run:14} {HEALTHY[run]:18} {len(batches)} batches, {nights:.0f} nights: {'; '.join(told) or 'nothing'}")
    assert 200 * sum(n for (_, priority), n in raised.items() if priority == "high") <= nights
