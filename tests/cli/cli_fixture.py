"""A configuration file, a store and a watch over one vat, driven by the daemon's own cycles and by real commands."""

import json
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from logger import settings
from logger.cli import main
from logger.config import Config
from logger.daemon import clock
from logger.daemon.commit import Commit
from logger.daemon.cycle import Acquisition, CycleResult, WatchedProbe
from logger.measure.calibration import fit
from logger.model import Calibration, CalibrationPoint, Command, CommandKind, Indication, Reason
from logger.mqtt.event import event_of
from logger.store import Store, queries
from logger.watch import pipeline
from logger.watch.pipeline import Watch

SECOND_US = 1_000_000
POINTS = (
    CalibrationPoint(buffer_ph=4.005, potential_mv=174.2, temperature_c=25.0),
    CalibrationPoint(buffer_ph=6.865, potential_mv=6.1, temperature_c=25.0),
)
PROBE = """
[probe.marrow-probe]
port = "{port}"
poll_s = 10
timeout_s = 1
"""
VAT = """
[vat.marrow]
name = "Marrow"
probe = "marrow-probe"

[vat.marrow.alarm.ph-high]
setpoint = 4.6
on_delay_s = 0
window_s = 0
priority = "high"
"""


def now_us() -> int:
    """Return the machine's UTC in microseconds."""
    return clock.of(None).read().at_us


@dataclass(slots=True, kw_only=True)
class House:
    """One vat and its probe in a folder. `watch()` is the daemon without its threads."""

    folder: Path
    port: str = "/dev/absent"
    more: str = ""
    """TOML to be added."""
    vats: str = VAT
    path: Path = field(init=False)

    def __post_init__(self) -> None:
        """Write the configuration."""
        self.path = self.folder / "vatvigil.toml"
        text = f'[store]\npath = "log.sqlite"\n{PROBE.format(port=self.port)}{self.vats}{self.more}'
        self.path.write_text(text)

    @property
    def config(self) -> Config:
        """The configuration as every command reads it."""
        return settings.load(self.path, environ={})

    def do(self, *arguments: str) -> Result:
        """Run a command."""
        return CliRunner().invoke(main, [*arguments, "--config", str(self.path)], catch_exceptions=False)

    def json(self, *arguments: str, code: int = 0) -> Any:  # noqa: ANN401 - whatever the command prints
        """Run a command with --json; return what it printed."""
        result = self.do(*arguments, "--json")
        assert (result.exit_code, result.stderr) == (code, "")
        return json.loads(result.stdout)

    @contextmanager
    def watch(self) -> Iterator["Watching"]:
        """Open the store as the daemon does, and its cycles."""
        config = self.config
        store = Store.open(config.store_url, simulated=config.simulated, migrate=True)
        with store:
            with store.begin() as work:
                run = work.start_run(at_us=now_us(), elapsed_us=0, version="0.1.0", config_hash="")
                work.commit()
            (vat, *_) = config.vats
            watch = Watch(vat=vat, probe=config.probe(vat.probe))
            end = queries.last_position(store, vat.probe)
            state = queries.load_watch(store, vat.id, vat.probe, recent=pipeline.recent_rows(watch))
            watched = WatchedProbe(watch, state or pipeline.fresh(watch), end.seq if end else 0)
            commit = Commit(store=store, run=run, event_of=lambda e: event_of(e, simulated=config.simulated))
            yield Watching(store, Acquisition(store, {vat.probe: watched}), commit)


@dataclass(slots=True)
class Watching:
    """The daemon's cycles over the house's vat."""

    store: Store
    acquisition: Acquisition
    commit: Commit

    def calibrate(self, at_us: int) -> Calibration:
        """Store a calibration and the command for it."""
        with self.store.begin() as work:
            made = work.add_calibration(fit(POINTS, probe="marrow-probe", at_us=at_us, by="tova"))
            work.add_command(
                Command(id=0, at_us=at_us, kind=CommandKind.CALIBRATE, vat="", probe="marrow-probe", calibration=made)
            )
            work.commit()
        return made

    def take(self, potential_mv: Sequence[float | None], *, first_us: int) -> None:
        """Carry out a cycle for each potential (None: no reply in time), 10 s apart, the first at UTC `first_us`."""
        for indication in _indications(potential_mv, first_us):
            self.keep(self.acquisition.evaluate([indication]))

    def take_at_once(self, potential_mv: Sequence[float | None], *, first_us: int) -> None:
        """Carry out one cycle for all of them."""
        self.keep(self.acquisition.evaluate(list(_indications(potential_mv, first_us))))

    def keep(self, batch: CycleResult) -> None:
        """Commit what a cycle made."""
        self.commit.add(batch, at_us=now_us())
        assert self.commit.trouble == ""


def _indications(potential_mv: Sequence[float | None], first_us: int) -> Iterator[Indication]:
    for number, mv in enumerate(potential_mv):
        at_us = first_us + number * 10 * SECOND_US
        reason, warmth = (Reason.TIMEOUT, None) if mv is None else (Reason.NONE, 20.0)
        yield Indication(
            probe="marrow-probe",
            at_us=at_us,
            elapsed_us=at_us - 1_700_000_000 * SECOND_US,
            potential_mv=mv,
            temperature_c=warmth,
            reason=reason,
        )


@contextmanager
def answering(house: House, potential_mv: float = 150.0) -> Iterator[None]:
    """Take a record every fifth of a second while the block runs."""
    stop, ready = threading.Event(), threading.Event()

    def go_on() -> None:
        with house.watch() as watching:
            watching.take([potential_mv], first_us=now_us())
            ready.set()
            while not stop.wait(0.2):
                watching.take([potential_mv], first_us=now_us())

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        assert ready.wait(20)
        yield
    finally:
        stop.set()
        thread.join()
