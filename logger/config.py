"""What the user decides, as frozen objects with the unit in every name.

Law: no defaults that hurt live anywhere else; `settings.py` is the only maker of these from files. Values marked
[CP] are common practice, no source: tune them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from pathlib import Path

from logger.modbus_map import ModbusConfig


class Protocol(StrEnum):
    """How a probe speaks."""

    SCPI = "scpi"
    TEXT = "text"
    """Lines of text, as a `TextConfig` describes them."""
    MODBUS_RTU = "modbus-rtu"
    """Modbus on a serial line, or over TCP to an adapter that passes the bytes on; see `ModbusConfig`."""
    MODBUS_TCP = "modbus-tcp"

    @property
    def is_modbus(self) -> bool:
        """Tell whether it reads registers."""
        return self in (Protocol.MODBUS_RTU, Protocol.MODBUS_TCP)


class Checksum(StrEnum):
    """What a line's `checksum` group holds in hexadecimal digits; see `probe/checksum.py`."""

    SUM_8 = "sum-8"
    SUM_8_NEGATED = "sum-8-negated"
    XOR_8 = "xor-8"
    CRC_8_SMBUS = "crc-8/smbus"
    CRC_16_ARC = "crc-16/arc"
    CRC_16_MODBUS = "crc-16/modbus"
    CRC_16_XMODEM = "crc-16/xmodem"
    CRC_16_IBM_3740 = "crc-16/ibm-3740"
    CRC_32_ISO_HDLC = "crc-32/iso-hdlc"


class Parity(StrEnum):
    """The check bit of each character on a serial line."""

    NONE = "none"
    EVEN = "even"
    ODD = "odd"


