"""What happened live and what a replay of it makes of the same indications and commands are the same, to the bit."""

import pytest

from logger.model import CommandKind, Reason
from tests.e2e.vat_history import check_that_a_replay_tells_the_same
from tests.parts.daemon import MakeNight, Vat

RAISED_SOON = """\
[vat.{vat}.alarm.ph-high]
setpoint = 4.8
on_delay_s = 120
window_s = 60
reminder_s = 600
[vat.{vat}.alarm.blind]
on_delay_s = 120
window_s = 60
"""


@pytest.mark.slow
def test_a_whole_night_with_faults_and_requests_is_told_alike_by_a_replay(night: MakeNight) -> None:
    vat = Vat(run="demo-night")  # stirred, unplugged, cold, knocked: see `python -m simulator runs`
    here = night(vat, speed=2800, head_s=1.5)
    here.start_and_watch()
    here.wait_for("cause = 'annunciated' AND alarm = 'no-data'")
    here.wait_for("cause = 'annunciated' AND alarm = 'temperature-low'")
    acknowledged = here.ask(CommandKind.ACKNOWLEDGE, alarm="temperature-low", occurrence=1)
    refused = here.ask(CommandKind.ACKNOWLEDGE, alarm="temperature-low", occurrence=7)
    shelved = here.ask(CommandKind.SHELVE, alarm="temperature-low", duration_s=3600.0)
    assert here.answered(acknowledged) == "acknowledged"
    assert "occurrence 7" in here.answered(refused)
    assert here.answered(shelved) == "shelved for 60 min"
    out = here.ask(CommandKind.MARK, note="probe-out", duration_s=1800.0)
    assert here.answered(out)
    assert here.answered(here.ask(CommandKind.MARK, note="probe-in"))
    here.until_hour(12.5)
    assert here.stop() == 0
    told = check_that_a_replay_tells_the_same(here, vat)
    raised = [entry.alarm for entry in told.entries if entry.annunciates]
    assert {"no-data", "temperature-low", "trust-lost"} <= set(raised)
    assert [answer.applied for answer in told.answers] == [True, True, False, True, True, True]


@pytest.mark.slow
def test_a_night_with_a_restart_in_the_middle_of_a_fault_is_told_alike_by_a_replay(night: MakeNight) -> None:
    vat = Vat(run="garbled", alarms=RAISED_SOON)  # replies with flipped bits from 2.0 to 2.5 h
    here = night(vat, speed=250, poll_s=10, starts_h=1.6)
    here.start_and_watch(records=10)
    here.wait_for("cause = 'annunciated' AND alarm = 'ph-high'")
    assert here.answered(here.ask(CommandKind.ACKNOWLEDGE, alarm="ph-high", occurrence=1)) == "acknowledged"
    here.until_hour(2.15)
    waiting = here.ask(CommandKind.SHELVE, alarm="ph-high", duration_s=600.0)
    assert here.stop() == 0
    here.start_and_watch()
    assert here.answered(waiting) == "shelved for 10 min"
    here.until_hour(2.7)
    assert here.stop() == 0
    told = check_that_a_replay_tells_the_same(here, vat)
    assert next(entry.occurrence for entry in told.entries if entry.annunciates) == 1
    reasons = set(told.measurements.reason.tolist())
    assert int(Reason.NONE) in reasons
    assert reasons & {int(Reason.GARBLED), int(Reason.TIMEOUT)}  # a garbled terminator is a time-out
    assert here.rows("SELECT count(*) FROM run") == [(2,)]
