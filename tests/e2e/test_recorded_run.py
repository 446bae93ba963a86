"""A run watched live and the same run from `python -m simulator record` raise the same alarms in the same order."""

import io

import numpy as np
import pytest

from logger import recording, replay
from logger.model import Cause, Entry
from tests.e2e.vat_history import VatHistory, joined, stored, watch
from tests.parts.daemon import EPOCH_US, MakeNight, Night, Vat, record

SPEED = 700.0
POLL_S = 30.0
WINDOW_S = 600.0
BACKOFF_S = 5.0
WATCHED = """\
[vat.{vat}.alarm.ph-low]
setpoint = 5.03
deadband = 0.3
"""


def recorded(night: Night, vat: Vat) -> VatHistory:
    stream = io.BytesIO(record(vat, "--poll", str(POLL_S)))
    _, items = recording.read(stream, name=vat.run)
    return joined(replay.replay(watch(night, vat), items))


def hour(entry: Entry) -> float:
    return (entry.at_us - EPOCH_US) / 3.6e9


def transitions(history: VatHistory, *, from_h: float, until_h: float) -> list[Entry]:
    return [entry for entry in history.entries if entry.alarm and from_h < hour(entry) < until_h]


def begun(night: MakeNight, vat: Vat, *, from_h: float) -> Night:
    """Return a night that is watched before that hour, however long a busy machine takes to start it."""
    for start_s in (3.0, 10.0, 40.0):
        here = night(vat, speed=SPEED, poll_s=POLL_S, starts_h=max(0.0, from_h - start_s * SPEED / 3600))
        here.start_and_watch()
        if here.hour < from_h:
            return here
        here.stop()
    pytest.fail("the daemon takes longer than 40 s to start")


def told(entries: list[Entry], run: str) -> list[Entry]:
    """Return the entries that a run determines: what a knocked probe reads beside its jump is another at each poll."""
    if run != "probe-knocked":
        return entries
    return [entry for entry in entries if entry.alarm == "trust-lost" and entry.cause is Cause.ANNUNCIATED]


# The two differ in when they look: live polls fall between the recorded ones (and come late on a busy machine), and
# windows begin when the watch does. So a fault, which is sharp, shows within a poll at its first record and one at its
# last, plus the longest pause between two attempts to open a port that was away; a slow pH within two windows.
@pytest.mark.slow
@pytest.mark.parametrize(("run", "until_h"), [("unplugged", 3.6), ("probe-knocked", 4.3)])
def test_live_and_recorded_raise_the_same_alarms_at_the_same_time(night: MakeNight, run: str, until_h: float) -> None:
    vat, from_h = Vat(run=run, alarms=WATCHED), 1.9
    here = begun(night, vat, from_h=from_h)
    here.until_hour(until_h + 0.1)
    assert here.stop() == 0
    watched = stored(here, vat)
    nights = (watched, recorded(here, vat))
    live, past = (told(transitions(each, from_h=from_h, until_h=until_h), run) for each in nights)
    assert [(e.cause, e.alarm, e.occurrence) for e in live] == [(e.cause, e.alarm, e.occurrence) for e in past]
    assert {"unplugged": "no-data", "probe-knocked": "trust-lost"}[run] in {entry.alarm for entry in live}
    poll_s = float(np.diff(watched.measurements.elapsed_us).max()) / 1e6
    apart_s = {(e.alarm, e.cause.value): abs(hour(e) - hour(p)) * 3600 for e, p in zip(live, past, strict=True)}
    limits_s = {key: 2 * poll_s + BACKOFF_S if key[0] == "no-data" else 2 * WINDOW_S for key in apart_s}
    assert {key: seconds for key, seconds in apart_s.items() if seconds > limits_s[key]} == {}
