"""The second way out of the real daemon: a broker that is gone, none at all, restarts, a bad executable."""

import json
from itertools import pairwise
from pathlib import Path

import pytest

from tests.channels.factories import script
from tests.channels.test_process import is_alive
from tests.e2e import hub_listener
from tests.parts.daemon import BASE, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber

STANDS = """\
[vat.{vat}.alarm.ph-high]
setpoint = 3.0
on_delay_s = 0
window_s = 0
priority = "high"
[vat.{vat}.alarm.temperature-high]
setpoint = 1.0
on_delay_s = 0
window_s = 0
priority = "medium"
"""
AWAY = """\
[system.alarm.broker-away]
on_delay_s = 2
"""
CALM = Vat(run="quiet-night", alarms=STANDS)
TELL = 'cat >> "$0.d/told"'


def with_hook(here: Night, text: str, **settings: float) -> Night:
    """Give a night a second way out."""
    keys = "\n".join(f"{key} = {value}" for key, value in settings.items())
    here.config_file.write_text(
        f'{here.config_file.read_text()}\n[hook]\ncommand = ["{script(here.folder, text)}"]\n{keys}\n'
    )
    return here


def told(here: Night) -> list[str]:
    """Return the ids of the events that the executable kept, in their order."""
    file = here.folder / "hook.d" / "told"
    lines = file.read_text().splitlines() if file.exists() else []
    return [json.loads(line)["event_id"] for line in lines]


def alarm_ids(here: Night) -> list[str]:
    """Return the ids of the events of the alarm that wakes."""
    return [event for event in hub_listener.sent(here) if "ph-high" in event]


def marked(here: Night) -> list[str]:
    return [
        row[0]
        for row in here.rows("SELECT event_id FROM channel_delivery WHERE event_id <> '' ORDER BY at_us, event_id")
    ]


@pytest.mark.slow
def test_what_a_stopped_broker_does_not_take_goes_the_second_way_once_and_to_the_broker_on_its_return(
    night: MakeNight, mosquitto: MakeMosquitto
) -> None:
    broker = mosquitto(persistent=True)
    here = with_hook(night(CALM, speed=100, poll_s=10, starts_h=1.0, broker=broker.port), TELL, after_s=1)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",), name="hub", session_s=600) as hub:
        broker.stop()
        here.start_and_watch()
        here.until(lambda: bool(told(here)), "the second way out")
        here.until(lambda: bool(marked(here)), "its mark in the store")
        (row,) = here.rows("SELECT payload FROM outbox WHERE event_id LIKE '%ph-high%'")
        assert (here.folder / "hook.d/told").read_text() == f"{row[0]}\n"
        assert hub_listener.unsent(here) == len(hub_listener.sent(here))
        assert here.stop() == 0
        here.start_and_watch()
        broker.start()
        here.until(lambda: set(hub_listener.sent(here)) <= set(hub_listener.ids(hub)), "every event at the broker")
        assert here.stop() == 0
    assert hub_listener.ids(hub) == hub_listener.sent(here)
    assert told(here) == marked(here) == alarm_ids(here)


