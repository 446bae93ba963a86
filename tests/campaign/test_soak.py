"""Thirty days, accelerated: nothing is lost or doubled, and memory and descriptors stay flat."""

import psutil
import pytest

from tests.campaign.table import note, trials
from tests.campaign.witness import Witness, in_file
from tests.e2e import hub_listener
from tests.parts.daemon import BASE, MakeNight, Vat
from tests.parts.mosquitto import MakeMosquitto

SPEED = 3000.0
GROWTH_MB = 12.0
"""Common practice, no source: what an allocator keeps, not what a leak of a month makes of it."""


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_a_soak(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker, days = mosquitto(), trials(1, 30)
    here = night(Vat(run="quiet-night", alarms=hub_listener.RESTLESS), speed=SPEED, poll_s=120, broker=broker.port)
    with Witness(broker.port, BASE) as witness:
        here.start()
        here.until_hour(days * 24 / 5)
        assert here.process is not None
        process = psutil.Process(here.process.pid)
        before = process.memory_info().rss / 1e6, process.num_fds()
        with witness.alarm_path_open():
            here.until_hour(days * 24)
        after = process.memory_info().rss / 1e6, process.num_fds()
        print(f"{days} days: memory {before[0]:.0f} MB then {after[0]:.0f} MB, descriptors {before[1]}, {after[1]}")
        here.until(lambda: hub_listener.unsent(here) == 0, "all to be delivered")
        assert here.stop() == 0
        here.until(lambda: len(hub_listener.sent(here)) <= len(witness.events), "all to be heard")
        note(f"a soak of {days} days", 1, witness.verdict(in_file(here.folder / "night.db")))
    assert after[0] < before[0] + GROWTH_MB
    assert after[1] <= before[1] + 2
