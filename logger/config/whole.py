"""Define the broker, the simulation, and the whole configuration. Law: as in `logger/config`."""

from pathlib import Path
from typing import Annotated

from annotated_types import Ge, Le

from logger.config.alarms import AlarmConfig
from logger.config.bounds import Line
from logger.config.channels import DeadManConfig, HookConfig, PushConfig
from logger.config.probes import BufferConfig, ProbeConfig
from logger.config.secret import SecretTable
from logger.config.vats import PeopleConfig, VatConfig
from logger.structs import Struct, field

SIMULATED_CLIENT_ID = "vatvigil-simulated"


class MqttConfig(SecretTable, frozen=True, kw_only=True):
    """The broker and how we speak to it."""

    SECRETS = ("password",)
    host: str = "localhost"
    """Name or IP address of the broker, alone: port, user name and TLS are keys of their own."""
    port: Annotated[int, Ge(1), Le(65535)] = 1883
    """TCP port of the broker."""
    client_id: Line = "vatvigil"
    """Name of this client at the broker, which ends the older of two connections under one name."""
    base_topic: str = "vatvigil"
    """What all topics begin with; those of a simulation begin with `simulated/` before it."""
    discovery_prefix: str | None = "homeassistant"
    """Where the hub looks for new devices (MQTT discovery); "": no discovery messages are sent."""
    protocol: int = 5
    """Version of MQTT: 5, or 311 for MQTT 3.1.1."""
    username: Line | None = None
    """User name at the broker; not written: none is sent."""
    password: str | None = None
    """Password at the broker; better written into the file that `password_file` names."""
    tls: bool = False
    """If true, the connection is encrypted, and the broker's certificate is checked."""
    ca_file: Path | None = None
    """Certificates (PEM) by which the broker's is checked; not written: those of the system."""
    cert_file: Path | None = None
    """Our own certificate (PEM), for a broker that asks for one; it needs `key_file`."""
    key_file: Path | None = None
    """Private key (PEM) of `cert_file`."""
    keepalive_s: Annotated[int, Ge(5), Le(65535)] = 30
    """The longest silence between us and the broker (MQTT keep alive): by it each notices that the other is gone."""
    heartbeat_s: Annotated[float, Ge(1), Le(3600)] = 60.0
    """How often a heartbeat is sent; real seconds."""


class SystemConfig(Struct, frozen=True, kw_only=True):
    """The watch's own alarms and its good-night test."""

    alarms: tuple[AlarmConfig, ...] = ()
    """Its alarms that differ from those of `AlarmKind`; their times are real seconds."""
    disk_reserve_mb: Annotated[float, Ge(1), Le(1e9)] = 500.0
    """When less is free where the log is, `disk-low` comes. 500 MB: over a year of one probe at 10 s. Common
    practice, no source.
    """
    rehearse_within_s: Annotated[float, Ge(1), Le(86400)] = 600.0
    """How long a good-night test waits for its acknowledgement; real seconds. Common practice, no source."""
    rehearse_at_min: int | None = None
    """When the good-night test begins by itself every evening, such as "21:30"; not written: only when it is asked
    for.
    """
    rehearse_zone: str = "UTC"
    """Time zone of `at`, a name of the IANA time zone database."""


class Simulation(Struct, frozen=True, kw_only=True):
    """Present when all that is watched is a simulator: separate store, separate topics, every output says so."""

    speed: Annotated[float, Ge(0.001), Le(1e6)] = 1.0
    """How many times faster than real time everything goes."""
    epoch_us: int | None = None
    """The time (with its offset from UTC) that is shown when the monotonic clock reads `epoch_monotonic_s`, or else
    at the start.
    """
    epoch_monotonic_s: float | None = None
    """Ties `epoch` to this reading of the machine's monotonic clock in place of the start."""


class Config(SecretTable, frozen=True, kw_only=True):
    """All that the daemon needs to know."""

    SECRETS = ("store_url",)
    store_url: str
    """SQLAlchemy URL; may hold a password, so it is never printed whole."""
    probes: tuple[ProbeConfig, ...]
    vats: tuple[VatConfig, ...]
    mqtt: MqttConfig | None = None
    hook: HookConfig | None = None
    push: PushConfig | None = None
    dead_man: DeadManConfig | None = None
    system: SystemConfig = field(default_factory=SystemConfig)
    simulation: Simulation | None = None
    buffers: tuple[BufferConfig, ...] = ()
    backup_dir: Path | None = None
    """A copy of an SQLite store is put here every day; of seven days, four weeks and twelve months the newest are
    kept. Not written: no copies."""
    commit_every_s: Annotated[float, Ge(0), Le(300)] = 0.0
    """How long records may wait in memory to be stored together, which spares a memory card; real seconds, 0: each is
    stored at once. A power cut or a kill then loses the readings of that time, but no alarm: what the journal tells, a
    command, and each record while an alarm speaks or somebody works on the probe are stored at once.
    """
    retired: tuple[str, ...] = ()
    """What became of settings of earlier versions that are written and no longer used, a sentence each."""

    @property
    def people(self) -> PeopleConfig:
        """Return the people who are notified and who read the screens: the same for every vat."""
        return self.vats[0].people if self.vats else PeopleConfig()

    @property
    def simulated(self) -> bool:
        """Tell whether this configuration watches simulated vats."""
        return self.simulation is not None

    @property
    def waiting_words(self) -> str:
        """Say what a power cut can cost; empty: nothing that was read."""
        if not self.commit_every_s:
            return ""
        return (
            f"records wait in memory for up to {self.commit_every_s:g} s (commit_every_s): a power cut or a kill loses"
            " those readings; alarms, entries and commands are stored at once"
        )

    @property
    def has_way_out(self) -> bool:
        """Tell whether an event can reach anybody: by the broker, the hook or push."""
        return bool(self.mqtt or self.hook or self.push)

    def probe(self, probe_id: str) -> ProbeConfig:
        """Return the probe of that id. Raises KeyError; `logger/settings` has checked every reference."""
        return {probe.id: probe for probe in self.probes}[probe_id]
