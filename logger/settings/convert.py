"""A `Document` -> the frozen objects of `logger/config`.

Law: here the tables get their defaults (those of `config`), files of secrets are
read, relative paths are taken from the configuration file's directory. Every vat has the instrument alarms (no-data,
blind, out-of-liquid, erratic, and those of what the instrument is owed), one with a target also claim-withdrawn: they
can be tuned and none can be left out. What is missing is reported and stands for nothing that could be run.

A second probe becomes a watch of its own (`<vat>-reference`), so nothing that watches knows of it. It steps first, and
its newest believed pH is a column of the first one's records, so a replay of the first alone tells its disagreements
too. The two uncertainties are added as if independent; what the probes share makes that too wide: the alarm comes late
rather than falsely. No spare takes over.
"""

from collections.abc import Mapping
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from logger.config import (
    SIMULATED_CLIENT_ID,
    AlarmConfig,
    AlarmKind,
    BufferConfig,
    CalibrationLimits,
    Config,
    ErrorModel,
    HookConfig,
    MqttConfig,
    Presence,
    Priority,
    ProbeConfig,
    QualityLimits,
    ScpiConfig,
    Simulation,
    TargetConfig,
    TextConfig,
    VatConfig,
    default_alarm,
)
from logger.settings.document import (
    AlarmTable,
    BufferTable,
    HookTable,
    MqttTable,
    ProbeTable,
    SimulationTable,
    StoreTable,
    SystemTable,
    TextTable,
    VatTable,
)
from logger.settings.modbus_tables import modbus_of
from logger.settings.own_profiles import Alarms, kind_missing, profiles, targets
from logger.settings.people import people
from logger.settings.problems import Key, Problem, suggestion, unknown, written
from logger.settings.reading import ParsedSources
from logger.settings.system_checks import system_of

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)

OWN_PH: Final = 0.03
"""`ErrorModel.own_ph` of a probe that reports its own pH, unless it is written. [CP]"""
ASSUMED_C: Final = 3.0
"""`ErrorModel.temperature_c` of a probe without a thermometer, unless it is written. [CP]"""


def convert(reading: ParsedSources) -> Config:
    """Return the configuration that a document describes; adds to the reading's problems what is missing."""
    document = reading.document
    store = document.store or StoreTable()
    base = reading.path.parent
    told, known = people(reading), profiles(reading)
    return Config(
        store_url=_store_url(reading, store),
        probes=tuple(_probe(reading, name, table) for name, table in document.probe.items()),
        buffers=tuple(_buffer(reading, name, table) for name, table in document.buffer.items()),
        vats=tuple(
            replace(vat, people=replace(told, digest_min=None) if vat.reference_of else told)
            for name, table in document.vat.items()
            for vat in _vats(reading, name, table, known)
        ),
        mqtt=None if document.mqtt is None else _mqtt(reading, document.mqtt),
        hook=None if document.hook is None else _hook(reading, document.hook),
        system=system_of(reading, document.system or SystemTable()),
        simulation=None if document.simulation is None else _simulation(document.simulation),
        backup_dir=None if store.backup_dir is None else base / store.backup_dir,
    )


def _store_url(reading: ParsedSources, store: StoreTable) -> str:
    ways = [name for name in ("path", "url", "url_file") if getattr(store, name) is not None]
    if len(ways) != 1:
        reason = f"{' and '.join(ways)} are given, one is wanted" if ways else "it does not say where to keep the log"
        remedy = "keep one of them" if ways else 'write path = "vatvigil.sqlite" below [store]'
        reading.add(Problem(key=("store",), reason=reason, remedy=remedy))
        return ""
    if store.url_file is not None:
        return _secret(reading, ("store", "url_file"), store.url_file)
    if store.path is None:
        return store.url or ""
    if "?" in str(store.path) or not store.path.name:
        key = ("store", "path")
        reason = "this cannot be the path of a database file"
        reading.add(
            Problem(key=key, value=written(key, str(store.path)), reason=reason, remedy="name a file, without ?")
        )
    return f"sqlite:///{(reading.path.parent / store.path).absolute()}"


def _secret(reading: ParsedSources, key: Key, file: Path) -> str:
    path = reading.path.parent / file
    try:
        secret = path.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        reason, remedy = f"the secret file cannot be read ({why})", "check the path, its owner and its mode"
    else:
        if secret:
            return secret
        reason, remedy = "the secret file is empty", "write the secret into it, on one line"
    reading.add(Problem(key=key, value=written(key, str(file)), reason=reason, remedy=remedy))
    return ""


