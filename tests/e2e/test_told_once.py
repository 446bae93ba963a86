"""Alarms that went out while the store took nothing, and a kill then: after the restart none has another id."""

import time
from collections import defaultdict

import pytest

from tests.e2e import hub_listener
from tests.e2e.test_store_trouble import AT_ONCE, locked
from tests.parts.daemon import BASE, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber

STANDS = """\
[vat.{vat}.alarm.ph-high]
setpoint = 3.0
on_delay_s = 240
window_s = 0
"""


def names(hub: Subscriber) -> dict[tuple[str, str, int], set[str]]:
    """Return the ids under which each occurrence was annunciated."""
    heard = defaultdict(set)
    for event in hub_listener.events(hub):
        if event["annunciates"]:
            heard[event["vat"], event["alarm"], event["occurrence"]].add(event["event_id"])
    return heard


def check_that_each_was_told_once(here: Night, hub: Subscriber) -> None:
    assert {name: len(ids) for name, ids in names(hub).items() if len(ids) > 1} == {}
    told = here.rows("SELECT vat, alarm, occurrence FROM journal WHERE annunciates ORDER BY id")
    assert len(told) == len(set(told))
    assert {(vat or None, alarm, number) for vat, alarm, number in told} == {*names(hub)}


@pytest.mark.slow
@pytest.mark.parametrize(
    "alarms", [STANDS + AT_ONCE, hub_listener.RESTLESS + AT_ONCE], ids=["one that stands", "many that come and go"]
)
def test_what_was_told_from_memory_is_told_under_no_other_id_after_a_kill(
    night: MakeNight, mosquitto: MakeMosquitto, alarms: str
) -> None:
    broker = mosquitto()
    here = night(Vat(run="quiet-night", alarms=alarms), speed=200, poll_s=10, starts_h=2.0, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",)) as hub:
        here.start_and_watch(records=5)
        for _ in range(3):
            with locked(here):
                stored = here.count("measurement")
                time.sleep(3.0)
                assert here.count("measurement") == stored
                assert "ph-high" in {alarm for _, alarm, _ in names(hub)}
                here.kill()
            here.start_and_watch(records=5)
        here.until(lambda: hub_listener.unsent(here) == 0, "all events to be delivered")
        assert here.stop() == 0
        check_that_each_was_told_once(here, hub)
    seqs = [row[0] for row in here.rows("SELECT seq FROM measurement ORDER BY seq")]
    assert seqs == sorted(set(seqs))
