"""Describe a probe: where it is, how it speaks, how far it is believed. Law: as in `logger/config`."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal, Self

from annotated_types import Ge, Le

from logger.config.bounds import Label, Line, NotNegative, Positive
from logger.config.modbus import ModbusConfig

ProtocolTable = Literal["scpi", "text", "modbus"]
"""Tables of a probe, one of which says what its protocol reads: `ScpiConfig`, `TextConfig`, `ModbusConfig`."""


class Protocol(StrEnum):
    """How a probe speaks, and the table that describes it; all else that differs is in `probe/protocols.py`."""

    table: ProtocolTable

    def __new__(cls, value: str, table: ProtocolTable) -> Self:
        """Take the name in a configuration and the table that describes the probe."""
        member = str.__new__(cls, value)
        member._value_, member.table = value, table
        return member

    SCPI = "scpi", "scpi"
    TEXT = "text", "text"
    """Lines of text."""
    MODBUS_RTU = "modbus-rtu", "modbus"
    """Modbus on a serial line, or over TCP to an adapter that passes the bytes on."""
    MODBUS_TCP = "modbus-tcp", "modbus"


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


_Uncertainty = Annotated[float, Ge(0), Le(1000)]
_CalibrationLimit = Annotated[float, Ge(0), Le(3600)]
_Tolerance = Annotated[float, Ge(0.005), Le(1)]
_Interval = Annotated[float, Ge(0.04), Le(366)]


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityLimits:
    """Limits of the quality tests on the raw signal (names of the tests: IOOS QARTOD), common practice, no source."""

    fail_low_mv: float = -600.0
    fail_high_mv: float = 600.0
    suspect_low_mv: float = -250.0
    suspect_high_mv: float = 400.0
    fail_low_c: float = -2.0
    fail_high_c: float = 60.0
    jump_mv: Positive = 20.0
    rate_mv_per_s: Positive = 5.0
    spike_suspect_mv: Positive = 10.0
    spike_fail_mv: Positive = 40.0
    flat_tolerance_mv: NotNegative = 0.05
    flat_suspect_s: Positive = 5400.0
    flat_fail_s: Positive = 10800.0
    max_gap_s: float = 300.0
    witness_window_s: Positive = 300.0
    """Windows by which a probe out of the liquid and an erratic one are known."""
    witness_rate_c_per_h: Positive = 1.5
    """A vat does not change its temperature faster."""
    witness_spread_c: Positive = 0.15
    witness_noise_mv: Positive = 2.0
    erratic_spread_mv: Positive = 7.0
    """About 0.12 pH."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorModel:
    """Standard uncertainties that no single reading shows; see `measure/uncertainty.py`. Common practice, no source."""

    junction_ph: _Uncertainty = 0.05
    drift_ph_per_day: _Uncertainty = 0.012
    walk_ph_per_sqrt_day: _Uncertainty = 0.006
    temperature_c: _Uncertainty = 1.0
    repeatability_mv: _Uncertainty = 0.9
    resolution_mv: _Uncertainty = 0.1
    own_ph: _Uncertainty = 0.0
    """What a probe adds that reports its own pH: rounding, smoothing, a compensation that nobody sees."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationLimits:
    """What a calibration must keep to be accepted (refuse) and to be so without a warning (warn).

    Slopes in per cent of the Nernst slope: USP <791> accepts 90 to 105 % and an offset of 30 mV either way. The
    other figures are common practice, no source.
    """

    slope_warn_low_percent: _CalibrationLimit = 92.0
    slope_warn_high_percent: _CalibrationLimit = 102.0
    slope_refuse_low_percent: _CalibrationLimit = 85.0
    slope_refuse_high_percent: _CalibrationLimit = 105.0
    offset_warn_mv: _CalibrationLimit = 30.0
    offset_refuse_mv: _CalibrationLimit = 60.0
    residual_warn_mv: _CalibrationLimit = 1.5
    """Largest distance of a buffer from the least-squares line through three or more."""
    residual_refuse_mv: _CalibrationLimit = 6.0
    asymmetry_warn_percent: _CalibrationLimit = 3.0
    """Largest difference of the slopes of two segments."""
    noise_warn_mv: _CalibrationLimit = 0.5
    temperature_spread_warn_c: _CalibrationLimit = 3.0
    temperature_spread_refuse_c: _CalibrationLimit = 6.0
    settle_warn_s: _CalibrationLimit = 60.0
    settle_slow_s: _CalibrationLimit = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BufferConfig:
    """A buffer on the shelf: one of the built-in tables by its id, or with `values_ph` the user's own."""

    id: str
    values_ph: Mapping[float, float] = field(default_factory=dict)
    """pH by temperature (C); empty: `id` is that of a built-in table."""
    u_ph: Annotated[float, Ge(0.0005), Le(0.5)] | None = None
    """Standard uncertainty of its pH; None: that of +/-0.02, rectangular."""
    standard: Label = ""
    lot: Label = ""
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
    max_age_s: Annotated[float, Ge(0.1), Le(3600)] = 5.0
    """A probe that prints by itself: how old its newest line may be; real seconds. Common practice, no source."""

    @property
    def reports_own_ph(self) -> bool:
        """Tell whether a line says a pH and no potential."""
        return "<ph>" in self.pattern

    @property
    def has_thermometer(self) -> bool:
        """Tell whether a line says a temperature."""
        return "<temperature>" in self.pattern


