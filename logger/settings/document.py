"""The layout of the TOML file: which tables and keys there are, and of which kind each value is.

Law: nothing has a default here. What is not written stays None and takes its default from `logger/config`, so no
default lives in two places. Types are strict: TOML tells a number from a text, and a text is never read as a number.
"""

import types
from dataclasses import fields, is_dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, Strict
from pydantic_settings import BaseSettings, SettingsConfigDict

from logger.config import AlarmKind, CalibrationLimits, Checksum, ErrorModel, Parity, Priority, Protocol, QualityLimits
from logger.config.modbus import NumberType, Unit, WordOrder
from logger.settings.profiles import Profile

Number = Annotated[float, Strict()]
Whole = Annotated[int, Strict()]
Text = Annotated[str, Strict()]
Switch = Annotated[bool, Strict()]
Instant = Annotated[AwareDatetime, Strict()]
Day = Annotated[date, Strict()]


class TomlTable(BaseModel):
    """A table that knows all its keys."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, frozen=True, hide_input_in_errors=True)

    def given(self, *without: str) -> dict[str, Any]:
        """Return what was written, except the named keys."""
        return {name: getattr(self, name) for name in self.model_fields_set if name not in without}


class StoreTable(TomlTable):
    """[store]: one of path, url, url_file."""

    path: Path | None = None
    url: Text | None = None
    url_file: Path | None = None
    backup_dir: Path | None = None


class MqttTable(TomlTable):
    """[mqtt], the broker; see `config.MqttConfig`."""

    host: Text | None = None
    port: Whole | None = None
    client_id: Text | None = None
    base_topic: Text | None = None
    discovery_prefix: Text | None = None
    protocol: Whole | None = None
    username: Text | None = None
    password: Text | None = None
    password_file: Path | None = None
    tls: Switch | None = None
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    keepalive_s: Whole | None = None
    heartbeat_s: Number | None = None


class HookTable(TomlTable):
    """[hook], the second way out; see `config.HookConfig`."""

    command: list[Text] | None = None
    after_s: Number | None = None
    timeout_s: Number | None = None
    retries: Whole | None = None


class PeopleTable(TomlTable):
    """[people]; see `config.PeopleConfig`."""

    zone: Text | None = None


class QuietTable(TomlTable):
    """[quiet]; see `config.QuietConfig`."""

    begin: Text | None = Field(default=None, alias="from")  # `from` is no name that a class body could have
    to: Text | None = None
    wakes: list[Text] | None = None
    zone: Text | None = None


class DigestTable(TomlTable):
    """[digest]: when the morning summary is made."""

    at: Text | None = None


class TextTable(TomlTable):
    """[probe.<id>.text]; see `config.TextConfig`."""

    pattern: Text | None = None
    example: Text | None = None
    query: Text | None = None
    query_end: Text | None = None
    terminator: Text | None = None
    echo: Switch | None = None
    prompt: Text | None = None
    decimal_comma: Switch | None = None
    checksum: Checksum | None = None
    overrange_words: list[Text] | None = None
    no_value_words: list[Text] | None = None
    max_age_s: Number | None = None


class RegisterTable(TomlTable):
    """[probe.<id>.modbus.potential], ph, temperature; see `modbus_map.RegisterConfig`."""

    number: Whole | None = None
    type: NumberType | None = None
    word_order: WordOrder | None = None
    scale: Number | None = None
    offset: Number | None = None
    unit: Unit | None = None
    no_value: list[Whole] | None = None


class StatusTable(TomlTable):
    """[probe.<id>.modbus.status]; see `modbus_map.StatusConfig`."""

    number: Whole | None = None
    bits: list[Whole] | None = None


class ModbusTable(TomlTable):
    """[probe.<id>.modbus]; see `modbus_map.ModbusConfig`."""

    address: Whole | None = None
    function: Whole | None = None
    identify: Switch | None = None
    potential: RegisterTable | None = None
    ph: RegisterTable | None = None
    temperature: RegisterTable | None = None
    status: StatusTable | None = None


class SystemAlarmTable(TomlTable):
    """[system.alarm.<kind>]: an alarm of the watch itself; see `AlarmKind`."""

    on_delay_s: Number | None = None
    priority: Priority | None = None
    realarm_s: Number | None = None
    reminder_s: Number | None = None


class RehearsalTable(TomlTable):
    """[rehearsal], the good-night test; see `config.SystemConfig`."""

    at: Text | None = None
    within_s: Number | None = None
    zone: Text | None = None


class SystemTable(TomlTable):
    """[system]; see `config.SystemConfig`."""

    disk_reserve_mb: Number | None = None
    alarm: dict[str, SystemAlarmTable] = {}


class ScpiTable(TomlTable):
    """[probe.<id>.scpi]; see `config.ScpiConfig`."""

    potential: Text | None = None
    ph: Text | None = None
    temperature: Text | None = None


class ProbeTable(TomlTable):
    """[probe.<id>]; see `config.ProbeConfig`."""

    port: Text | None = None
    protocol: Protocol | None = None
    poll_s: Number | None = None
    timeout_s: Number | None = None
    baud: Whole | None = None
    parity: Parity | None = None
    data_bits: Whole | None = None
    dtr: Switch | None = None
    rts: Switch | None = None
    record_bytes: Path | None = None
    stop_bits: Whole | None = None
    scpi: ScpiTable | None = None
    modbus: ModbusTable | None = None
    assumed_temperature_c: Number | None = None
    identity: Text | None = None
    text: TextTable | None = None
    limits: Annotated[dict[str, Number], QualityLimits] = {}
    errors: Annotated[dict[str, Number], ErrorModel] = {}
    calibration: Annotated[dict[str, Number], CalibrationLimits] = {}
    electrode: Text | None = None
    electrode_installed: Day | None = None
    check_tolerance_ph: Number | None = None
    judge_tolerance_ph: Number | None = None
    calibrate_every_d: Number | None = None
    check_every_d: Number | None = None


class BufferTable(TomlTable):
    """[buffer.<id>]; see `config.BufferConfig`."""

    values: dict[str, Number] = {}
    u_ph: Number | None = None
    standard: Text | None = None
    lot: Text | None = None
    expires: Day | None = None


class AlarmTable(TomlTable):
    """[vat.<id>.alarm.<alarm id>]; see `config.AlarmConfig`."""

    kind: AlarmKind | None = None
    setpoint: Number | None = None
    deadband: Number | None = None
    on_delay_s: Number | None = None
    off_delay_s: Number | None = None
    window_s: Number | None = None
    armed_ph: Number | None = None
    drop_ph: Number | None = None
    above_ph: Number | None = None
    priority: Priority | None = None
    latching: Switch | None = None
    realarm_s: Number | None = None
    reminder_s: Number | None = None
    raise_after_reminders: Whole | None = None


class TargetTable(TomlTable):
    """[vat.<id>.target]; see `config.TargetConfig`."""

    ph: Number | None = None
    probability: Number | None = None
    window_s: Number | None = None
    windows: Whole | None = None
    check_within_h: Number | None = None
    spot_check: Switch | None = None


class VatTable(TomlTable):
    """[vat.<id>]; see `config.VatConfig`."""

    name: Text | None = None
    probe: Text | None = None
    reference: Text | None = None
    profile: Text | None = None
    max_shelve_s: Number | None = None
    probe_out_s: Number | None = None
    unsettled_s: Number | None = None
    target: TargetTable | None = None
    alarm: dict[str, AlarmTable] = {}


class ProfileTable(TomlTable):
    """[profile.<id>], the user's own alarms for a kind of ferment; see `profiles.py`."""

    base: Profile | None = None
    target: TargetTable | None = None
    alarm: dict[str, AlarmTable] = {}