def _probe(reading: ParsedSources, name: str, table: ProbeTable) -> ProbeConfig:
    key = ("probe", name)
    if table.port is None:
        remedy = 'write port = "/dev/serial/by-id/..."; `vatvigil ports` lists those found'
        reading.add(Problem(key=(*key, "port"), reason="it is missing", remedy=remedy))
    record = None if table.record_bytes is None else reading.path.parent / table.record_bytes
    made = ProbeConfig(
        id=name,
        port=table.port or "",
        record_bytes=record,
        limits=QualityLimits(**_known(reading, (*key, "limits"), table.limits, QualityLimits)),
        calibration=CalibrationLimits(**_known(reading, (*key, "calibration"), table.calibration, CalibrationLimits)),
        text=None if table.text is None else _text(reading, (*key, "text"), table.text),
        modbus=None if table.modbus is None else modbus_of(reading, (*key, "modbus"), table.modbus),
        **table.given("port", "record_bytes", "limits", "errors", "calibration", "text", "scpi", "modbus"),
        scpi=ScpiConfig() if table.scpi is None else ScpiConfig(**table.scpi.given()),
    )
    own = {"own_ph": OWN_PH} if made.own_ph else {}
    assumed = {} if made.assumed_temperature_c is None else {"temperature_c": ASSUMED_C}
    written_errors = _known(reading, (*key, "errors"), table.errors, ErrorModel)
    return replace(made, errors=ErrorModel(**{**own, **assumed, **written_errors}))


def _text(reading: ParsedSources, key: Key, table: TextTable) -> TextConfig:
    for name, remedy in (
        ("pattern", r"write pattern = '(?P<mv>[-+]?\d+\.\d) mV'; `vatvigil listen` suggests one"),
        ("example", "write a line that the probe sent, as it came; `vatvigil listen` shows them"),
    ):
        if not getattr(table, name):
            reading.add(Problem(key=(*key, name), reason="it is missing or empty", remedy=remedy))
    given = table.given("pattern", "example")
    for name in ("overrange_words", "no_value_words"):
        if name in given:
            given[name] = tuple(given[name])
    return TextConfig(pattern=table.pattern or "", example=table.example or "", **given)


def _known(
    reading: ParsedSources,
    key: Key,
    table: dict[str, float],
    kind: type[QualityLimits | ErrorModel | CalibrationLimits],
) -> dict[str, Any]:
    """Return the numbers whose names are fields of `kind`; the others are problems."""
    names = [field.name for field in fields(kind)]
    for name in sorted(table.keys() - set(names)):
        reading.add(unknown((*key, name), names))
    return {name: value for name, value in table.items() if name in names}


def _buffer(reading: ParsedSources, name: str, table: BufferTable) -> BufferConfig:
    values: dict[float, float] = {}
    for written_c, ph in table.values.items():
        try:
            values[float(written_c)] = ph
        except ValueError:
            key = ("buffer", name, "values", written_c)
            remedy = 'write values = {"20" = 4.00, "25" = 4.01}: temperature (C) in quotes, pH without'
            reading.add(
                Problem(
                    key=key, value=written(key, ph), reason="this is no temperature in degrees Celsius", remedy=remedy
                )
            )
    return BufferConfig(id=name, values_ph=values, **table.given("values"))


def _vats(reading: ParsedSources, name: str, table: VatTable, known: Mapping[str, Alarms]) -> list[VatConfig]:
    """Return a vat and, where it has a second probe, the watch over that one: its own vat in all but the name."""
    vat = _vat(reading, name, table, known)
    if not vat.reference:
        return [vat]
    second = f"{name}-reference"
    if second in reading.document.vat:
        reason, remedy = f"the second probe of {name!r} is watched under this name", "give this vat another name"
        reading.add(Problem(key=("vat", second), reason=reason, remedy=remedy))
    instrument = [default_alarm(kind, priority=Priority.MEDIUM) for kind in _kinds(Presence.ALWAYS)]
    return [
        vat,
        VatConfig(
            id=second,
            name=f"{vat.name} (reference)",
            probe=vat.reference,
            reference_of=name,
            alarms=tuple(instrument),
            max_shelve_s=vat.max_shelve_s,
            probe_out_s=vat.probe_out_s,
        ),
    ]


