"""Make the frozen objects of `logger/config` from what was written.

Law: what is not written takes its default from the struct (for alarms also from the row of the kind); files of
secrets are read, relative paths are taken from the configuration file's directory. Every vat has the instrument alarms
(no-data, blind, trust-lost, trust-doubted, and those of maintenance), one with a target also claim-withdrawn: they can
be tuned and none can be left out. What is missing is reported and stands for nothing that could be run.

A second probe becomes a watch of its own (`<vat>-reference`), so nothing that watches knows of it. It steps first, and
its newest believed pH is a column of the first one's records, so a replay of the first alone tells its disagreements
too. The two uncertainties are added as if independent; what the probes share makes that too wide: the alarm comes late
rather than falsely. No spare takes over.
"""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final, TypeVar, get_args, get_origin, get_type_hints

from msgspec import structs

from logger.config import (
    SIMULATED_CLIENT_ID,
    AlarmConfig,
    AlarmKind,
    BufferConfig,
    Config,
    DeadManConfig,
    ErrorModel,
    Group,
    HookConfig,
    MqttConfig,
    Presence,
    Priority,
    ProbeConfig,
    PushConfig,
    Simulation,
    SystemConfig,
    TargetConfig,
    VatConfig,
    default_alarm,
)
from logger.settings.document import Table, is_table
from logger.settings.own_profiles import Alarms, kind_missing, profiles, targets
from logger.settings.parsing import ParsedSources
from logger.settings.people import minute_of, people, zone_of
from logger.settings.problems import Key, Problem, suggestion, unknown_key, wrong
from logger.structs import Struct, replace
from logger.watch import system

_Config = TypeVar("_Config", bound=Struct)

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)

OWN_PH: Final = 0.03
"""`ErrorModel.own_ph` of a probe that reports its own pH, unless it is written. Common practice, no source."""
ASSUMED_C: Final = 3.0
"""`ErrorModel.temperature_c` of a probe without a thermometer, unless it is written. Common practice, no source."""


_REQUIRED: Final[Mapping[str, str]] = {
    "port": 'write port = "/dev/serial/by-id/..."; `vatvigil ports` lists those found',
    "pattern": r"write pattern = '(?P<mv>[-+]?\d+\.\d) mV'; `vatvigil listen` suggests one",
    "example": "write a line that the probe sent, as it came; `vatvigil listen` shows them",
    "number": "write number = (of its first register, counted from 0; many manuals count from 1 or from 40001)",
    "bits": "write bits = [0, 3]: the numbers of the bits that mean that there is no value",
    "command": 'write command = ["/path/to/executable", "argument"]',
    "urls": "write urls_file = (a file of yours with one address a line)",
    "url": "write url_file = (a file of yours with the address in it)",
}
"""What to do where a field without default is not written, by its name."""
_PLACEHOLDERS: Final[Mapping[type, Any]] = {str: "", int: 0, tuple: ()}


def convert(reading: ParsedSources) -> Config:
    """Return the configuration that a document describes; adds to the reading's problems what is missing."""
    document = reading.document
    store = document.get("store", {})
    contacts, all_profiles = people(reading), profiles(reading)
    return Config(
        store_url=_store_url(reading, store),
        probes=tuple(_probe(reading, name, table) for name, table in document.get("probe", {}).items()),
        buffers=tuple(_buffer(reading, name, table) for name, table in document.get("buffer", {}).items()),
        vats=tuple(
            replace(vat, people=replace(contacts, digest_min=None) if vat.reference_of else contacts)
            for name, table in document.get("vat", {}).items()
            for vat in _vats(reading, name, table, all_profiles)
        ),
        mqtt=_mqtt(reading, document["mqtt"]) if "mqtt" in document else None,
        hook=_build(reading, ("hook",), HookConfig, document["hook"]) if "hook" in document else None,
        push=_push(reading, document["push"]) if "push" in document else None,
        dead_man=_dead_man(reading, document["dead_man"]) if "dead_man" in document else None,
        system=_system(reading, document.get("system", {})),
        simulation=_simulation(document["simulation"]) if "simulation" in document else None,
        backup_dir=reading.path.parent / store["backup_dir"] if "backup_dir" in store else None,
        commit_every_s=store.get("commit_every_s", 0.0),
        retired=reading.retired,
    )