class SimulationTable(TomlTable):
    """[simulation]; see `config.Simulation`."""

    speed: Number | None = None
    epoch: Instant | None = None
    epoch_monotonic_s: Number | None = None


class Document(BaseSettings):
    """The whole file."""

    model_config = SettingsConfigDict(
        extra="forbid", allow_inf_nan=False, frozen=True, hide_input_in_errors=True, case_sensitive=True
    )

    store: StoreTable | None = None
    mqtt: MqttTable | None = None
    hook: HookTable | None = None
    people: PeopleTable | None = None
    quiet: QuietTable | None = None
    digest: DigestTable | None = None

    system: SystemTable | None = None
    rehearsal: RehearsalTable | None = None
    probe: dict[str, ProbeTable] = {}
    buffer: dict[str, BufferTable] = {}
    profile: dict[str, ProfileTable] = {}
    vat: dict[str, VatTable] = {}
    simulation: SimulationTable | None = None


ANY_ID = "<id>"


def layout(model: type[BaseModel] = Document) -> dict[str, Any]:
    """Return the keys as nested dictionaries whose leaves are types; `ANY_ID` stands for a name the user chose."""
    hints = get_type_hints(model, include_extras=True)
    return {field.alias or name: _shape(hints[name]) for name, field in model.model_fields.items()}


def _shape(hint: Any) -> Any:  # noqa: ANN401 - a type hint is of no common type
    """Return the keys under one hint, or the plain type of a leaf."""
    if get_origin(hint) is Annotated:
        inner, *notes = get_args(hint)
        noted = next((note for note in notes if isinstance(note, type) and is_dataclass(note)), None)
        return {field.name: float for field in fields(noted)} if noted is not None else _shape(inner)
    if get_origin(hint) in (Union, types.UnionType):
        return _shape(next(choice for choice in get_args(hint) if choice is not type(None)))
    if get_origin(hint) is dict:
        return {ANY_ID: _shape(get_args(hint)[1])}
    if get_origin(hint) is list:
        return list
    return layout(hint) if issubclass(hint, BaseModel) else hint


def keys_at(path: tuple[str, ...]) -> dict[str, Any]:
    """Return what may stand under a table of the file; empty where no table can be."""
    shape: Any = layout()
    for part in path:
        shape = shape.get(part, shape.get(ANY_ID)) if isinstance(shape, dict) else None
    return shape if isinstance(shape, dict) else {}
