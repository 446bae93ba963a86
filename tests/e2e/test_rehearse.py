"""`vatvigil rehearse` against the real daemon and broker: acknowledged from the hub, by nobody, with nobody there."""

import json
import subprocess
import sys
from typing import Any

from tests.e2e import hub_listener
from tests.parts.daemon import BASE, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber

QUIET = Vat(run="quiet-night", alarms="")


def rehearse(here: Night, *options: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-P", "-m", "logger", "rehearse", "-c", str(here.config_file), "--by", "tova", *options]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=here.folder)


def steps(said: str) -> list[str]:
    told: dict[str, Any] = json.loads(said)
    assert told["simulated"]
    return [step["step"] for step in told["steps"]]


def test_a_test_is_acknowledged_from_the_hub_or_says_that_nobody_listens(
    night: MakeNight, mosquitto: MakeMosquitto
) -> None:
    broker = mosquitto()
    here = night(QUIET, speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    here.start_and_watch()
    with rehearse(here, "--within-s", "1") as alone:
        out, complaint = alone.communicate(timeout=60)
    assert (alone.returncode, complaint) == (3, "")
    assert "nobody listens there" in " ".join(out.split())
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",), name="hub") as hub:
        with rehearse(here, "--within-s", "60", "--json") as run:
            here.until(lambda: sent_to(hub) != [], "the test at the hub")
            (event,) = sent_to(hub)
            assert (event["occurrence"], event["text"][:4], event["lines"][0][:12]) == (2, "TEST", "System: TEST")
            hub.publish(f"{BASE}/command/system/rehearsal/acknowledge", '{"occurrence": 2}')
            out, _ = run.communicate(timeout=60)
        assert run.returncode == 0
        first, *between, returned, passed = steps(out)  # it is looked each second whether the event arrived
        assert (first, {*between}, returned, passed) == (
            "annunciated",
            {"tested", "acknowledged"},
            "returned",
            "passed",
        )
        assert hub_listener.own(broker.port)["rehearsal-failed"]["state"] == "returned-unacknowledged"
    assert here.stop() == 0


def sent_to(hub: Subscriber) -> list[dict[str, Any]]:
    return [event for event in hub_listener.events(hub) if event["alarm"] == "rehearsal" and event["annunciates"]]
