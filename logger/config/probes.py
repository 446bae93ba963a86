"""Describe a probe: where it is, how it speaks, how far it is believed. Law: as in `logger/config`."""

from collections.abc import Mapping
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal, Self

from annotated_types import Ge, Le

from logger.config.bounds import Label, Line, NotNegative, Positive
from logger.config.modbus import ModbusConfig
from logger.structs import Struct, field

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


DAY_S = 86400.0
_Uncertainty = Annotated[float, Ge(0), Le(1000)]
_CalibrationLimit = Annotated[float, Ge(0), Le(3600)]
_Tolerance = Annotated[float, Ge(0.005), Le(1)]
_Interval = Annotated[float, Ge(0.04), Le(366)]


class QualityLimits(Struct, frozen=True, kw_only=True):
    """Limits of the quality tests on the raw signal (names of the tests: IOOS QARTOD), common practice, no source."""

    fail_low_mv: float = -600.0
    """A potential below this is no reading of an electrode: it fails."""
    fail_high_mv: float = 600.0
    """A potential above this fails."""
    suspect_low_mv: float = -250.0
    """A potential below this is suspect: no electrode in a vat gives it."""
    suspect_high_mv: float = 400.0
    """A potential above this is suspect."""
    fail_low_c: float = -2.0
    """A temperature below this fails, and the reading with it."""
    fail_high_c: float = 60.0
    """A temperature above this fails, and the reading with it."""
    jump_mv: Positive = 45.0
    """A potential further than this from the one before is suspect."""
    rate_mv_per_s: Positive = 30.0
    """A potential that changes faster than this is suspect."""
    spike_suspect_mv: Positive = 10.0
    """A potential further than this from the mean of its two neighbours is a spike: suspect."""
    spike_fail_mv: Positive = 40.0
    """A spike further off than this fails."""
    flat_tolerance_mv: NotNegative = 0.05
    """The reading is frozen while all potentials lie within less than this."""
    flat_suspect_s: Positive = 5400.0
    """A reading that is frozen for so long is suspect."""
    flat_fail_s: Positive = 10800.0
    """A reading that is frozen for so long fails."""
    max_gap_s: float = 300.0
    """A longer time without a reading is a gap. Nothing is compared across it, and it is counted in the morning
    summary.
    """
    thermometer_hold_s: Annotated[float, Ge(0), Le(DAY_S)] = 7200.0
    """While the thermometer shows what no vat's temperature can be, pH is computed by its last good value for so long,
    with a growing doubt; then pH is not believed. 0 is at once.
    """


class ErrorModel(Struct, frozen=True, kw_only=True):
    """Standard uncertainties that no single reading shows; see `measure/uncertainty.py`. Common practice, no source."""

    junction_ph: _Uncertainty = 0.05
    """Standard uncertainty of the liquid junction in brine, which no buffer shows."""
    drift_ph_per_day: _Uncertainty = 0.012
    """Standard uncertainty by drift, for each day since the calibration or the newest check."""
    walk_ph_per_sqrt_day: _Uncertainty = 0.006
    """Standard uncertainty by random wander besides: so much after a day, twice as much after four."""
    temperature_c: _Uncertainty = 1.0
    """Standard uncertainty of the temperature by which pH is computed."""
    repeatability_mv: _Uncertainty = 0.9
    """Standard uncertainty of a single reading by its noise; it shrinks when readings are averaged."""
    resolution_mv: _Uncertainty = 0.1
    """The smallest step in which the instrument tells its potential."""
    own_ph: _Uncertainty = 0.0
    """Standard uncertainty that a probe's own pH adds: by rounding, smoothing, a compensation that nobody sees."""


