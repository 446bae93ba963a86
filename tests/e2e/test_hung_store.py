"""A store that hangs: the watch goes on without it, nothing is lost, and it ends when it is told to."""

import time
from collections.abc import Iterator
from contextlib import contextmanager

import psycopg
import pytest

from tests.e2e import hub_listener
from tests.parts.daemon import BASE, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber
from tests.parts.postgres import Postgres
from tests.parts.waiting import wait_until

RESTLESS = Vat(run="quiet-night", alarms=hub_listener.RESTLESS)
END_S = 10.0


@contextmanager
def frozen(postgres: Postgres) -> Iterator[None]:
    postgres.freeze()
    try:
        yield
    finally:
        postgres.thaw()


def on_postgresql(here: Night, url: str) -> None:
    here.config_file.write_text(here.config_file.read_text().replace('path = "night.db"', f'url = "{url}"'))


def stored(url: str) -> list[int]:
    with psycopg.connect(url) as server:
        return [row[0] for row in server.execute("SELECT seq FROM measurement ORDER BY seq").fetchall()]


def beats(hub: Subscriber) -> int:
    return sum(message.topic == f"{BASE}/heartbeat" for message in hub.received)


@pytest.mark.slow
def test_a_server_that_hangs_holds_up_neither_alarms_nor_the_end(
    night: MakeNight, mosquitto: MakeMosquitto, postgres: Postgres, postgres_url: str
) -> None:
    broker = mosquitto()
    here = night(RESTLESS, speed=100, poll_s=10, starts_h=2.0, broker=broker.port, calibrated=False)
    on_postgresql(here, postgres_url)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",)) as hub:
        here.start()
        wait_until(lambda: beats(hub) > 1, 60)
        with frozen(postgres):
            heard, beaten = len(hub_listener.events(hub)), beats(hub)
            time.sleep(10)
            print(beats(hub) - beaten, len(hub_listener.events(hub)) - heard)
            assert beats(hub) - beaten >= 7
        assert here.process is not None
        with frozen(postgres):
            time.sleep(2)
            began = time.monotonic()
            here.stop()
            assert time.monotonic() - began < END_S
