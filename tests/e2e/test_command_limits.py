"""Figures at and past their ends, through a real broker to the real daemon: refused and journalled, and nobody dies."""

import pytest

from logger.model import CommandKind
from logger.mqtt.rate_limit import REFUSALS_A_MINUTE
from tests.parts.daemon import BASE, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber

ALARM, MARK, NOTE, SPOT = (f"{BASE}/command/marrow/{verb}" for verb in ("ph-high", "mark", "note", "spot"))
FIELDS = [
    (f"{ALARM}/acknowledge", '{"occurrence": %s}'),
    (f"{ALARM}/shelve", '{"minutes": %s}'),
    (f"{ALARM}/shelve", '{"minutes": 30, "occurrence": %s}'),
    (MARK, '{"mark": "probe-out", "minutes": %s}'),
    (MARK, '{"mark": "topped-up", "litres": %s}'),
    (MARK, '{"mark": "started", "hours_ago": %s}'),
    (SPOT, '{"ph": %s}'),
    (SPOT, '{"ph": 3.7, "u": %s}'),
]
"""Every number that a command topic takes."""
EDGES = ["0", "-1", "1e-320", "1e305", str(2**63), '"NaN"']


def refusals(here: Night) -> int:
    """Return how many refusals are in the journal, whether the door or the watch refused."""
    return len(here.journal("cause = 'refused'"))


def check_that_it_lives(here: Night, hub: Subscriber) -> None:
    """Kill the daemon, start it anew, and let it carry out something good."""
    here.kill()
    here.start_and_watch(records=2)
    hub.publish(NOTE, b"still here")
    here.wait_for("cause = 'noted' AND text = 'still here'")
    assert here.stop() == 0
    assert "Traceback" not in here.log


def test_figures_past_their_ends_are_refused_once_and_the_watch_goes_on(
    night: MakeNight, mosquitto: MakeMosquitto
) -> None:
    broker = mosquitto(persistent=True)
    here = night(Vat(run="quiet-night"), speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    sent = [(topic, form % edge) for topic, form in FIELDS for edge in ("1e305", str(2**63))]
    assert len(sent) < REFUSALS_A_MINUTE  # each is written down
    with Subscriber(port=broker.port, filters=("nothing",), name="hub") as hub:
        here.start_and_watch()
        for topic, payload in sent:
            hub.publish(topic, payload)
        here.until(lambda: refusals(here) == len(sent), "every refusal")
        test = here.ask(CommandKind.REHEARSE, vat="system", duration_s=1e308)
        assert here.answered(test) == "a good-night test must take at most 86400 s, not 1e+308"
        check_that_it_lives(here, hub)
    assert refusals(here) == len(sent)  # none came again


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_every_figure_at_and_past_its_ends(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto(persistent=True)
    here = night(Vat(run="quiet-night"), speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    fine = {(form, "0") for _, form in FIELDS if "occurrence" in form or "hours_ago" in form}
    fine |= {(form, "1e-320") for _, form in FIELDS if "hours_ago" in form}
    with Subscriber(port=broker.port, filters=("nothing",), name="hub") as hub:
        here.start_and_watch()
        for edge in EDGES:
            expected = refusals(here) + sum((form, edge) not in fine for _, form in FIELDS)
            for topic, form in FIELDS:
                hub.publish(topic, form % edge)
            here.until(lambda most=expected: refusals(here) >= most, f"the refusals of {edge}")  # type: ignore[misc]
            assert here.stop() == 0
            here.start_and_watch()  # its allowance of `REFUSALS_A_MINUTE` is whole again
        check_that_it_lives(here, hub)
    assert here.journal("cause = 'refused' AND text LIKE '%more commands over MQTT%'") == []