class AlarmKind(StrEnum):
    """What an alarm watches: the vat (process alarms), the instrument, or the watch itself (the system's alarms)."""

    BROKER_AWAY = "broker-away"
    OUTBOX_AGE = "outbox-age"
    """The broker is there, and events wait all the same."""
    DISK_LOW = "disk-low"
    CLOCK_STEPPED = "clock-stepped"
    STORE_UNWRITABLE = "store-unwritable"
    REHEARSAL = "rehearsal"
    """The good-night test itself: no real alarm."""
    REHEARSAL_FAILED = "rehearsal-failed"
    """Nobody acknowledged the last good-night test in time."""
    PH_HIGH = "ph-high"
    PH_LOW = "ph-low"
    TEMPERATURE_HIGH = "temperature-high"
    TEMPERATURE_LOW = "temperature-low"
    RATE_OF_CHANGE = "rate-of-change"
    """pH changes faster than a ferment does, up or down."""
    RISE = "rise"
    """pH rises again after its lowest: the signature of spoilage."""
    NO_START = "no-start"
    """pH has not begun to fall so many biological hours after the batch was started."""
    STALL = "stall"
    """pH has stopped falling before it was low enough."""
    NO_DATA = "no-data"
    """Nothing arrives: records without an indication."""
    BLIND = "blind"
    """Something arrives, but nothing that can be believed, for no cause that has an alarm of its own."""
    OUT_OF_LIQUID = "out-of-liquid"
    """The probe hangs in air."""
    ERRATIC = "erratic"
    """The potential has no one value: a broken bulb, a knocked probe, a bad cable."""
    DISAGREEMENT = "disagreement"
    """The vat's two probes differ by more than both their doubts."""
    NO_CALIBRATION = "no-calibration"
    """No calibration is in force, so no pH is claimed."""
    CALIBRATION_OVERDUE = "calibration-overdue"
    """The calibration is older than `calibrate_every_d`."""
    CHECK_OVERDUE = "check-overdue"
    """Neither calibrated nor checked for `check_every_d`."""
    DRIFTED = "drifted"
    """The last check, or what was found at a calibration, was off by more than `judge_tolerance_ph`."""
    DEADLINE = "deadline"
    """The target was not shown by so many hours after the batch was started."""
    CLAIM_WITHDRAWN = "claim-withdrawn"
    """A later check contradicts that the target was shown."""

    @property
    def is_of_target(self) -> bool:
        """Tell whether it speaks of the vat's target: no data, bad data and no mark holds it."""
        return self in (AlarmKind.DEADLINE, AlarmKind.CLAIM_WITHDRAWN)

    @property
    def is_process(self) -> bool:
        """Tell whether it judges the vat: bad data freezes it."""
        return self not in _INSTRUMENT | UPKEEP | _SYSTEM

    @property
    def is_suspended(self) -> bool:
        """Tell whether a mark (probe out) or work on the probe suspends this alarm."""
        is_probe = self in (AlarmKind.OUT_OF_LIQUID, AlarmKind.ERRATIC, AlarmKind.DISAGREEMENT)
        return is_probe or (self.is_process and not self.is_of_target)

    @property
    def is_restless(self) -> bool:
        """Tell whether stirring or topping up suspends this alarm."""
        return self is AlarmKind.RATE_OF_CHANGE

    @classmethod
    def of_vats(cls) -> tuple["AlarmKind", ...]:
        """Return the kinds that an alarm of a vat can have."""
        return tuple(kind for kind in cls if not kind.is_system)

    @property
    def is_system(self) -> bool:
        """Tell whether it judges the watch itself."""
        return self in _SYSTEM

    @property
    def is_high(self) -> bool:
        """Tell whether the alarm is abnormal at or above its setpoint (else at or below it)."""
        return self not in (AlarmKind.PH_LOW, AlarmKind.TEMPERATURE_LOW, AlarmKind.STALL)

    @property
    def is_ph(self) -> bool:
        """Tell whether the alarm judges pH, or what becomes of it."""
        return self in (AlarmKind.PH_HIGH, AlarmKind.PH_LOW) or self.is_trend

    @property
    def is_glass(self) -> bool:
        """Tell whether the bulb may be broken and glass in the food: no quiet hours hold such an alarm."""
        return self is AlarmKind.ERRATIC

    @property
    def is_trend(self) -> bool:
        """Tell whether the alarm looks back over several windows."""
        return self in (AlarmKind.RATE_OF_CHANGE, AlarmKind.RISE) or self.is_of_batch

    @property
    def is_of_batch(self) -> bool:
        """Tell whether the alarm watches how a batch begins or goes on: it looks at the temperature too."""
        return self in (AlarmKind.NO_START, AlarmKind.STALL)

    @property
    def unit(self) -> str:
        """Return the unit of its value and setpoint, with a space before it; empty for pH."""
        others = {
            AlarmKind.RATE_OF_CHANGE: " pH/h",
            AlarmKind.STALL: " pH/h",
            AlarmKind.NO_START: " h",
            AlarmKind.DEADLINE: " h",
        }
        return others.get(self, "" if self.is_ph else " C")


_INSTRUMENT = frozenset(
    {
        AlarmKind.NO_DATA,
        AlarmKind.BLIND,
        AlarmKind.OUT_OF_LIQUID,
        AlarmKind.ERRATIC,
        AlarmKind.DISAGREEMENT,
        AlarmKind.CLAIM_WITHDRAWN,
    }
)
"""No setpoint, no value: something is wrong, or it is not."""
UPKEEP = frozenset(
    {AlarmKind.NO_CALIBRATION, AlarmKind.CALIBRATION_OVERDUE, AlarmKind.CHECK_OVERDUE, AlarmKind.DRIFTED}
)
"""What the instrument is owed; see `measure/upkeep.py`."""
_SYSTEM = frozenset(
    {
        AlarmKind.BROKER_AWAY,
        AlarmKind.OUTBOX_AGE,
        AlarmKind.DISK_LOW,
        AlarmKind.CLOCK_STEPPED,
        AlarmKind.STORE_UNWRITABLE,
        AlarmKind.REHEARSAL,
        AlarmKind.REHEARSAL_FAILED,
    }
)