class CalibrationLimits(Struct, frozen=True, kw_only=True):
    """What a calibration must keep to be accepted (refuse) and to be so without a warning (warn).

    Slopes in per cent of the Nernst slope: USP <791> accepts 90 to 105 % and an offset of 30 mV either way. The
    other figures are common practice, no source.
    """

    slope_warn_low_percent: _CalibrationLimit = 92.0
    """A slope below this share of the Nernst slope brings a warning."""
    slope_warn_high_percent: _CalibrationLimit = 102.0
    """A slope above this share brings a warning."""
    slope_refuse_low_percent: _CalibrationLimit = 85.0
    """With a slope below this share the calibration is refused."""
    slope_refuse_high_percent: _CalibrationLimit = 105.0
    """With a slope above this share the calibration is refused."""
    offset_warn_mv: _CalibrationLimit = 30.0
    """An offset at pH 7 beyond this, either way, brings a warning."""
    offset_refuse_mv: _CalibrationLimit = 60.0
    """With an offset beyond this the calibration is refused."""
    residual_warn_mv: _CalibrationLimit = 1.5
    """Three or more buffers: one further than this from the least-squares line brings a warning."""
    residual_refuse_mv: _CalibrationLimit = 6.0
    """With a buffer further than this from the line the calibration is refused."""
    asymmetry_warn_percent: _CalibrationLimit = 3.0
    """Three or more buffers: slopes between neighbours that differ by more than this bring a warning."""
    noise_warn_mv: _CalibrationLimit = 0.5
    """More noise than this in a buffer brings a warning."""
    temperature_spread_warn_c: _CalibrationLimit = 3.0
    """The coldest and the warmest buffer further apart than this bring a warning."""
    temperature_spread_refuse_c: _CalibrationLimit = 6.0
    """With buffers further apart than this the calibration is refused."""
    settle_warn_s: _CalibrationLimit = 60.0
    """A longer time to settle in a buffer brings a warning."""
    settle_slow_s: _CalibrationLimit = 180.0
    """With a longer one the warning says that the bulb or the junction is dirty or worn."""


class BufferConfig(Struct, frozen=True, kw_only=True):
    """A buffer on the shelf: one of the built-in tables by its id, or with `values_ph` the user's own."""

    id: str
    values_ph: Mapping[float, float] = field(default_factory=dict)
    """pH by temperature (C), such as { 20 = 9.22, 25 = 9.18 }."""
    u_ph: Annotated[float, Ge(0.0005), Le(0.5)] | None = None
    """Standard uncertainty of its pH."""
    standard: Label = ""
    """Whose table it is."""
    lot: Label = ""
    """Lot number on the bottle."""
    expires: date | None = None
    """Last day of use."""


class TextConfig(Struct, frozen=True, kw_only=True):
    """How a probe that speaks in lines of text writes them. Text stands for its Latin-1 bytes."""

    pattern: str
    """RE2 expression that must match a whole line; `vatvigil help probes` explains its named groups."""
    example: str
    """A line that the probe sent, without terminator; the pattern must match it."""
    query: str = ""
    """What is sent to get one line, without its end; not written: the probe prints by itself."""
    query_end: str = "\r\n"
    """What is sent after the query, to end its line."""
    terminator: str = "\n"
    """What ends each line of the probe's; before a single LF a CR is dropped too."""
    echo: bool = False
    """If true, the probe repeats the query before it answers."""
    prompt: str = ""
    """What may stand before a line: the sign that the probe waits for a query."""
    decimal_comma: bool = False
    """If true, numbers have a comma in place of the decimal point."""
    checksum: Checksum | None = None
    """How the checksum in the group `checksum` of the pattern is computed, in hexadecimal digits."""
    overrange_words: tuple[str, ...] = ("over", "under", "inf", "ovl")
    """Words that stand where a number is missing because the value is beyond the instrument's range; capitals or
    not.
    """
    no_value_words: tuple[str, ...] = ("nan", "---", "open", "short", "err")
    """Words that stand where a number is missing because there is no value; capitals or not."""
    max_age_s: Annotated[float, Ge(0.1), Le(3600)] = 5.0
    """How old the newest line may be of a probe that prints by itself; real seconds. Common practice, no source."""

    @property
    def reports_own_ph(self) -> bool:
        """Tell whether a line says a pH and no potential."""
        return "<ph>" in self.pattern

    @property
    def has_thermometer(self) -> bool:
        """Tell whether a line says a temperature."""
        return "<temperature>" in self.pattern


