"""Push and the dead man's switch of the real daemon, against web servers of this machine."""

import sys
from subprocess import PIPE, Popen

import pytest

from tests.e2e import hub_listener
from tests.e2e.test_hook import AWAY, CALM, STANDS, alarm_ids, delays_s
from tests.parts.daemon import MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto
from tests.parts.receiver import Receiver

QUIET = Vat(run="quiet-night", alarms="")
NO_DATA = """\
[vat.{vat}.alarm.no-data]
on_delay_s = 0
priority = "high"
"""


def with_push(here: Night, *receivers: Receiver, dead_man: Receiver | None = None, **settings: object) -> Night:
    """Give a night push services, and a dead man's switch."""
    urls = [f"json://127.0.0.1:{receiver.port}/push" for receiver in receivers]
    keys = "".join(f"{key} = {value}\n" for key, value in settings.items())
    text = f"\n[push]\nurls = {urls}\n{keys}" if urls else ""
    if dead_man:
        text += f'[dead_man]\nurl = "http://127.0.0.1:{dead_man.port}/alive"\nevery_s = 10\ntimeout_s = 1\n'
    here.config_file.write_text(here.config_file.read_text() + text)
    return here


def taken(here: Night, channel: str = "push-1") -> list[str]:
    statement = f"SELECT event_id FROM channel_delivery WHERE channel = '{channel}' AND event_id <> ''"  # noqa: S608 - a name
    return [row[0] for row in here.rows(f"{statement} ORDER BY at_us, event_id")]


@pytest.mark.slow
def test_without_a_broker_each_service_is_told_once_and_the_dead_man_lives(
    night: MakeNight, receiver: Receiver, other_receiver: Receiver
) -> None:
    other_receiver.status = 503
    here = night(CALM, speed=100, poll_s=10, starts_h=1.0)
    with_push(here, receiver, other_receiver, dead_man=receiver)
    here.start_and_watch()
    receiver.until_sent(1)
    here.until(lambda: taken(here) == alarm_ids(here), "its mark in the store")
    here.until(lambda: hub_listener.unsent(here) == 0, "an empty outbox")
    here.until(lambda: receiver.asked == ["/alive"], "the dead man's switch")
    assert here.stop() == 0
    assert (receiver.titles, taken(here, "push-2")) == (["SIMULATED: ALARM marrow ph-high"], [])
    assert receiver.sent[0]["message"].startswith("marrow: pH ")
    other_receiver.status = 200
    here.start()
    here.until(lambda: taken(here, "push-2") == alarm_ids(here), "the second service")
    assert here.stop() == 0
    assert (receiver.titles, other_receiver.titles) == (["SIMULATED: ALARM marrow ph-high"],) * 2


@pytest.mark.slow
def test_beside_a_broker_each_alarm_goes_both_ways(
    night: MakeNight, mosquitto: MakeMosquitto, receiver: Receiver
) -> None:
    broker = mosquitto()
    here = with_push(night(CALM, speed=100, poll_s=10, starts_h=1.0, broker=broker.port), receiver)
    here.start_and_watch()
    here.until(lambda: taken(here) == alarm_ids(here) != [] and hub_listener.unsent(here) == 0, "both ways")
    assert here.stop() == 0
    assert receiver.titles == ["SIMULATED: ALARM marrow ph-high"]


@pytest.mark.slow
def test_as_a_second_way_out_it_is_told_what_the_broker_does_not_take(
    night: MakeNight, mosquitto: MakeMosquitto, receiver: Receiver
) -> None:
    broker = mosquitto()
    vat = Vat(run="quiet-night", alarms=STANDS + AWAY)
    here = night(vat, speed=100, poll_s=10, starts_h=1.0, broker=broker.port)
    with_push(here, receiver, only_if_broker_fails="true", after_s=4)
    here.start_and_watch()
    here.until(lambda: bool(alarm_ids(here)) and hub_listener.unsent(here) == 0, "the alarm at the broker")
    here.watch(records=50)  # five seconds: longer than after_s
    assert receiver.sent == []
    broker.stop()
    receiver.until_sent(1)
    assert here.stop() == 0
    assert receiver.titles == ["SIMULATED: ALARM system broker-away"]


