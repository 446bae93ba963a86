"""Each fault of a simulated night raises its own alarm and no other, and a night without fault raises none.

The bench (`tests/bench/bench_detection.py`) does the same over many seeds and prints the delays.
"""

import pytest

from tests.e2e.replayed_runs import BESIDE, FAULTS, LONG, raised

QUICK = ("probe-out", "probe-knocked", *LONG)


@pytest.mark.parametrize("run", [pytest.param(run, marks=[] if run in QUICK else pytest.mark.slow) for run in FAULTS])
def test_a_night_raises_the_alarms_of_its_faults_and_no_other(run: str) -> None:
    assert {alarm for alarm, _ in raised(run, seed=11)} - BESIDE.get(run, set()) == set(FAULTS[run])


def test_topping_up_raises_nothing_when_it_is_marked_and_a_rise_when_nobody_says_so() -> None:
    assert raised("topped-up", seed=3) == []
    assert [alarm for alarm, _ in raised("topped-up", seed=3, silent=True)] == ["rise"]


def test_a_start_that_nobody_told_of_is_not_watched() -> None:
    assert [alarm for alarm, _ in raised("stuck-vat", seed=3, silent=True)] == ["check-overdue"]


def test_a_lifted_probe_is_told_within_a_quarter_of_an_hour() -> None:
    # Alarms on temperature ask for 10 min and those on pH for 20: the word that trust is lost comes before any of them.
    told = raised("probe-out", seed=12)
    assert [alarm for alarm, _ in told] == ["trust-doubted", "trust-lost", "temperature-low"]
    assert dict(told)["trust-lost"] - FAULTS["probe-out"]["trust-lost"] <= 0.25