class ScpiConfig(Struct, frozen=True, kw_only=True):
    """What a SCPI instrument is asked; each query brings one number. Empty: it is not asked."""

    potential: str = "MEAS:VOLT:DC?"
    """Query for the potential, which is answered in volts, as SCPI has it."""
    ph: str = ""
    """Query for the pH of an instrument that reports no potential; the potential is then not asked for."""
    temperature: str = "MEAS:TEMP?"
    """Query for the temperature, in degrees Celsius; "": the instrument has none."""

    @property
    def reports_own_ph(self) -> bool:
        """Tell whether the instrument is asked for its pH."""
        return bool(self.ph)

    @property
    def has_thermometer(self) -> bool:
        """Tell whether the instrument is asked for a temperature."""
        return bool(self.temperature)


class ProbeConfig(Struct, frozen=True, kw_only=True):
    """One probe: where it is, how it speaks, how far it is believed."""

    id: str
    port: Line
    """Path of the device, best `/dev/serial/by-id/...`, or an address such as `socket://host:port`."""
    protocol: Protocol = Protocol.SCPI
    """How the probe speaks; the table `scpi`, `text` or `modbus` below the probe says what is read."""
    poll_s: Annotated[float, Ge(0.01), Le(3600)] = 10.0
    """How often the probe is read; every second, if this is longer, while somebody works on it."""
    timeout_s: Annotated[float, Ge(0.01), Le(60)] = 2.0
    """Total time for one reply; real seconds, also in accelerated time."""
    baud: int = 9600
    """Bits per second on the serial line."""
    parity: Parity = Parity.NONE
    """The check bit of each character on the serial line."""
    data_bits: Annotated[int, Ge(7), Le(8)] = 8
    """Data bits of each character on the serial line."""
    stop_bits: Annotated[int, Ge(1), Le(2)] = 1
    """Stop bits after each character on the serial line."""
    dtr: bool | None = None
    """Level of the line DTR when the port is opened; false keeps some devices from a restart; not written: as the
    system does.
    """
    rts: bool | None = None
    """The same for the line RTS."""
    record_bytes: Path | None = None
    """All bytes on the port go into this file too, with their times; `vatvigil decode` reads it. Not written: into
    none.
    """
    text: TextConfig | None = None
    """Protocol `text` only."""
    scpi: ScpiConfig = field(default_factory=ScpiConfig)
    """Protocol `scpi` only."""
    modbus: ModbusConfig | None = None
    """Protocols `modbus-rtu` and `modbus-tcp` only."""
    assumed_temperature_c: Annotated[float, Ge(-2), Le(60)] | None = None
    """For a probe that reports no temperature: that of the vat, by which pH is computed. It is never shown as a
    reading.
    """
    identity: Line | None = None
    """Text that the instrument must say of itself (a serial number), or that each line of text must hold; not
    written: any instrument.
    """
    limits: QualityLimits = field(default_factory=QualityLimits)
    errors: ErrorModel = field(default_factory=ErrorModel)
    calibration: CalibrationLimits = field(default_factory=CalibrationLimits)
    electrode: Label = ""
    """Serial number of the electrode; not written: not known."""
    electrode_installed: date | None = None
    """Day on which this electrode was put in; `vatvigil electrode` counts its hours of use from then."""
    check_tolerance_ph: _Tolerance = 0.05
    """A check in a buffer passes within this much (USP <791>, Ph. Eur. 2.2.3)."""
    judge_tolerance_ph: _Tolerance = 0.1
    """What is still good enough to judge a ferment: a spot check passes within it, and `drifted` comes beyond it.
    Common practice, no source.
    """
    calibrate_every_d: _Interval = 7.0
    """When the calibration is older than this, `calibration-overdue` comes."""
    check_every_d: _Interval = 3.0
    """When the probe was neither calibrated nor checked for so long, `check-overdue` comes."""
    clean_every_d: _Interval = 30.0
    """When the last cleaning in the care diary is older, `cleaning-overdue` comes. Common practice, no source."""

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
