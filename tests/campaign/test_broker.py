"""The broker stopped, flapping, frozen, refusing, talking nonsense, without memory; its client's name taken over."""

import random
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.campaign.bench import BASE, Bench, bench
from tests.campaign.gate import Gate, gate
from tests.campaign.table import chance, note, trials
from tests.parts.mosquitto import MakeMosquitto

pytestmark = [pytest.mark.slow, pytest.mark.timeout(7200)]


def stop(here: Bench, _gate: Gate, _chance: random.Random) -> None:
    here.broker.stop()
    time.sleep(3)
    here.broker.start()


def flap(_here: Bench, line: Gate, instants: random.Random) -> None:
    for _ in range(8):
        line.cut()
        time.sleep(instants.uniform(0.1, 0.9))


def freeze(here: Bench, _gate: Gate, _chance: random.Random) -> None:
    here.broker.freeze()
    time.sleep(8)
    here.broker.thaw()


def refuse(_here: Bench, line: Gate, _chance: random.Random) -> None:
    line.is_shut = True
    line.cut()
    time.sleep(4)
    line.is_shut = False


def take_over(here: Bench, _gate: Gate, _chance: random.Random) -> None:
    for _ in range(3):
        thief = Client(CallbackAPIVersion.VERSION2, client_id=BASE, protocol=MQTTProtocolVersion.MQTTv5)
        thief.connect("127.0.0.1", here.broker.port)
        thief.loop_start()
        time.sleep(0.7)
        thief.disconnect()
        thief.loop_stop()


def forget(here: Bench, line: Gate, _chance: random.Random) -> None:
    """Kill the broker with all that it kept; the witness is back first, for a broker keeps nothing for who is away."""
    line.is_shut = True
    line.cut()
    time.sleep(0.5)
    here.broker.kill()
    for kept in here.broker.folder.glob("*.db"):
        kept.unlink()
    here.broker.start()
    here.witness.wait_until_back()
    line.is_shut = False


def nonsense(_here: Bench, line: Gate, instants: random.Random) -> None:
    for _ in range(4):
        line.spoil(instants.randbytes(instants.randrange(1, 400)))
        time.sleep(0.8)


FAULTS: tuple[Callable[[Bench, Gate, random.Random], None], ...] = (
    stop, flap, freeze, refuse, take_over, forget, nonsense,
)  # fmt: skip


def test_the_broker_in_trouble(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    broker, number = mosquitto(persistent=True), trials(1, 6)
    with gate(broker.port) as line, bench(tmp_path / "bench", broker, way=line.port) as here:
        here.start()
        here.watch()
        for fault in FAULTS:
            instants, ended = chance(f"broker {fault.__name__}"), here.unasked
            for _ in range(number):
                fault(here, line, instants)
                here.watch()
                with here.witness.alarm_path_open():
                    here.watch()
            count = here.verdict_after_telling()
            note(f"broker: {fault.__name__.replace('_', ' ')}", number, count, ended=here.unasked - ended)
