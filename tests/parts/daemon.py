"""Whole nights: the real daemon as a process, real simulators on pseudo-terminals, one accelerated time for all.

Whatever is started is stopped by its fixture. The database is looked at with sqlite3 alone, as a stranger would.
"""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import pytest

from logger import settings
from logger.config import Config
from logger.errors import StoreBusyError
from logger.model import Calibration, Command, CommandKind
from logger.store import Store
from logger.structs import replace
from tests.parts.simulator import SimulatorProcess, Start
from tests.parts.waiting import wait_until

PATIENCE_S = 60.0
"""How long anything may take on a machine that is busy with other things."""
HOUR_S = 3600.0
EPOCH = "2026-11-24T18:00:00Z"
EPOCH_US = 1_795_543_200_000_000
BASE = "simulated/vatvigil-test"
ALARMS = """\
[vat.{vat}.alarm.ph-high]
setpoint = 5.5
[vat.{vat}.alarm.ph-low]
setpoint = 4.45
[vat.{vat}.alarm.temperature-low]
setpoint = 18.0
deadband = 0.4
on_delay_s = 1800
"""
_HEAD = """\
[simulation]
speed = {speed}
epoch = {epoch}
epoch_monotonic_s = {begins_s}

[store]
path = "night.db"
"""
_MQTT = """
[mqtt]
host = "127.0.0.1"
port = {port}
base_topic = "vatvigil-test"
client_id = "vatvigil-test"
heartbeat_s = 1
"""
_VAT = """
[probe.{vat}-probe]
port = "{port}"
poll_s = {poll_s}
timeout_s = 1.0

[vat.{vat}]
name = "{vat}"
probe = "{vat}-probe"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Vat:
    """One vat: which run of the simulator it is, and the text of its alarms."""

    id: str = "marrow"
    run: str = "demo-night"
    seed: int = 1
    alarms: str = ALARMS
    effects: Sequence[str] = ()
    """More options of the simulator, such as `--fault` and `offset@2:25`."""

    @property
    def probe(self) -> str:
        return f"{self.id}-probe"


@dataclass(slots=True, kw_only=True)
class Night:
    """A folder with a configuration, the simulators that it watches, and the daemon, once started."""

    folder: Path
    vats: Sequence[Vat]
    speed: float
    begins_s: float
    """What CLOCK_MONOTONIC shows at run time 0."""
    environment: Mapping[str, str] = field(default_factory=dict)
    simulators: list[SimulatorProcess] = field(default_factory=list)
    options: Sequence[str] = ()
    """After the daemon's command line."""
    process: subprocess.Popen[bytes] | None = None

    @property
    def config_file(self) -> Path:
        return self.folder / "vatvigil.toml"

    @property
    def config(self) -> Config:
        return settings.load(self.config_file, environ={})

    @property
    def log(self) -> str:
        """What the daemon printed so far, over all its starts."""
        file = self.folder / "daemon.log"
        return file.read_text(errors="replace") if file.exists() else ""

    @property
    def is_made(self) -> bool:
        """Whether the store has its tables (`calibrate` makes it, or else the daemon)."""
        found = (self.folder / "night.db").exists()
        return found and bool(self.rows("SELECT 1 FROM sqlite_schema WHERE name = 'measurement'"))

    @property
    def hour(self) -> float:
        """Hours of run time now."""
        return (time.monotonic() - self.begins_s) * self.speed / HOUR_S

    def open(self, *, read_only: bool = False, migrate: bool = False) -> Store:
        """Open the store as the command line does."""
        config = self.config
        return Store.open(config.store_url, simulated=config.simulated, migrate=migrate, read_only=read_only)

    def start(self) -> None:
        """Start the daemon; it is left to its imports."""
        command = [sys.executable, "-P", "-m", "logger", "run", "-c", str(self.config_file), *self.options]
        with (self.folder / "daemon.log").open("ab") as log:
            log.write(b"--- started\n")
            log.flush()
            environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", **self.environment}
            self.process = subprocess.Popen(
                command, stdout=log, stderr=log, stdin=subprocess.DEVNULL, env=environment, cwd=self.folder
            )

    def start_and_watch(self, records: int = 1) -> None:
        """Start the daemon and wait until it has stored so many more records."""
        self.start()
        self.watch(records)

    def watch(self, records: int = 1) -> None:
        """Wait until so many more records are stored."""
        before = self.count("measurement")
        self.until(lambda: self.count("measurement") >= before + records, f"{records} more records")

    def stop(self) -> int:
        """Ask the daemon to end; return its exit code."""
        return self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End the daemon with no time for last words."""
        self._end(signal.SIGKILL)

    def _end(self, number: signal.Signals) -> int:
        assert self.process is not None
        with suppress(ProcessLookupError):
            self.process.send_signal(number)
        code = self.process.wait(PATIENCE_S)
        self.process = None
        return code

    def until(self, condition: Callable[[], bool], what: str, seconds: float = PATIENCE_S) -> None:
        """Wait for something that the daemon does; fail at once when it has ended."""

        def met() -> bool:
            met = condition()
            assert met or self.process is None or self.process.poll() is None, f"the daemon ended, waiting for {what}"
            return met

        wait_until(met, seconds, lambda: f"waiting for {what}")

    def until_hour(self, hour: float) -> None:
        """Wait until run time has come that far, and a record of then is stored."""
        at_us = EPOCH_US + round(hour * HOUR_S * 1e6)
        newest = f"SELECT count(*) FROM measurement WHERE at_us >= {at_us}"  # noqa: S608 - a number
        seconds = PATIENCE_S + max(0.0, hour - self.hour) * HOUR_S / self.speed
        self.until(lambda: self.rows(newest)[0][0] >= len(self.vats), f"hour {hour}", seconds)

    def rows(self, statement: str) -> list[tuple[Any, ...]]:
        """Return what a SELECT finds in the database; nothing is there before the daemon's first start."""
        with closing(sqlite3.connect(f"file:{self.folder / 'night.db'}?mode=rw", uri=True, timeout=PATIENCE_S)) as db:
            db.execute("PRAGMA query_only=ON")
            return db.execute(statement).fetchall()

    def count(self, table: str) -> int:
        """Return how many rows a table has."""
        return int(self.rows(f"SELECT count(*) FROM {table}")[0][0])  # noqa: S608 - names from tests

    def journal(self, where: str = "1") -> list[tuple[str, str, int | None, int]]:
        """Return (cause, alarm, occurrence, seq) of journal rows in their order."""
        return self.rows(f"SELECT cause, alarm, occurrence, seq FROM journal WHERE {where} ORDER BY id")  # noqa: S608 - conditions from tests

    def wait_for(self, where: str, seconds: float = PATIENCE_S) -> list[tuple[str, str, int | None, int]]:
        """Wait for a journal row and return those that fit."""
        self.until(lambda: bool(self.journal(where)), f"a journal row with {where}", seconds)
        return self.journal(where)

    def ask(self, kind: CommandKind, *, vat: str = "marrow", **more: Any) -> int:  # noqa: ANN401 - fields of Command
        """Put a command into the inbox as the command line does; return its number."""
        with self.open() as store:
            return _in_one_go(store, Command(id=0, at_us=EPOCH_US, kind=kind, vat=vat, by="tester", **more))

    def answered(self, command: int) -> str:
        """Wait for the answer to a command and return its words."""
        asked = f"SELECT answer FROM inbox WHERE id = {command} AND consumed_seq IS NOT NULL"  # noqa: S608 - a number
        self.until(lambda: bool(self.rows(asked)), f"an answer to command {command}")
        return str(self.rows(asked)[0][0])

    def calibrate(self) -> None:
        """Make the store, with the calibration that a person made of each electrode waiting in its inbox."""
        with self.open(migrate=True) as store:
            for vat in self.vats:
                made = calibration_of(vat)
                with store.begin() as work:
                    known = work.add_calibration(made)
                    command = Command(id=0, at_us=made.at_us, kind=CommandKind.CALIBRATE, vat="", probe=vat.probe)
                    work.add_command(replace(command, calibration=known, by="tester"))
                    work.commit()

    def close(self) -> None:
        """End the daemon if it still runs, and show what it said (pytest prints it when the test failed)."""
        if self.process is not None:
            self.kill()
        print(f"----- {self.folder}/daemon.log\n{self.log}")