@pytest.mark.slow
def test_what_the_broker_takes_in_time_goes_no_second_way(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    here = with_hook(night(CALM, speed=100, poll_s=10, starts_h=1.0, broker=broker.port), TELL, after_s=1)
    here.start_and_watch()
    here.until(lambda: bool(alarm_ids(here)) and hub_listener.unsent(here) == 0, "the alarm at the broker")
    here.watch(records=20)  # two seconds: longer than after_s
    assert here.stop() == 0
    assert (told(here), marked(here)) == ([], [])


@pytest.mark.slow
def test_without_a_broker_it_is_told_at_once_and_nothing_piles_up(night: MakeNight) -> None:
    here = with_hook(night(CALM, speed=100, poll_s=10, starts_h=1.0), TELL, after_s=3600)
    here.start_and_watch()
    here.until(lambda: bool(marked(here)), "the second way out")
    here.until(lambda: hub_listener.unsent(here) == 0, "an empty outbox")
    assert here.stop() == 0
    assert told(here) == marked(here) == hub_listener.sent(here) == alarm_ids(here)


@pytest.mark.slow
def test_a_kill_in_the_middle_of_a_run_brings_it_again_and_a_later_restart_does_not(night: MakeNight) -> None:
    slow = 'cat >> "$0.d/told"; test -e "$0.d/quick" || sleep 60'
    here = with_hook(night(CALM, speed=100, poll_s=10, starts_h=1.0), slow, timeout_s=100)
    here.start_and_watch()
    here.until(lambda: len(told(here)) == 1, "a run that goes on")
    here.kill()
    assert marked(here) == []
    (here.folder / "hook.d/quick").touch()
    here.start()
    here.until(lambda: bool(marked(here)), "a run that ended well")
    assert here.stop() == 0
    here.start_and_watch(records=20)
    assert here.stop() == 0
    assert told(here) == alarm_ids(here) * 2
    assert marked(here) == alarm_ids(here)


@pytest.mark.slow
def test_an_end_in_the_middle_of_a_run_waits_a_moment_kills_it_and_leaves_the_event_for_the_next_start(
    night: MakeNight,
) -> None:
    slow = 'test -e "$0.d/quick" || { echo $$ > "$0.d/pid"; sleep 60; }; cat >> "$0.d/told"'
    here = with_hook(night(CALM, speed=100, poll_s=10, starts_h=1.0), slow, timeout_s=100)
    here.start_and_watch()
    pid = here.folder / "hook.d/pid"
    here.until(lambda: pid.exists() and bool(pid.read_text()), "a run that goes on")
    assert here.stop() == 0
    assert not is_alive(int(pid.read_text()))
    (here.folder / "hook.d/quick").touch()
    here.start()
    here.until(lambda: bool(marked(here)), "a run that ended well")
    assert here.stop() == 0
    assert told(here) == alarm_ids(here)
    assert here.journal("cause = 'hook-failed'") == []


def delays_s(here: Night) -> list[float]:
    """Return how far apart (real seconds) the records were read."""
    times = [row[0] for row in here.rows("SELECT elapsed_us FROM measurement ORDER BY seq")]
    return [(b - a) / 1e6 / here.speed for a, b in pairwise(times)]


@pytest.mark.slow
def test_one_that_hangs_and_floods_is_killed_and_never_delays_the_watch(night: MakeNight) -> None:
    bad = 'echo $$ >> "$0.d/pids"; yes flood & yes flood >&2 & wait'
    here = with_hook(night(CALM, speed=100, poll_s=10, starts_h=1.0), bad, timeout_s=1, retries=1)
    here.start_and_watch()
    here.wait_for("cause = 'hook-failed'")
    here.watch(records=5)
    assert here.stop() == 0
    # 0.1 s between two polls; a second of a hung run would show as a tenfold gap.
    assert max(delays_s(here)) < 0.5
    pids = [int(line) for line in (here.folder / "hook.d/pids").read_text().split()]
    assert [len(pids), *(is_alive(pid) for pid in pids)] == [2, False, False]
    (said,) = here.rows("SELECT text, priority FROM journal WHERE cause = 'hook-failed'")
    tried = f"The second way out ({here.folder}/hook) was tried 2 times in vain"
    assert said == (f"{tried}: it was killed after its time limit of 1 s. Try it by hand", "medium")
    assert len(here.log) < 10_000
    assert hub_listener.unsent(here) == 1  # it was told to nobody, so it waits


@pytest.mark.slow
def test_one_that_fails_at_first_is_run_again_for_the_same_event(night: MakeNight) -> None:
    fails_once = 'test -e "$0.d/once" || { touch "$0.d/once"; echo no net; exit 7; }; cat >> "$0.d/told"'
    here = with_hook(night(CALM, speed=100, poll_s=10, starts_h=1.0), fails_once)
    here.start_and_watch()
    here.until(lambda: bool(marked(here)), "a run that ended well")
    assert here.stop() == 0
    assert told(here) == alarm_ids(here)
    assert "it ended with exit code 7" in here.log
    assert "'no net'" in here.log


@pytest.mark.slow
def test_no_secret_reaches_the_log_the_journal_or_the_executable(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto(start=False)
    seen = 'env > "$0.d/environment"; cat >> "$0.d/told"; exit 1'
    here = with_hook(night(CALM, speed=100, poll_s=10, starts_h=1.0, broker=broker.port), seen, after_s=0, retries=0)
    text = here.config_file.read_text().replace('/hook"]', '/hook", "hawthorn"]')
    here.config_file.write_text(text)
    here.environment = {"VATVIGIL_MQTT__USERNAME": "watch", "VATVIGIL_MQTT__PASSWORD": "salsify"}
    here.start_and_watch()
    here.wait_for("cause = 'hook-failed'")
    assert here.stop() == 0
    written = here.log + str(here.rows("SELECT text FROM journal")) + str(here.rows("SELECT payload FROM outbox"))
    environment = Path(here.folder / "hook.d/environment").read_text()
    assert [word in written for word in ("salsify", "hawthorn")] == [False, False]
    assert "salsify" not in environment


def urgent(here: Night) -> list[str]:
    """Return the ids of the events of high priority, in their order."""
    return [
        row[0]
        for row in here.rows(
            "SELECT event_id FROM outbox WHERE json_extract(payload, '$.priority') = 'high' ORDER BY id"
        )
    ]


def own(port: int) -> str:
    return str(hub_listener.own(port).get("broker-away", {}).get("state"))


@pytest.mark.slow
def test_in_twelve_hours_without_broker_each_urgent_event_goes_the_second_way_once_and_in_order(
    night: MakeNight, mosquitto: MakeMosquitto
) -> None:
    broker = mosquitto(persistent=True)
    restless = hub_listener.RESTLESS.replace("window_s = 0", "window_s = 300")
    vat = Vat(run="quiet-night", alarms=restless + STANDS.partition('high"\n')[2] + AWAY)
    here = with_hook(night(vat, speed=1200, poll_s=30, broker=broker.port), TELL, after_s=1)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",), name="hub", session_s=600) as hub:
        here.start_and_watch()
        here.until(lambda: bool(hub_listener.events(hub)), "a first event")
        broker.stop()
        before = hub_listener.sent(here)
        here.until_hour(here.hour + 12.0)
        away = [event for event in urgent(here) if event not in before]
        here.until(lambda: set(away) <= set(marked(here)), "the second way out")
        assert [event for event in away if "broker-away" in event] == [
            event for event in told(here) if "broker" in event
        ]
        assert here.journal("alarm = 'broker-away'") == [("annunciated", "broker-away", 1, 0)]
        broker.start()
        here.until(lambda: own(hub.port) == "returned-unacknowledged", "the alarm on the broker to return")
        here.until(lambda: set(hub_listener.sent(here)) <= set(hub_listener.ids(hub)), "every event at the broker")
        assert here.stop() == 0
        here.until(lambda: set(hub_listener.sent(here)) <= set(hub_listener.ids(hub)), "every event at the broker")
    assert len(away) >= 3
    heard = [event for event in hub_listener.events(hub) if event["alarm"] == "broker-away"]
    assert [(event["cause"], event["occurrence"]) for event in heard] == [("annunciated", 1), ("returned", 1)]
    assert hub_listener.ids(hub) == hub_listener.sent(here)
    assert told(here) == [event for event in urgent(here) if event in set(told(here))]
    assert sorted(told(here)) == sorted(marked(here))
