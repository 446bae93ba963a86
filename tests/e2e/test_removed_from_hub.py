"""What leaves the configuration leaves the hub: no retained message of it stays behind at the broker."""

import pytest

from tests.e2e import hub_listener
from tests.e2e.test_broker import STANDS
from tests.parts.daemon import MakeNight, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber


def retained(port: int) -> set[str]:
    """Return the topics on which a latecomer finds something."""
    with Subscriber(port=port, filters=("#",), name="latecomer") as late:
        late.publish("end/of/retained", "")
        late.wait_for("end/of/retained")
        return {m.topic for m in late.received if m.retain and m.payload}


@pytest.mark.slow
def test_an_alarm_that_is_configured_no_more_leaves_no_ghost_at_the_hub(
    night: MakeNight, mosquitto: MakeMosquitto
) -> None:
    broker = mosquitto()
    here = night(Vat(run="quiet-night", alarms=STANDS), speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    here.start_and_watch()
    here.until(lambda: "ph-high" in hub_listener.standing(broker.port), "the alarm")
    before = retained(broker.port)
    assert here.stop() == 0
    here.config_file.write_text(here.config_file.read_text().partition("[vat.marrow.alarm.ph-high]")[0])
    here.start_and_watch()
    here.until(lambda: "ph-high" not in hub_listener.standing(broker.port), "the alarm to leave")
    assert here.stop() == 0
    gone = before - retained(broker.port)
    assert len(gone) == 5  # its state, its entity and its three buttons
    assert all("ph-high" in topic for topic in gone)
