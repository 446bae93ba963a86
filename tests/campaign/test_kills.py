"""SIGKILL at any instant: in the start, in the run, between the writes of a commit, beside PostgreSQL."""

import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.campaign.bench import Bench, bench
from tests.campaign.table import chance, note, trials
from tests.campaign.witness import in_server
from tests.parts.mosquitto import MakeMosquitto

Kill = Callable[[Bench, float], None]
pytestmark = [pytest.mark.slow, pytest.mark.timeout(7200)]


def kill(here: Bench) -> None:
    """Look, and kill at once: what the witness has seen by then must stay."""
    here.look()
    here.end(signal.SIGKILL)


def in_start(here: Bench, instant: float) -> None:
    here.end(signal.SIGKILL)
    here.start()
    time.sleep(2.5 * instant)
    kill(here)
    here.start()


def in_run(here: Bench, instant: float) -> None:
    here.watch()
    time.sleep(0.6 * instant)
    kill(here)
    here.start()


def in_write(here: Bench, instant: float) -> None:
    """Kill as soon as the write-ahead log is written to."""
    here.watch()
    time.sleep(0.3 * instant)
    log = here.file.with_name("log.sqlite-wal")
    before, until = log.stat(), time.monotonic() + 1.0
    while log.stat().st_mtime_ns == before.st_mtime_ns and time.monotonic() < until:
        pass
    here.end(signal.SIGKILL)
    here.start()


@pytest.mark.parametrize(("kind", "times"), [(in_start, (2, 60)), (in_run, (3, 120)), (in_write, (3, 120))])
def test_killed(tmp_path: Path, mosquitto: MakeMosquitto, kind: Kill, times: tuple[int, int]) -> None:
    name, number = f"SIGKILL {kind.__name__.replace('_', ' ')}", trials(*times)
    with bench(tmp_path / "bench", mosquitto(persistent=True)) as here:
        instants = chance(name)
        here.start()
        here.watch()
        for _ in range(number):
            kind(here, instants.random())
        here.settle()
        note(name, number, here.witness.verdict(here.select), ended=here.unasked)


def test_killed_beside_postgresql(tmp_path: Path, mosquitto: MakeMosquitto, postgres_url: str) -> None:
    name, number = "SIGKILL beside PostgreSQL", trials(3, 60)
    ours = in_server(postgres_url)
    with bench(tmp_path / "bench", mosquitto(persistent=True), store=f'url = "{postgres_url}"', select=ours) as here:
        instants = chance(name)
        here.start()
        here.watch()
        for _ in range(number):
            in_run(here, instants.random())
        here.settle()
        note(name, number, here.witness.verdict(here.select), ended=here.unasked)