def _build(reading: ParsedSources, key: Key, kind: type[_Config], table: Table) -> _Config:
    """Return one object and those below it; a required field that is not written is reported and left empty."""
    hints, values = get_type_hints(kind), dict(table)
    for name, value in table.items():
        nested = next((each for each in (hints[name], *get_args(hints[name])) if is_table(each)), None)
        if nested is not None and isinstance(value, dict):
            values[name] = _build(reading, (*key, name), nested, value)
        elif isinstance(value, Path):
            values[name] = reading.path.parent / value
    for field in structs.fields(kind):
        if field.required and values.get(field.name) in (None, "", ()):
            reason = "it is empty" if field.name in values else "it is missing"
            reading.add(Problem(key=(*key, field.name), reason=reason, remedy=_REQUIRED[field.name]))
            values[field.name] = _PLACEHOLDERS[get_origin(hints[field.name]) or hints[field.name]]
    return kind(**values)


def _store_url(reading: ParsedSources, store: Table) -> str:
    ways = [name for name in ("path", "url", "url_file") if name in store]
    if len(ways) != 1:
        reason = f"{' and '.join(ways)} are given, one is wanted" if ways else "it does not say where to keep the log"
        remedy = "keep one of them" if ways else 'write path = "vatvigil.sqlite" below [store]'
        reading.add(Problem(key=("store",), reason=reason, remedy=remedy))
        return ""
    if "url_file" in store:
        return _secret(reading, ("store", "url_file"), store["url_file"])
    if "path" not in store:
        return str(store["url"])
    path: Path = store["path"]
    if "?" in str(path) or not path.name:
        reason = "this cannot be the path of a database file"
        reading.add(wrong(("store", "path"), str(path), reason, "name a file, without ?"))
    return f"sqlite:///{(reading.path.parent / path).absolute()}"


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
    reading.add(wrong(key, str(file), reason, remedy))
    return ""


def _probe(reading: ParsedSources, name: str, table: Table) -> ProbeConfig:
    probe = _build(reading, ("probe", name), ProbeConfig, {"id": name, **table})
    own = {"own_ph": OWN_PH} if probe.own_ph else {}
    assumed = {} if probe.assumed_temperature_c is None else {"temperature_c": ASSUMED_C}
    return replace(probe, errors=ErrorModel(**{**own, **assumed, **table.get("errors", {})}))


def _buffer(reading: ParsedSources, name: str, table: Table) -> BufferConfig:
    values: dict[float, float] = {}
    for written_c, ph in table.get("values", {}).items():
        try:
            values[float(written_c)] = ph
        except ValueError:
            reason = "this is no temperature in degrees Celsius"
            remedy = 'write values = {"20" = 4.00, "25" = 4.01}: temperature (C) in quotes, pH without'
            reading.add(wrong(("buffer", name, "values", written_c), ph, reason, remedy))
    return BufferConfig(id=name, values_ph=values, **_without(table, "values"))


def _without(table: Table, *names: str) -> dict[str, Any]:
    return {name: value for name, value in table.items() if name not in names}


def _vats(reading: ParsedSources, name: str, table: Table, all_profiles: Mapping[str, Alarms]) -> list[VatConfig]:
    """Return a vat and, where it has a second probe, the watch over that one: its own vat in all but the name."""
    vat = _vat(reading, name, table, all_profiles)
    if not vat.reference:
        return [vat]
    second = f"{name}-reference"
    if second in reading.document["vat"]:
        reason, remedy = f"the second probe of {name!r} is watched under this name", "give this vat another name"
        reading.add(Problem(key=("vat", second), reason=reason, remedy=remedy))
    kinds = [kind for kind in _kinds(Presence.ALWAYS) if kind.row.group is not Group.PROCESS]
    instrument = [default_alarm(kind, priority=Priority.MEDIUM) for kind in kinds]
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


def _vat(reading: ParsedSources, name: str, table: Table, known_profiles: Mapping[str, Alarms]) -> VatConfig:
    key = ("vat", name)
    if "probe" not in table:
        near = suggestion(name, reading.document.get("probe", {}))
        reading.add(Problem(key=(*key, "probe"), reason="it is missing", remedy=f"name one of the probes: {near}"))
    profile = known_profiles.get(table["profile"]) if "profile" in table else {}
    if profile is None:
        remedy = suggestion(table["profile"], known_profiles)
        reading.add(wrong((*key, "profile"), table["profile"], "there is no such profile", remedy))
        profile = {}
    written_alarms = {**{alarm: {} for alarm in profile}, **table.get("alarm", {})}
    alarms = [
        _alarm(reading, (*key, "alarm", alarm), each, profile.get(alarm, {})) for alarm, each in written_alarms.items()
    ]
    configured = [alarm for alarm in alarms if alarm is not None]
    kinds = {alarm.kind for alarm in configured}
    target = _target(reading, table)
    wanted = [Presence.ALWAYS]
    wanted += [Presence.WITH_TARGET] if target else []
    wanted += [Presence.WITH_SECOND_PROBE] if table.get("reference") else []
    added = [default_alarm(kind) for kind in _kinds(*wanted) if kind not in kinds]
    return VatConfig(
        id=name,
        alarms=(*configured, *added),
        target=target,
        **{"name": name, "probe": "", **_without(table, "profile", "target", "alarm")},
    )


