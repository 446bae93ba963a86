"""A configuration that was changed between two runs: what was carried goes on, what is no longer watched is told."""

import json
from pathlib import Path

import pytest

from logger.config import AlarmKind, Config, MqttConfig, ProbeConfig
from logger.daemon import start
from logger.daemon.service import Stop
from logger.model import Cause, State
from logger.store import Store, queries
from logger.structs import replace
from tests.daemon.factories import HIGH, calibrated, config_of, run


def renamed(config: Config, probe: str) -> Config:
    """Give the vat a probe of another name, and forget the one it had."""
    (vat,) = config.vats
    return replace(config, probes=(ProbeConfig(id=probe, port="/dev/null"),), vats=(replace(vat, probe=probe),))


def test_watch_time_goes_on_when_the_probe_is_renamed_or_exchanged(tmp_path: Path) -> None:
    # Else what is carried in watch time (a shelving, the beginning of fresh windows) would lie days ahead: every
    # alarm that judges windows would be silent until then, `blind` too.
    config = calibrated(config_of(tmp_path, HIGH))
    run(config, [4.5] * 100).close()
    daemon = start.build(renamed(config, "other"), config_hash="")
    assert daemon.clock.read().elapsed_us >= 1_000_000_000
    daemon.store.close()


def restarted(config: Config) -> Store:
    """Start with a changed configuration, and end at once; return the store."""
    daemon = start.build(config, config_hash="changed")
    daemon.ports.clear()
    daemon.run(Stop(wanted=True))
    return Store.open(config.store_url, simulated=False, read_only=True)


def told(store: Store) -> list[tuple[str, str, int | None, State | None]]:
    """Return what the journal tells of alarms that nothing watches any more."""
    entries = queries.entries(store, limit=9, cause=Cause.UNWATCHED)
    return [(entry.vat, entry.alarm, entry.occurrence, entry.before) for entry in entries]


STANDING = ("vat", "ph-high", 1, State.UNACKNOWLEDGED)


def test_an_alarm_that_leaves_the_configuration_while_it_stands_is_told_once(tmp_path: Path) -> None:
    broker = MqttConfig(host="127.0.0.1", port=1)
    config = calibrated(config_of(tmp_path, HIGH, mqtt=broker))
    run(config, [4.5, *[4.7] * 70]).close()
    (vat,) = config.vats
    without = replace(config, vats=(replace(vat, alarms=()),))
    with restarted(without) as store:
        assert told(store) == [STANDING]
        events = [json.loads(event.payload) for event in queries.unsent_events(store, limit=9)]
        assert [(e["alarm"], e["priority"]) for e in events if e["cause"] == Cause.UNWATCHED] == [("ph-high", "high")]
    with restarted(without) as store:
        assert told(store) == [STANDING]


def test_a_vat_that_leaves_the_configuration_takes_no_standing_alarm_with_it_in_silence(tmp_path: Path) -> None:
    config = calibrated(config_of(tmp_path, HIGH))
    run(config, [4.5, *[4.7] * 70]).close()
    (vat,) = config.vats
    with restarted(replace(config, vats=(replace(vat, id="other"),))) as store:
        assert told(store) == [STANDING]


def test_an_alarm_that_does_not_stand_leaves_without_a_word(tmp_path: Path) -> None:
    config = calibrated(config_of(tmp_path, HIGH))
    run(config, [4.5] * 70).close()
    (vat,) = config.vats
    with restarted(replace(config, vats=(replace(vat, alarms=()),))) as store:
        assert told(store) == []


def test_an_alarm_that_becomes_one_of_another_kind_begins_anew(tmp_path: Path) -> None:
    # What stood as pH high and was acknowledged says nothing of a temperature: that is a new occurrence.
    config = calibrated(config_of(tmp_path, HIGH))
    run(config, [4.5, *[4.7] * 70]).close()
    warm = replace(HIGH, kind=AlarmKind.TEMPERATURE_HIGH, setpoint=15.0, on_delay_s=0.0)
    (vat,) = config.vats
    changed = replace(config, vats=(replace(vat, alarms=(warm,)),))
    with run(changed, [4.5] * 5) as store:
        found = queries.entries(store, limit=9, cause=Cause.ANNUNCIATED, alarm="ph-high")
        assert [(entry.occurrence, entry.value) for entry in found] == [(1, pytest.approx(4.7)), (2, 20.0)]
        assert told(store) == [STANDING]
