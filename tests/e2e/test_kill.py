"""The daemon killed without a word, again and again, in a run that is full of alarms: nothing is lost or said twice."""

import random
import time
from collections import Counter
from typing import Any

import pytest

from logger.mqtt.event import event_of
from logger.store import queries
from tests.e2e import hub_listener
from tests.e2e.vat_history import check_that_a_replay_tells_the_same
from tests.parts.daemon import BASE, PATIENCE_S, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber

LONGEST_LIFE_S = 0.8
KILLED_IN_START = 0.3


def everything(night: Night) -> dict[str, list[tuple[Any, ...]]]:
    return {table: night.rows(f"SELECT * FROM {table} ORDER BY 1, 2") for table in ("measurement", "journal")}  # noqa: S608 - two names


def check_store_after_kill(night: Night, before: dict[str, list[tuple[Any, ...]]]) -> None:
    assert night.rows("PRAGMA integrity_check") == [("ok",)]
    after = everything(night)
    assert {table: rows[: len(before[table])] for table, rows in after.items()} == before
    seqs = [row[0] for row in night.rows("SELECT seq FROM measurement ORDER BY seq")]
    assert seqs == list(range(1, len(seqs) + 1))


SLOW = [pytest.mark.slow, pytest.mark.timeout(600)]


@pytest.mark.parametrize(
    ("kills", "wait_s"), [(4, 0), pytest.param(50, 0, marks=SLOW), pytest.param(5, 300, marks=SLOW)]
)
def test_kills_at_random_instants_lose_nothing_and_repeat_nothing(
    night: MakeNight, mosquitto: MakeMosquitto, kills: int, wait_s: int
) -> None:
    """`wait_s`: readings may wait in memory; what is stored and what was told must tell the same all the more."""
    broker, chance = mosquitto(), random.Random(kills)  # noqa: S311 - instants, not secrets
    vat = Vat(run="quiet-night", alarms=hub_listener.RESTLESS)
    here = night(vat, speed=100, poll_s=2, starts_h=2.0, broker=broker.port)
    text = here.config_file.read_text()
    here.config_file.write_text(text.replace("[store]\n", f"[store]\ncommit_every_s = {wait_s}\n"))
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",), name="witness") as witness:
        here.start_and_watch()
        for _ in range(kills):
            if chance.random() > KILLED_IN_START:
                here.watch()
            time.sleep(chance.uniform(0.0, LONGEST_LIFE_S))
            before = everything(here)
            here.kill()
            check_store_after_kill(here, before)
            here.start()
        here.watch(records=5)
        here.until(lambda: hub_listener.unsent(here) == 0, "all events to be delivered")
        assert here.stop() == 0
        told = check_that_a_replay_tells_the_same(here, vat)  # nothing of the alarms was lost
        occurrences = [entry.occurrence for entry in told.entries if entry.annunciates]
        assert occurrences == list(range(1, len(occurrences) + 1))
        assert len(occurrences) >= kills
        with here.open(read_only=True) as store:
            journal = queries.entries(store, limit=100_000)
        worth = [event.id for entry in journal if (event := event_of(entry, simulated=True))]
        assert hub_listener.sent(here) == worth
        here.until(lambda: set(worth) <= set(hub_listener.ids(witness)), "every event to be heard", PATIENCE_S)
        assert hub_listener.ids(witness) == worth
        heard = [m for m in witness.received if m.topic.endswith("/event")]
        repeated = {m for m, count in Counter(m.payload for m in heard).items() if count > 1}
        counts = f"{len(worth)} events, {len(heard)} messages, {len(repeated)} of them sent more than once"
        print(f"{len(told.measurements)} records, {counts}")