def _kinds(*wanted: Presence) -> list[AlarmKind]:
    """Return the kinds that a vat has without their being written."""
    return [kind for presence in wanted for kind in AlarmKind.of_vats() if kind.row.presence is presence]


def _target(reading: ParsedSources, table: Table) -> TargetConfig | None:
    """Return what a vat is to reach: what is written stands over its profile, key by key."""
    of_profile = targets(reading).get(table.get("profile", ""))
    if of_profile is None and "target" not in table:
        return None
    return TargetConfig(**{**(of_profile or {}), **table.get("target", {})})


def _alarm(reading: ParsedSources, key: Key, table: Table, profile: Mapping[str, Any]) -> AlarmConfig | None:
    """Return an alarm: what is written stands over its profile (of an alarm of the same kind), that over the kind's."""
    kind = table.get("kind") or profile.get("kind")
    if kind is None:
        if key[-1] not in AlarmKind.of_vats():
            reading.add(kind_missing(key))
            return None
        kind = AlarmKind(key[-1])
    if kind.is_system:
        remedy = f"write [system.alarm.{kind}], or another kind here"
        reading.add(Problem(key=(*key, "kind"), reason="this is no alarm of a vat", remedy=remedy))
        return None
    same = profile if profile.get("kind") is kind else {}
    return default_alarm(kind, **{**_without({**same, **table}, "kind"), "id": key[-1]})


def _mqtt(reading: ParsedSources, table: Table) -> MqttConfig:
    values = _with_secret(reading, "mqtt", table, "password")
    if values.get("discovery_prefix") == "":
        values["discovery_prefix"] = None
    default = {"client_id": SIMULATED_CLIENT_ID} if "simulation" in reading.document else {}
    return _build(reading, ("mqtt",), MqttConfig, {**default, **values})


def _push(reading: ParsedSources, table: Table) -> PushConfig:
    values = _with_secret(reading, "push", table, "urls")
    urls = values.get("urls")
    if isinstance(urls, str):  # of a file
        values["urls"] = tuple(line.strip() for line in urls.splitlines() if line.strip())
    return _build(reading, ("push",), PushConfig, values)


def _dead_man(reading: ParsedSources, table: Table) -> DeadManConfig:
    return _build(reading, ("dead_man",), DeadManConfig, _with_secret(reading, "dead_man", table, "url"))


def _with_secret(reading: ParsedSources, name: str, table: Table, key: str) -> dict[str, Any]:
    """Return a table with the secret `key` in it, which may stand in a file that `key`_file names."""
    in_file = f"{key}_file"
    values = _without(table, in_file)
    if in_file in table:
        if key in table:
            reason = f"{key} and {in_file} are given, one is wanted"
            reading.add(Problem(key=(name, in_file), reason=reason, remedy=f"keep {in_file}"))
        values[key] = _secret(reading, (name, in_file), table[in_file])
        if not values[key]:
            reading.left_out.add((name, key))  # its file is complained of
    return values


def _system(reading: ParsedSources, table: Table) -> SystemConfig:
    """Return the watch's own alarms and its good-night test; an alarm that it does not have is a problem."""
    alarms = []
    for name, written in table.get("alarm", {}).items():
        if name in system.KINDS:
            alarms.append(default_alarm(AlarmKind(name), **written))
        else:
            reading.add(unknown_key(("system", "alarm", name), system.KINDS))
    return SystemConfig(alarms=tuple(alarms), **_without(table, "alarm"), **_rehearsal(reading))


def _rehearsal(reading: ParsedSources) -> dict[str, Any]:
    """Return when the good-night test begins by itself, and how long it may wait."""
    table, house = reading.document.get("rehearsal", {}), reading.document.get("people", {})
    zone = zone_of(reading, ("rehearsal", "zone"), table["zone"]) if "zone" in table else house.get("zone")
    values = {"rehearse_zone": zone, "rehearse_within_s": table.get("within_s")}
    if "at" in table:
        values["rehearse_at_min"] = minute_of(reading, ("rehearsal", "at"), table["at"], example="21:30")
    return {name: value for name, value in values.items() if value is not None}


def _simulation(table: Table) -> Simulation:
    epoch = {"epoch_us": (table["epoch"] - _EPOCH) // _MICROSECOND} if "epoch" in table else {}
    return Simulation(**epoch, **_without(table, "epoch"))
