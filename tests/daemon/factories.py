"""A daemon's parts in this process: a configuration, its store, and a scripted clock with indications from it."""

from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty

from logger.config import AlarmConfig, AlarmKind, Config, ProbeConfig, VatConfig
from logger.daemon import start
from logger.daemon.clock import Clock
from logger.daemon.service import Stop
from logger.model import Command, CommandKind, Indication, Reason
from logger.store import Store
from tests.series import EPOCH_US, calibration, millivolts

SECOND_US = 1_000_000
HIGH = AlarmConfig(id="ph-high", kind=AlarmKind.PH_HIGH, setpoint=4.6, deadband=0.05, on_delay_s=600.0, window_s=0.0)


def config_of(folder: Path, *alarms: AlarmConfig, **more: object) -> Config:
    return Config(
        store_url=f"sqlite:///{folder / 'night.db'}",
        probes=(ProbeConfig(id="probe", port="/dev/null"),),
        vats=(VatConfig(id="vat", name="Vat", probe="probe", alarms=alarms),),
        **more,  # type: ignore[arg-type] # fields of Config
    )


def indication(ph: float | None, *, at_us: int, elapsed_us: int) -> Indication:
    return Indication(
        probe="probe",
        at_us=at_us,
        elapsed_us=elapsed_us,
        potential_mv=None if ph is None else millivolts(ph),
        temperature_c=None if ph is None else 20.0,
        reason=Reason.TIMEOUT if ph is None else Reason.NONE,
    )


def calibrated(config: Config) -> Config:
    """Make the store with a calibration in its inbox."""
    with Store.open(config.store_url, simulated=config.simulated, migrate=True) as store, store.begin() as work:
        made = work.add_calibration(calibration())
        command = Command(id=0, at_us=EPOCH_US, kind=CommandKind.CALIBRATE, vat="", probe="probe", calibration=made)
        work.add_command(command)
        work.commit()
    return config


@dataclass(slots=True)
class Script:
    """A queue that hands the daemon one indication a round, while its clock goes on by the poll; then says stop."""

    ph: list[float | None]
    stop: Stop
    steps_us: dict[int, int] = field(default_factory=dict)
    """By record: by how much the wall clock is set before it."""
    poll_s: float = 10.0
    done: int = 0
    offset_us: int = 0

    @property
    def steady_us(self) -> int:
        return round(self.done * self.poll_s * SECOND_US)

    def clock(self) -> Clock:
        return Clock(
            wall_us=lambda: EPOCH_US + self.steady_us + self.offset_us,
            steady_us=lambda: self.steady_us,
            started_us=0,
        )

    def get(self, timeout: float | None = None) -> Indication:
        del timeout
        if self.done == len(self.ph):
            self.stop.wanted = True
            raise Empty
        ph, self.done = self.ph[self.done], self.done + 1
        self.offset_us += self.steps_us.get(self.done, 0)
        now = self.clock().read()
        return indication(ph, at_us=now.at_us, elapsed_us=now.elapsed_us)

    def put(self, item: object) -> None:
        raise AssertionError(item)

    def empty(self) -> bool:
        return True


def run(config: Config, ph: list[float | None], **script: object) -> Store:
    """Let a daemon watch the scripted indications; return its store, open for reading."""
    stop = Stop()
    scripted = Script(ph, stop, **script)  # type: ignore[arg-type] # fields of Script
    daemon = start.build(config, config_hash=repr(config))
    daemon.ports.clear()
    daemon.clock, daemon.queue = scripted.clock(), scripted  # type: ignore[assignment] # has all that the loop uses
    daemon.system_monitor.drift_us = EPOCH_US
    daemon.run(stop)
    return Store.open(config.store_url, simulated=config.simulated, read_only=True)