class Priority(StrEnum):
    """How an alarm reaches a person: high wakes, medium waits for day, low is for the record."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"

    @property
    def raised(self) -> "Priority":
        """Return the next one above; high is the highest."""
        return Priority.MEDIUM if self is Priority.LOW else Priority.HIGH


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityLimits:
    """Limits of the quality tests on the raw signal (names of the tests: IOOS QARTOD), each [CP]."""

    fail_low_mv: float = -600.0
    fail_high_mv: float = 600.0
    suspect_low_mv: float = -250.0
    suspect_high_mv: float = 400.0
    fail_low_c: float = -2.0
    fail_high_c: float = 60.0
    jump_mv: float = 20.0
    rate_mv_per_s: float = 5.0
    spike_suspect_mv: float = 10.0
    spike_fail_mv: float = 40.0
    flat_tolerance_mv: float = 0.05
    flat_suspect_s: float = 5400.0
    flat_fail_s: float = 10800.0
    max_gap_s: float = 300.0
    witness_window_s: float = 300.0
    """Windows by which a probe out of the liquid and an erratic one are known."""
    witness_rate_c_per_h: float = 1.5
    """A vat does not change its temperature faster."""
    witness_spread_c: float = 0.15
    witness_noise_mv: float = 2.0
    erratic_spread_mv: float = 7.0
    """About 0.12 pH."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorModel:
    """Standard uncertainties that no single reading shows, each [CP]; see `measure/uncertainty.py`."""

    junction_ph: float = 0.05
    drift_ph_per_day: float = 0.012
    walk_ph_per_sqrt_day: float = 0.006
    temperature_c: float = 1.0
    repeatability_mv: float = 0.9
    resolution_mv: float = 0.1
    own_ph: float = 0.0
    """What a probe adds that reports its own pH: rounding, smoothing, a compensation that nobody sees."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationLimits:
    """What a calibration must keep to be accepted (refuse) and to be so without a warning (warn), each [CP].

    Slopes in per cent of the Nernst slope: USP <791> accepts 90 to 105 % and an offset of 30 mV either way.
    """

    slope_warn_low_percent: float = 92.0
    slope_warn_high_percent: float = 102.0
    slope_refuse_low_percent: float = 85.0
    slope_refuse_high_percent: float = 105.0
    offset_warn_mv: float = 30.0
    offset_refuse_mv: float = 60.0
    residual_warn_mv: float = 1.5
    """Largest distance of a buffer from the least-squares line through three or more."""
    residual_refuse_mv: float = 6.0
    asymmetry_warn_percent: float = 3.0
    """Largest difference of the slopes of two segments."""
    noise_warn_mv: float = 0.5
    temperature_spread_warn_c: float = 3.0
    temperature_spread_refuse_c: float = 6.0
    settle_warn_s: float = 60.0
    settle_slow_s: float = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BufferConfig:
    """A buffer on the shelf: one of the built-in tables by its id, or with `values_ph` the user's own."""

    id: str
    values_ph: Mapping[float, float] = field(default_factory=dict)
    """pH by temperature (C); empty: `id` is that of a built-in table."""
    u_ph: float | None = None
    """Standard uncertainty of its pH; None: that of +/-0.02, rectangular."""
    standard: str = ""
    lot: str = ""
    expires: date | None = None
    """Last day of use."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TextConfig:
    """How a probe that speaks in lines of text writes them. Text stands for its Latin-1 bytes."""

    pattern: str
    """RE2 expression for a whole line; what its named groups mean is told in `probe/textline.py`."""
    example: str
    """A line that the probe sent, without terminator; the pattern must match it."""
    query: str = ""
    """What is sent to get one line, without its end; empty: the probe prints by itself."""
    query_end: str = "\r\n"
    terminator: str = "\n"
    """What ends each line of the probe's; after a single LF a CR before it is dropped too."""
    echo: bool = False
    """The probe repeats the query before it answers."""
    prompt: str = ""
    """What may stand before a line: the sign that the probe waits for a query."""
    decimal_comma: bool = False
    checksum: Checksum | None = None
    overrange_words: tuple[str, ...] = ("over", "under", "inf", "ovl")
    no_value_words: tuple[str, ...] = ("nan", "---", "open", "short", "err")
    max_age_s: float = 5.0
    """A probe that prints by itself: how old its newest line may be; real seconds. [CP]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScpiConfig:
    """What a SCPI instrument is asked; each query brings one number. Empty: it is not asked."""

    potential: str = "MEAS:VOLT:DC?"
    """In volts, as SCPI has it."""
    ph: str = ""
    """For an instrument that reports no potential; then that is not asked."""
    temperature: str = "MEAS:TEMP?"
    """In degrees Celsius."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeConfig:
    """One probe: where it is, how it speaks, how far it is believed."""

    id: str
    port: str
    """Device path, `/dev/serial/by-id/...` or a pyserial URL such as `socket://host:port`."""
    protocol: Protocol = Protocol.SCPI
    poll_s: float = 10.0
    timeout_s: float = 2.0
    """Total time for one reply; real seconds, also in accelerated time."""
    baud: int = 9600
    parity: Parity = Parity.NONE
    data_bits: int = 8
    stop_bits: int = 1
    dtr: bool | None = None
    """Level of this line when the port is opened; False keeps a device from being reset; None: as the system does."""
    rts: bool | None = None
    record_bytes: Path | None = None
    """All bytes on the port go into this file too, with their times; `vatvigil decode` reads it. None: into none."""
    text: TextConfig | None = None
    """Protocol `text` only."""
    scpi: ScpiConfig = field(default_factory=ScpiConfig)
    """Protocol `scpi` only."""
    modbus: ModbusConfig | None = None
    """Protocols `modbus-rtu` and `modbus-tcp` only."""
    assumed_temperature_c: float | None = None
    """Of a probe that reports none: the vat's, by which pH is computed; it is never shown as a reading."""
    identity: str | None = None
    """Text that the instrument must say of itself when asked (a serial number); None: any instrument."""
    limits: QualityLimits = field(default_factory=QualityLimits)
    errors: ErrorModel = field(default_factory=ErrorModel)
    calibration: CalibrationLimits = field(default_factory=CalibrationLimits)
    electrode: str = ""
    """Serial number of the electrode; empty: not known."""
    electrode_installed: date | None = None
    check_tolerance_ph: float = 0.05
    """A check buffer passes within this much (USP <791>, Ph. Eur. 2.2.3)."""
    judge_tolerance_ph: float = 0.1
    """What is still good enough to judge a ferment. [CP]"""
    calibrate_every_d: float = 7.0
    check_every_d: float = 3.0

    @property
    def own_ph(self) -> bool:
        """Tell whether the probe reports its own pH and no potential; see `probe/own_ph.py`."""
        match self.protocol:
            case Protocol.SCPI:
                return bool(self.scpi.ph)
            case Protocol.TEXT:
                return self.text is not None and "<ph>" in self.text.pattern
            case _:
                return self.modbus is not None and self.modbus.potential is None

    @property
    def has_thermometer(self) -> bool:
        """Tell whether the probe reports a temperature."""
        match self.protocol:
            case Protocol.SCPI:
                return bool(self.scpi.temperature)
            case Protocol.TEXT:
                return self.text is not None and "<temperature>" in self.text.pattern
            case _:
                return self.modbus is not None and self.modbus.temperature is not None