def _in_one_go(store: Store, command: Command) -> int:
    """Add a command; the daemon may hold the store for a moment."""
    end = time.monotonic() + PATIENCE_S
    while True:
        try:
            with store.begin() as work:
                number = work.add_command(command)
                work.commit()
        except StoreBusyError:
            assert time.monotonic() < end, "the store stayed busy"
        else:
            return number


def record(vat: Vat, *options: str) -> bytes:
    """Return a recording of a vat's run by the simulator's own command."""
    names = ["--seed", str(vat.seed), "--vat", vat.id, "--probe", vat.probe]
    command = [sys.executable, "-P", "-m", "simulator", "record", vat.run, *names, *vat.effects, *options]
    return subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout


def calibration_of(vat: Vat) -> Calibration:
    """Return the calibration that a person made of this run's electrode, as the simulator records it."""
    line = record(replace(vat, effects=()), "--hours", "0.01").splitlines()[1]
    return msgspec.convert(msgspec.json.decode(line)["command"]["calibration"], Calibration)


MakeNight = Callable[..., Night]


@pytest.fixture
def night(tmp_path: Path, simulator: Start) -> Iterator[MakeNight]:
    """Make nights: `night(*vats, speed=, poll_s=, starts_h=, broker=, mqtt=, calibrated=, head_s=)`.

    `starts_h`: run time when the simulator starts; `head_s`: real seconds before that.
    """
    made: list[Night] = []

    def make(
        *vats: Vat,
        speed: float = 1000.0,
        poll_s: float = 60.0,
        starts_h: float = 0.0,
        broker: int | None = None,
        mqtt: str = "",
        calibrated: bool = True,
        head_s: float = 0.0,
    ) -> Night:
        folder = tmp_path / f"night-{len(made)}"
        folder.mkdir()
        watched = vats or (Vat(),)
        begins_s = time.monotonic() - starts_h * HOUR_S / speed + head_s
        text = _HEAD.format(speed=speed, epoch=EPOCH, begins_s=begins_s)
        text += "" if broker is None else _MQTT.format(port=broker) + mqtt
        here = Night(folder=folder, vats=watched, speed=speed, begins_s=begins_s)
        made.append(here)
        for vat in watched:
            link = folder / f"tty-{vat.id}"
            text += _VAT.format(vat=vat.id, port=link, poll_s=poll_s) + vat.alarms.format(vat=vat.id)
            clock = ["--epoch-monotonic", repr(begins_s), "--epoch", EPOCH, *vat.effects]
            here.simulators.append(simulator(vat.run, seed=vat.seed, speed=speed, link=link, extra=clock))
        here.config_file.write_text(text)
        if calibrated:
            here.calibrate()
        return here

    yield make
    for one in made:
        one.close()
