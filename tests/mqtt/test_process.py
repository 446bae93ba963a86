"""A watch that dies cannot say so; the broker does it for us (MQTT 5.0, 3.1.2.5 Will Flag)."""

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

from tests.parts.mosquitto import MakeMosquitto, Subscriber

ROOT = Path(__file__).parents[2]


def test_a_watch_killed_without_warning_is_offline_for_the_hub(mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    command = [sys.executable, "-m", "tests.mqtt.watch_process", str(broker.port)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE) as watch:
        assert watch.stdout is not None
        assert watch.stdout.readline() == b"online\n"
        with Subscriber(port=broker.port, filters=["vatvigil/status"]) as hub:
            assert json.loads(hub.wait_for("vatvigil/status")[0])["status"] == "online"
            watch.send_signal(signal.SIGKILL)
            killed = time.monotonic()
            assert json.loads(hub.wait_for("vatvigil/status", 2)[1])["status"] == "offline"
            assert time.monotonic() - killed < 10
    with Subscriber(port=broker.port, filters=["vatvigil/status"]) as late:
        assert json.loads(late.wait_for("vatvigil/status")[0])["status"] == "offline"