@pytest.mark.slow
def test_one_that_never_answers_is_killed_and_never_delays_the_watch(night: MakeNight, receiver: Receiver) -> None:
    receiver.silent = True
    here = night(CALM, speed=100, poll_s=10, starts_h=1.0)
    with_push(here, receiver, dead_man=receiver, timeout_s=1, retries=1)
    here.start_and_watch()
    here.wait_for("cause = 'push-failed'")
    here.watch(records=5)
    assert here.stop() == 0
    # 0.1 s between two polls; a second of a hung run would show as a tenfold gap.
    assert max(delays_s(here)) < 0.5
    (said,) = here.rows("SELECT text, priority FROM journal WHERE cause = 'push-failed'")
    tried = "Push service 1 (json) was tried 2 times in vain: it was killed after its time limit of 1 s."
    assert (said[0].startswith(tried), said[1]) == (True, "medium")


@pytest.mark.slow
def test_a_restart_in_the_middle_of_a_push_brings_it_once_more(night: MakeNight, receiver: Receiver) -> None:
    receiver.silent = True
    here = with_push(night(CALM, speed=100, poll_s=10, starts_h=1.0), receiver, timeout_s=100)
    here.start_and_watch()
    here.until(lambda: receiver.tries == 1, "a push that goes on")
    here.kill()
    assert taken(here) == []
    receiver.silent = False
    here.start()
    here.until(lambda: taken(here) == alarm_ids(here), "a push that ended well")
    assert here.stop() == 0
    assert receiver.titles == ["SIMULATED: ALARM marrow ph-high"]


@pytest.mark.slow
def test_the_dead_man_starves_while_a_blind_watch_is_not_acknowledged(night: MakeNight, receiver: Receiver) -> None:
    here = night(Vat(run="quiet-night", alarms=NO_DATA), speed=10, poll_s=5, starts_h=1.0)
    with_push(here, receiver, dead_man=receiver)
    here.start_and_watch()
    here.until(lambda: len(receiver.asked) == 1, "the dead man's switch")
    for simulator in here.simulators:
        simulator.process.kill()
    here.wait_for("alarm = 'no-data'")
    receiver.until_sent(1)
    fed = len(receiver.asked)
    here.until(lambda: "not fed: alarm marrow no-data stands unacknowledged" in here.log, "the reason in the log")
    assert len(receiver.asked) == fed
    with Popen([*ourselves("alarms", "ack", "marrow", "no-data"), "-c", str(here.config_file)], stdout=PIPE) as ack:
        ack.communicate(timeout=60)
    here.until(lambda: len(receiver.asked) > fed, "the dead man's switch again")
    assert here.stop() == 0


def ourselves(*words: str) -> list[str]:
    return [sys.executable, "-P", "-m", "logger", *words]


@pytest.mark.slow
def test_a_good_night_test_goes_by_push_and_is_acknowledged_at_the_terminal(
    night: MakeNight, receiver: Receiver
) -> None:
    here = with_push(night(QUIET, speed=100, poll_s=10, starts_h=1.0), receiver)
    here.start_and_watch()
    file = ["-c", str(here.config_file)]
    with Popen([*ourselves("rehearse", "--within-s", "60"), *file], stdout=PIPE, stderr=PIPE, text=True) as test:
        receiver.until_sent(1)
        with Popen([*ourselves("alarms", "ack", "system", "rehearsal"), *file], stdout=PIPE) as ack:
            ack.communicate(timeout=60)
        out, complaint = test.communicate(timeout=60)
    assert (test.returncode, complaint) == (0, "")
    assert receiver.titles[0] == "SIMULATED: TEST: ALARM system rehearsal"
    assert "TEST: Push service 1 (json) has taken the event" in " ".join(out.split())
    assert "the broker" not in out
    assert here.stop() == 0