STALL_WINDOWS = 12
"""Windows that a stall looks back over: 12 h by default. [T]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmConfig:
    """One alarm of a vat. Setpoint and deadband in the unit of its kind; no setpoint for instrument alarms."""

    id: str
    kind: AlarmKind
    setpoint: float | None = None
    deadband: float = 0.0
    on_delay_s: float = 600.0
    off_delay_s: float = 0.0
    window_s: float = 600.0
    """Length of the windows whose median is judged; 0: every record by itself."""
    armed_ph: float = 4.4
    """A rise counts only after the pH came down to this. [CP]"""
    drop_ph: float = 0.3
    """So much the pH must have fallen: without it a batch has not begun, with it a stall can be one. [CP]"""
    above_ph: float = 4.75
    """A stall counts only above this: by default 0.15 above a target of 4.6. [T]"""
    priority: Priority = Priority.MEDIUM
    latching: bool = False
    realarm_s: float | None = None
    """Acknowledged but still standing: annunciate anew after this time; None: never."""
    reminder_s: float | None = None
    """Not acknowledged: remind of the same occurrence after this time; None: never."""
    raise_after_reminders: int | None = None
    """With so many reminders the occurrence gets the next priority above; None: never."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QuietConfig:
    """Hours in which only some priorities reach people; minutes of the local day, the end may lie on the next day."""

    begin_min: int
    end_min: int
    wakes: tuple[Priority, ...] = (Priority.HIGH,)
    """Priorities that annunciate in them too; high is always among them."""
    zone: str = ""
    """Where people sleep, as in `PeopleConfig.zone`; empty: there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PeopleConfig:
    """How people are told."""

    zone: str = "UTC"
    """Local time in what people read, a name of the IANA time zone database."""
    quiet: QuietConfig | None = None
    digest_min: int | None = None
    """Minute of the local day at which the morning summary is made; None: never."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetConfig:
    """What a vat is to reach, and what must be so before that is claimed; each [CP] but `ph` (regulation)."""

    ph: float = 4.6
    probability: float = 0.95
    """One-sided: at or below `ph` (JCGM 106:2012)."""
    window_s: float = 600.0
    """Length of the windows whose medians are judged."""
    windows: int = 3
    """So many of them in a row, all believed: half an hour."""
    check_within_h: float = 48.0
    """The newest calibration or check must be no older."""
    spot_check: bool = True
    """A passed check beside another instrument is needed: no buffer shows the junction's error in brine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VatConfig:
    """One vat: its probe and what is an alarm there."""

    id: str
    name: str
    probe: str
    reference: str = ""
    """Id of a second probe in the same vat, with which this one is compared; empty: none."""
    reference_of: str = ""
    """Id of the vat whose second probe this watches; empty: the probe is its vat's first."""
    alarms: tuple[AlarmConfig, ...] = ()
    target: TargetConfig | None = None
    """None: it has none (vinegar is titrated)."""
    max_shelve_s: float = 28800.0
    probe_out_s: float = 1200.0
    """How long a `probe-out` mark suspends process alarms unless it says otherwise."""
    people: PeopleConfig = field(default_factory=PeopleConfig)
    unsettled_s: float = 7200.0
    """How long a vat is unsettled by stirring or topping up unless the mark says otherwise. [CP]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttConfig:
    """The broker and how we speak to it."""

    host: str = "localhost"
    port: int = 1883
    client_id: str = "vatvigil"
    base_topic: str = "vatvigil"
    discovery_prefix: str | None = "homeassistant"
    """None: send no discovery messages."""
    protocol: int = 5
    """5, or 311 for MQTT 3.1.1."""
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    keepalive_s: int = 30
    heartbeat_s: float = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HookConfig:
    """The second way out: an executable that is told what the broker has not taken."""

    command: tuple[str, ...] = field(repr=False)
    """The executable's absolute path and its arguments (which may be secret); never a line for a shell."""
    after_s: float = 60.0
    """It is told of an event that the broker has not accepted for so long; real seconds. [CP]"""
    timeout_s: float = 20.0
    """It is killed, with its children, when it runs longer; real seconds. [CP]"""
    retries: int = 5
    """How often it is run again for an event when it fails. [CP]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemConfig:
    """What the watch says of itself."""

    alarms: tuple[AlarmConfig, ...] = ()
    """Its alarms that differ from those of `system.DEFAULTS`; their times are real seconds."""
    disk_reserve_mb: float = 500.0
    """Must stay free where the log is: over a year of one probe at 10 s. [CP]"""
    rehearse_within_s: float = 600.0
    """How long a good-night test may wait for its acknowledgement; real seconds. [CP]"""
    rehearse_at_min: int | None = None
    """When it begins by itself, minute of the local day; None: only when it is asked for."""
    rehearse_zone: str = "UTC"


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulation:
    """Present when all that is watched is a simulator: separate store, separate topics, every output says so."""

    speed: float = 1.0
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
        """Return the probe of that id. Raises KeyError; `settings.py` has checked every reference."""
        return {probe.id: probe for probe in self.probes}[probe_id]
