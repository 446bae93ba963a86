"""The probe's line: garbage, a line without end, late, not a number, silent, unplugged; and hostile commands."""

import random
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.campaign.bench import Bench, bench, swinging
from tests.campaign.table import chance, note, trials
from tests.parts.mosquitto import MakeMosquitto

pytestmark = [pytest.mark.slow, pytest.mark.timeout(7200)]
HELD_S = 2.0
Answer = Callable[[random.Random], list[tuple[float, bytes]]]


def garbage(instants: random.Random) -> list[tuple[float, bytes]]:
    return [(0.0, instants.randbytes(instants.randrange(1, 300)))]


def endless_line(_chance: random.Random) -> list[tuple[float, bytes]]:
    return [(0.0, b"1" * 3000)]


def late(_chance: random.Random) -> list[tuple[float, bytes]]:
    return [(0.15, swinging())]


def not_a_number(instants: random.Random) -> list[tuple[float, bytes]]:
    word = instants.choice(["nan", "inf", "-inf", "1e999", "9.9E37", "", "0x1f", "\u0664"])
    return [(0.0, f"{word} mV {word} C\r\n".encode())]


def silent(_chance: random.Random) -> list[tuple[float, bytes]]:
    return []


def test_the_line_in_trouble(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    number = trials(1, 8)
    with bench(tmp_path / "bench", mosquitto()) as here:
        here.start()
        here.watch()
        for fault in (garbage, endless_line, late, not_a_number, silent):
            instants, ended = chance(f"serial {fault.__name__}"), here.unasked
            for _ in range(number):
                here.look()
                with here.witness.alarm_path_open():
                    here.peer.answer = lambda _, f=fault, i=instants: f(i)  # type: ignore[misc]
                    time.sleep(HELD_S)
                    here.peer.answer = lambda _: [(0.0, swinging())]
                    here.watch()
            count = here.verdict_after_telling()
            note(f"serial: {fault.__name__.replace('_', ' ')}", number, count, ended=here.unasked - ended)
        unplugged(here, number)


def unplugged(here: Bench, number: int) -> None:
    ended = here.unasked
    for _ in range(number):
        here.look()
        with here.witness.alarm_path_open():
            here.peer.__exit__()
            time.sleep(HELD_S)
            here.peer.__enter__()
            here.watch()
    note("serial: unplugged and plugged in", number, here.verdict_after_telling(), ended=here.unasked - ended)


WORDS = (
    "marrow",
    "system",
    "temperature-high",
    "acknowledge",
    "shelve",
    "unshelve",
    "mark",
    "note",
    "all",
    "é",
    "a" * 300,
)
PAYLOADS = (
    b"", b"{}", b"null", b'{"by":"x"}', b'{"duration_s":1e400}', b'{"duration_s":-1}', b"\xff\xfe", b"[" * 2000,
    b'{"note":"\\u001b[2J\\u202e"}', b'{"occurrence":99999999999999999999}', b'{"at":"0000-00-00"}', b"1" * 70000,
)  # fmt: skip


def test_hostile_commands(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    number, instants = trials(200, 5000), chance("commands")
    with bench(tmp_path / "bench", mosquitto()) as here:
        here.start()
        here.watch()
        here.look()
        with here.witness.alarm_path_open():
            for _ in range(number):
                topic = "/".join(["command", *instants.choices(WORDS, k=instants.randrange(1, 5))])
                payload = bytearray(instants.choice(PAYLOADS))
                for _ in range(instants.randrange(3)):
                    payload.insert(instants.randrange(len(payload) + 1), instants.randrange(256))
                here.witness.say(topic, bytes(payload))
            here.watch(2)
        here.end()
        here.start()
        note("commands that nobody could mean", number, here.verdict_after_telling(), ended=here.unasked)