@dataclass(frozen=True, slots=True, kw_only=True)
class ScpiConfig:
    """What a SCPI instrument is asked; each query brings one number. Empty: it is not asked."""

    potential: str = "MEAS:VOLT:DC?"
    """In volts, as SCPI has it."""
    ph: str = ""
    """For an instrument that reports no potential; then that is not asked."""
    temperature: str = "MEAS:TEMP?"
    """In degrees Celsius."""

    @property
    def reports_own_ph(self) -> bool:
        """Tell whether the instrument is asked for its pH."""
        return bool(self.ph)

    @property
    def has_thermometer(self) -> bool:
        """Tell whether the instrument is asked for a temperature."""
        return bool(self.temperature)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeConfig:
    """One probe: where it is, how it speaks, how far it is believed."""

    id: str
    port: Line
    """Device path, `/dev/serial/by-id/...` or a pyserial URL such as `socket://host:port`."""
    protocol: Protocol = Protocol.SCPI
    poll_s: Annotated[float, Ge(0.01), Le(3600)] = 10.0
    timeout_s: Annotated[float, Ge(0.01), Le(60)] = 2.0
    """Total time for one reply; real seconds, also in accelerated time."""
    baud: int = 9600
    parity: Parity = Parity.NONE
    data_bits: Annotated[int, Ge(7), Le(8)] = 8
    stop_bits: Annotated[int, Ge(1), Le(2)] = 1
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
    assumed_temperature_c: Annotated[float, Ge(-2), Le(60)] | None = None
    """Of a probe that reports none: the vat's, by which pH is computed; it is never shown as a reading."""
    identity: Line | None = None
    """Text that the instrument must say of itself when asked (a serial number); None: any instrument."""
    limits: QualityLimits = field(default_factory=QualityLimits)
    errors: ErrorModel = field(default_factory=ErrorModel)
    calibration: CalibrationLimits = field(default_factory=CalibrationLimits)
    electrode: Label = ""
    """Serial number of the electrode; empty: not known."""
    electrode_installed: date | None = None
    check_tolerance_ph: _Tolerance = 0.05
    """A check buffer passes within this much (USP <791>, Ph. Eur. 2.2.3)."""
    judge_tolerance_ph: _Tolerance = 0.1
    """What is still good enough to judge a ferment. Common practice, no source."""
    calibrate_every_d: _Interval = 7.0
    check_every_d: _Interval = 3.0

    @property
    def description(self) -> ScpiConfig | TextConfig | ModbusConfig | None:
        """Return the table that says what the probe's protocol reads; None: it is missing."""
        tables: dict[ProtocolTable, ScpiConfig | TextConfig | ModbusConfig | None]
        tables = {"scpi": self.scpi, "text": self.text, "modbus": self.modbus}
        return tables[self.protocol.table]

    @property
    def own_ph(self) -> bool:
        """Tell whether the probe reports its own pH and no potential; see `probe/own_ph.py`."""
        return self.description is not None and self.description.reports_own_ph

    @property
    def has_thermometer(self) -> bool:
        """Tell whether the probe reports a temperature."""
        return self.description is not None and self.description.has_thermometer