def _vat(reading: ParsedSources, name: str, table: VatTable, known_profiles: Mapping[str, Alarms]) -> VatConfig:
    key = ("vat", name)
    if table.probe is None:
        near = suggestion(name, reading.document.probe)
        reading.add(Problem(key=(*key, "probe"), reason="it is missing", remedy=f"name one of the probes: {near}"))
    profile = {} if table.profile is None else known_profiles.get(table.profile)
    if profile is None:
        remedy = suggestion(table.profile or "", known_profiles)
        value = written((*key, "profile"), table.profile)
        reading.add(Problem(key=(*key, "profile"), value=value, reason="there is no such profile", remedy=remedy))
        profile = {}
    written_alarms = {**{alarm: AlarmTable() for alarm in profile}, **table.alarm}
    alarms = [
        _alarm(reading, (*key, "alarm", alarm), each, profile.get(alarm, {})) for alarm, each in written_alarms.items()
    ]
    known = [alarm for alarm in alarms if alarm is not None]
    kinds = {alarm.kind for alarm in known}
    target = _target(reading, table)
    wanted = [Presence.ALWAYS]
    wanted += [Presence.WITH_TARGET] if target else []
    wanted += [Presence.WITH_SECOND_PROBE] if table.reference else []
    added = [default_alarm(kind) for kind in _kinds(*wanted) if kind not in kinds]
    return VatConfig(
        id=name,
        name=table.name if table.name is not None else name,
        probe=table.probe or "",
        alarms=(*known, *added),
        target=target,
        **table.given("name", "probe", "profile", "target", "alarm"),
    )


def _kinds(*wanted: Presence) -> list[AlarmKind]:
    """Return the kinds that a vat has without their being written."""
    return [kind for presence in wanted for kind in AlarmKind.of_vats() if kind.row.presence is presence]


def _target(reading: ParsedSources, table: VatTable) -> TargetConfig | None:
    """Return what a vat is to reach: what is written stands over its profile, key by key."""
    known = targets(reading).get(table.profile or "")
    if known is None and table.target is None:
        return None
    return TargetConfig(**{**(known or {}), **(table.target.given() if table.target else {})})


def _alarm(reading: ParsedSources, key: Key, table: AlarmTable, profile: Mapping[str, Any]) -> AlarmConfig | None:
    """Return an alarm: what is written stands over its profile (of an alarm of the same kind), that over the kind's."""
    kind = table.kind or profile.get("kind")
    if kind is None:
        if key[-1] not in AlarmKind.of_vats():
            reading.add(kind_missing(key))
            return None
        kind = AlarmKind(key[-1])
    if kind.is_system:
        remedy = f"write [system.alarm.{kind}], or another kind here"
        reading.add(Problem(key=(*key, "kind"), reason="this is no alarm of a vat", remedy=remedy))
        return None
    same = {name: value for name, value in profile.items() if name != "kind"} if profile.get("kind") is kind else {}
    return default_alarm(kind, **{**same, **table.given("kind"), "id": key[-1]})


def _mqtt(reading: ParsedSources, table: MqttTable) -> MqttConfig:
    base = reading.path.parent
    given = table.given("password_file")
    if table.password_file is not None:
        if table.password is not None:
            reason = "password and password_file are given, one is wanted"
            reading.add(Problem(key=("mqtt", "password_file"), reason=reason, remedy="keep password_file"))
        given["password"] = _secret(reading, ("mqtt", "password_file"), table.password_file)
    for name in ("ca_file", "cert_file", "key_file"):
        if given.get(name) is not None:
            given[name] = base / given[name]
    if given.get("discovery_prefix") == "":
        given["discovery_prefix"] = None
    default = {} if reading.document.simulation is None else {"client_id": SIMULATED_CLIENT_ID}
    return MqttConfig(**{**default, **given})


def _hook(reading: ParsedSources, table: HookTable) -> HookConfig:
    if not table.command:
        remedy = 'write command = ["/path/to/executable", "argument"]'
        reading.add(Problem(key=("hook", "command"), reason="it is missing or empty", remedy=remedy))
    return HookConfig(command=tuple(table.command or ()), **table.given("command"))


def _simulation(table: SimulationTable) -> Simulation:
    epoch_us = None if table.epoch is None else (table.epoch - _EPOCH) // _MICROSECOND
    return Simulation(epoch_us=epoch_us, **table.given("epoch"))
