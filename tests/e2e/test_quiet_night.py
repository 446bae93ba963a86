"""A quiet night: nothing happens in the vat, so nothing at all is raised."""

import io
from pathlib import Path

import pytest

from logger import recording, replay, settings
from logger.config import Priority
from logger.model import Cause, Quality
from logger.watch.pipeline import Watch
from tests.e2e.vat_history import check_that_a_replay_tells_the_same, joined
from tests.parts.daemon import MakeNight, Vat, record

HOURS = 14.0
EXAMPLE = Path(__file__).parents[2] / "config_examples" / "simulator.toml"


@pytest.mark.parametrize("seed", range(1, 5))
def test_a_replayed_quiet_night_raises_nothing(seed: int) -> None:
    config = settings.load(EXAMPLE, environ={})
    vat = Vat(run="quiet-night", seed=seed)
    _, items = recording.read(io.BytesIO(record(vat, "--poll", "10")), name="quiet-night")
    watch = Watch(vat=config.vats[0], probe=config.probes[0])
    quiet = joined(replay.replay(watch, items))
    told = [entry for entry in quiet.entries if entry.alarm != "unconfirmed"]  # which asks for a measurement
    assert [entry.cause for entry in told] == [Cause.CALIBRATED, Cause.READING_AT_TARGET]  # good news
    assert {entry.priority for entry in quiet.entries if entry.annunciates} == {Priority.MEDIUM}
    assert len(quiet.measurements) >= HOURS * 360
    assert set(quiet.measurements.quality.tolist()) <= {Quality.PASS, Quality.NOT_EVALUATED}


@pytest.mark.slow
def test_a_quiet_night_watched_live_raises_nothing(night: MakeNight) -> None:
    vat = Vat(run="quiet-night", alarms=EXAMPLE_ALARMS)
    here = night(vat, speed=1500, poll_s=60, head_s=2.0)
    here.start_and_watch()
    here.until_hour(HOURS - 0.2)
    assert here.stop() == 0
    quiet = check_that_a_replay_tells_the_same(here, vat)
    assert [entry.cause for entry in quiet.entries] == [Cause.CALIBRATED]


EXAMPLE_ALARMS = """\
[vat.{vat}.alarm.ph-high]
setpoint = 5.6
[vat.{vat}.alarm.ph-low]
setpoint = 3.0
[vat.{vat}.alarm.temperature-high]
setpoint = 28
[vat.{vat}.alarm.temperature-low]
setpoint = 16
"""
