"""Define the broker, the hook, the simulation, and the whole configuration. Law: as in `logger/config`."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

from annotated_types import Ge, Le

from logger.config.alarms import AlarmConfig
from logger.config.bounds import Line
from logger.config.probes import BufferConfig, ProbeConfig
from logger.config.vats import VatConfig

SIMULATED_CLIENT_ID = "vatvigil-simulated"


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttConfig:
    """The broker and how we speak to it."""

    host: str = "localhost"
    port: Annotated[int, Ge(1), Le(65535)] = 1883
    client_id: Line = "vatvigil"
    """A simulated configuration has `SIMULATED_CLIENT_ID` by default: the broker ends the older of two under one id."""
    base_topic: str = "vatvigil"
    discovery_prefix: str | None = "homeassistant"
    """None: send no discovery messages."""
    protocol: int = 5
    """5, or 311 for MQTT 3.1.1."""
    username: Line | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    keepalive_s: Annotated[int, Ge(5), Le(65535)] = 30
    heartbeat_s: Annotated[float, Ge(1), Le(3600)] = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HookConfig:
    """The hook: an executable that is given the events that the broker has not accepted."""

    command: tuple[str, ...] = field(repr=False)
    """The executable's absolute path and its arguments (which may be secret); never a line for a shell."""
    after_s: Annotated[float, Ge(0), Le(86400)] = 60.0
    """It is given an event that the broker has not accepted for so long; real seconds. Common practice, no source."""
    timeout_s: Annotated[float, Ge(0.1), Le(600)] = 20.0
    """It is killed, with its children, when it runs longer; real seconds. Common practice, no source."""
    retries: Annotated[int, Ge(0), Le(1000)] = 5
    """How often it is run again for an event when it fails. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemConfig:
    """The watch's own alarms and its good-night test."""

    alarms: tuple[AlarmConfig, ...] = ()
    """Its alarms that differ from those of `AlarmKind`; their times are real seconds."""
    disk_reserve_mb: Annotated[float, Ge(1), Le(1e9)] = 500.0
    """Must stay free where the log is: over a year of one probe at 10 s. Common practice, no source."""
    rehearse_within_s: Annotated[float, Ge(1), Le(86400)] = 600.0
    """How long a good-night test may wait for its acknowledgement; real seconds. Common practice, no source."""
    rehearse_at_min: int | None = None
    """When it begins by itself, minute of the local day; None: only when it is asked for."""
    rehearse_zone: str = "UTC"


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulation:
    """Present when all that is watched is a simulator: separate store, separate topics, every output says so."""

    speed: Annotated[float, Ge(0.001), Le(1e6)] = 1.0
    epoch_us: int | None = None
    """UTC microseconds shown when the monotonic clock read `epoch_monotonic_s`; None: the real time at start."""
    epoch_monotonic_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """All that the daemon needs to know."""

    store_url: str = field(repr=False)
    """SQLAlchemy URL; may hold a password, so it is never printed whole."""
    probes: tuple[ProbeConfig, ...]
    vats: tuple[VatConfig, ...]
    mqtt: MqttConfig | None = None
    hook: HookConfig | None = None
    system: SystemConfig = field(default_factory=SystemConfig)
    simulation: Simulation | None = None
    buffers: tuple[BufferConfig, ...] = ()
    backup_dir: Path | None = None
    """Daily copies of an SQLite store go here; None: none are made."""

    @property
    def simulated(self) -> bool:
        """Tell whether this configuration watches simulated vats."""
        return self.simulation is not None

    def probe(self, probe_id: str) -> ProbeConfig:
        """Return the probe of that id. Raises KeyError; `logger/settings` has checked every reference."""
        return {probe.id: probe for probe in self.probes}[probe_id]
