"""The server: restarted, its sessions ended, the daemon's lock with its session, frozen."""

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.campaign.bench import bench
from tests.campaign.table import note, trials
from tests.campaign.witness import in_server
from tests.parts.mosquitto import MakeMosquitto
from tests.parts.postgres import Postgres

pytestmark = [pytest.mark.slow, pytest.mark.timeout(7200)]
OTHERS = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'vatvigil'"
LOCK = "SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory'"
Fault = Callable[[Postgres], None]


def restarted(server: Postgres) -> None:
    server.stop()
    time.sleep(2)
    server.start()


def sessions_ended(server: Postgres) -> None:
    for _ in range(5):
        server.execute(OTHERS)
        time.sleep(0.4)


def lock_lost(server: Postgres) -> None:
    server.execute(LOCK)


def frozen(server: Postgres) -> None:
    server.freeze()
    time.sleep(12)
    server.thaw()


FAULTS: dict[Fault, tuple[int, int]] = {restarted: (1, 6), sessions_ended: (1, 10), lock_lost: (1, 10), frozen: (1, 2)}


def test_the_server_in_trouble(tmp_path: Path, mosquitto: MakeMosquitto, postgres: Postgres, postgres_url: str) -> None:
    ours = in_server(postgres_url)
    with bench(tmp_path / "bench", mosquitto(), store=f'url = "{postgres_url}"', select=ours) as here:
        here.start()
        here.watch()
        for fault, times in FAULTS.items():
            number, ended = trials(*times), here.unasked
            for _ in range(number):
                here.look()
                with here.witness.alarm_path_open():
                    fault(postgres)
                    here.watch(2)
            count = here.verdict_after_telling()
            note(f"PostgreSQL: {fault.__name__.replace('_', ' ')}", number, count, ended=here.unasked - ended)
