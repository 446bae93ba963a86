"""The daemon as a process: how it begins, how it ends, what it tells its manager, and what it never tells anybody."""

import json
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.store import Store
from tests.e2e import hub_listener
from tests.e2e.test_store_trouble import locked
from tests.e2e.vat_history import check_that_a_replay_tells_the_same
from tests.parts.daemon import BASE, PATIENCE_S, MakeNight, Night, Vat
from tests.parts.mosquitto import MakeMosquitto, Subscriber, free_port

QUIET = Vat(run="quiet-night")


def run_to_its_end(here: Night) -> int:
    here.start()
    assert here.process is not None
    code, here.process = here.process.wait(PATIENCE_S), None
    return code


def test_a_second_daemon_on_the_same_store_is_refused_with_a_sentence(night: MakeNight) -> None:
    here = night(Vat(run="quiet-night"), speed=100, poll_s=10)
    here.start_and_watch()
    command = [sys.executable, "-P", "-m", "logger", "run", "-c", str(here.config_file)]
    other = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert other.returncode == 1
    assert "Another `vatvigil run` watches with the store" in other.stderr
    here.watch(records=3)
    assert here.stop() == 0


def test_a_wrong_configuration_is_exit_2_with_a_sentence_before_the_store_is_touched(night: MakeNight) -> None:
    here = night(QUIET, calibrated=False)
    here.config_file.write_text(here.config_file.read_text().replace("deadband = 0.4", "deadbnad = 0.4"))
    assert run_to_its_end(here) == 2
    assert "Configuration: " in here.log
    assert "deadbnad" in here.log
    assert "did you mean 'deadband'?" in here.log
    assert "Traceback" not in here.log
    assert not (here.folder / "night.db").exists()


def test_what_a_configuration_says_in_vain_is_logged_once(night: MakeNight) -> None:
    here = night(Vat(run="quiet-night", alarms="[vat.marrow.alarm.erratic]\n"), calibrated=False)
    Store.open(here.config.store_url, simulated=False, migrate=True).close()
    assert run_to_its_end(here) == 1
    assert here.log.count("[vat.marrow.alarm.erratic] is no longer an alarm of its own") == 1


def test_a_store_of_real_vats_is_refused_with_a_sentence(night: MakeNight) -> None:
    here = night(QUIET, calibrated=False)
    Store.open(here.config.store_url, simulated=False, migrate=True).close()
    assert run_to_its_end(here) == 1
    assert "was made for real vats" in here.log
    assert "Traceback" not in here.log


def test_what_nobody_expected_ends_the_process_with_its_traceback(night: MakeNight) -> None:
    here = night(QUIET, speed=100, poll_s=10)
    here.start_and_watch()
    with closing(sqlite3.connect(here.folder / "night.db", timeout=PATIENCE_S)) as database, database:
        database.execute("ALTER TABLE inbox RENAME TO elsewhere")
    assert here.process is not None
    assert here.process.wait(PATIENCE_S) == 1
    here.process = None
    assert "Traceback" in here.log


@pytest.mark.parametrize("number", [signal.SIGTERM, pytest.param(signal.SIGINT, marks=pytest.mark.slow)])
def test_a_signal_ends_the_watch_with_everything_stored(night: MakeNight, number: signal.Signals) -> None:
    here = night(QUIET, speed=100, poll_s=5)
    here.start_and_watch(records=5)
    assert here.process is not None
    here.process.send_signal(number)
    assert here.process.wait(PATIENCE_S) == 0
    here.process = None
    assert "Traceback" not in here.log
    assert not (here.folder / "night.db-wal").exists()
    check_that_a_replay_tells_the_same(here, QUIET)


@pytest.mark.slow
def test_an_end_while_the_store_is_locked_waits_for_it(night: MakeNight) -> None:
    here = night(QUIET, speed=100, poll_s=5)
    here.start_and_watch(records=5)
    with locked(here):
        here.until(lambda: "evaluation goes on" in here.log, "notice of the lock")
        assert here.process is not None
        here.process.terminate()
        with pytest.raises(Exception, match="timed out"):
            here.process.wait(1.5)
    assert here.process.wait(PATIENCE_S) == 0
    here.process = None
    seqs = [row[0] for row in here.rows("SELECT seq FROM measurement ORDER BY seq")]
    assert seqs == list(range(1, len(seqs) + 1))
    check_that_a_replay_tells_the_same(here, QUIET)


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(tmp_path / "notify"))
        heard.settimeout(PATIENCE_S)
        yield heard


@pytest.mark.slow
@pytest.mark.parametrize("broker", ["none", "absent"])
def test_the_manager_is_told_of_progress_also_without_a_broker(
    night: MakeNight, manager: socket.socket, broker: str
) -> None:
    here = night(QUIET, speed=100, poll_s=5, broker=free_port() if broker == "absent" else None)
    here.environment = {"NOTIFY_SOCKET": manager.getsockname()}
    here.start()
    assert manager.recv(100) == b"READY=1"
    for _ in range(5):
        assert manager.recv(100) == b"WATCHDOG=1"
    here.watch()
    assert here.stop() == 0
    manager.settimeout(0.1)
    words: list[bytes] = []
    while not words or words[-1] != b"STOPPING=1":
        words.append(manager.recv(100))
    assert set(words) <= {b"WATCHDOG=1", b"STOPPING=1"}


@pytest.mark.slow
def test_no_word_of_progress_comes_while_nothing_is_read(night: MakeNight, manager: socket.socket) -> None:
    here = night(QUIET, speed=1, poll_s=30)
    here.environment = {"NOTIFY_SOCKET": manager.getsockname()}
    here.start()
    assert [manager.recv(100), manager.recv(100)] == [b"READY=1", b"WATCHDOG=1"]  # the first read is at once
    manager.settimeout(3)
    with pytest.raises(TimeoutError):
        manager.recv(100)


def test_two_vats_with_two_probes_are_watched_by_one_daemon(night: MakeNight, mosquitto: MakeMosquitto) -> None:
    broker = mosquitto()
    vats = (
        Vat(id="marrow", run="quiet-night", alarms=hub_listener.RESTLESS),
        Vat(id="bramble", run="normal-night", seed=2),
    )
    here = night(*vats, speed=200, poll_s=10, starts_h=2.0, broker=broker.port)
    with Subscriber(port=broker.port, filters=(f"{BASE}/#",)) as hub:
        here.start_and_watch()
        here.wait_for("annunciates AND vat = 'marrow'")
        for vat in vats:
            said = json.loads(hub.wait_for(f"{BASE}/vat/{vat.id}/measurement")[-1])
            assert (said["vat"], said["probe"]) == (vat.id, vat.probe)
    assert here.stop() == 0
    told = {vat.id: check_that_a_replay_tells_the_same(here, vat) for vat in vats}
    assert {vat for vat, of_it in told.items() if any(e.annunciates for e in of_it.entries)} == {"marrow"}
    calibrations = {vat: set(of_it.measurements.calibration.tolist()) for vat, of_it in told.items()}
    assert calibrations == {"marrow": {1}, "bramble": {2}}
