"""Thirty days, accelerated: nothing is lost or doubled, and memory and descriptors stay flat."""

import time
from dataclasses import dataclass

import psutil
import pytest

from tests.campaign.table import IS_LONG, note, trials
from tests.campaign.witness import Witness, in_file
from tests.e2e import hub_listener
from tests.parts.daemon import BASE, HOUR_S, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto

SPEED = 1000.0 if IS_LONG else 3000.0
"""Long: what two cores carry beside other work; the test prints how many ticks were skipped."""
POLL_S = 120
GROWTH_MB = 12.0
"""Common practice, no source: what an allocator keeps, not what a leak of a month makes of it."""


@dataclass(frozen=True, slots=True)
class Size:
    """What the daemon holds at some hour."""

    hour: float
    memory_mb: float
    descriptors: int
    threads: int
    records: int


def size(night: Night, hour: float) -> Size:
    """Wait for an hour and look."""
    time.sleep(max(0.0, (hour - night.hour) * HOUR_S / SPEED))
    night.until_hour(hour)
    assert night.process is not None
    process = psutil.Process(night.process.pid)
    memory_mb = round(process.memory_info().rss / 1e6, 1)
    found = Size(hour, memory_mb, process.num_fds(), process.num_threads(), night.count("measurement"))
    print(found, flush=True)
    return found


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_a_soak(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker, days = mosquitto(), trials(1, 30)
    here = night(Vat(run="quiet-night", alarms=hub_listener.RESTLESS), speed=SPEED, poll_s=POLL_S, broker=broker.port)
    with Witness(broker.port, BASE) as witness:
        here.start()
        first = size(here, days * 24 / 5)
        with witness.alarm_path_open():
            later = [size(here, days * 24 * tenth / 10) for tenth in range(3, 11)]
        due = round((later[-1].hour - first.hour) * HOUR_S / POLL_S)
        print(f"skipped: {due - (later[-1].records - first.records)} of {due} ticks")
        here.until(lambda: hub_listener.unsent(here) == 0, "all to be delivered")
        assert here.stop() == 0
        here.until(lambda: len(hub_listener.sent(here)) <= len(witness.events), "all to be heard")
        note(f"a soak of {days} days", 1, witness.verdict(in_file(here.folder / "night.db")))
    assert max(one.memory_mb for one in later) < first.memory_mb + GROWTH_MB
    assert later[-1].descriptors <= first.descriptors + 2
    assert later[-1].threads <= first.threads
