"""Check what a configuration must mean to be run: references, contradictions, names.

Law: pure but for a look at files that it names; every check looks at the finished objects, so that defaults are checked
like what was written. A check that cannot judge, because what it needs is missing, is silent: the missing is reported
elsewhere.
"""

from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Final

from logger.config import BufferConfig, Config, ProbeConfig
from logger.errors import RefusedError
from logger.measure import buffers
from logger.probe.protocols import entry
from logger.settings.probe_checks import probe_problems
from logger.settings.problems import Key, Problem, name_problems, suggestion, wrong
from logger.settings.service_checks import service_problems
from logger.settings.vat_checks import vat_problems

_OF_THE_LINE: Final = ("protocol", "baud", "parity", "data_bits", "stop_bits", "dtr", "rts", "record_bytes")


def problems(config: Config, *, broken_probes: Iterable[str] = ()) -> Iterator[Problem]:
    """Yield what is wrong; `broken_probes` are reported already, so that a reference to one is no second problem."""
    if not config.probes and not broken_probes:
        yield Problem(key=("probe",), reason="no probe is configured", remedy="add a table [probe.some-id] with a port")
    if not config.vats:
        yield Problem(
            key=("vat",), reason="no vat is configured", remedy="add a table [vat.some-id] that names its probe"
        )
    for probe in config.probes:
        yield from probe_problems(probe, accelerated=config.simulated)
    yield from shared_port_problems(config.probes)
    if config.vats:
        yield from _references(config, set(broken_probes))
    probes = {probe.id: probe for probe in config.probes}
    for vat in config.vats:
        yield from vat_problems(vat, probes.get(vat.probe))
    for buffer in config.buffers:
        yield from _buffer(buffer)
    yield from service_problems(config)


def _references(config: Config, broken: set[str]) -> Iterator[Problem]:
    probe_ids = {probe.id for probe in config.probes}
    users: dict[str, str] = {}
    for vat in config.vats:
        key = ("vat", vat.reference_of, "reference") if vat.reference_of else ("vat", vat.id, "probe")
        if vat.probe and vat.probe not in probe_ids | broken:
            yield wrong(key, vat.probe, "there is no such probe", suggestion(vat.probe, probe_ids))
        first = users.setdefault(vat.probe, vat.id) if vat.probe else vat.id
        if first != vat.id:
            remedy = "one probe watches one vat; name another probe"
            yield wrong(key, vat.probe, f"vat {first!r} has this probe already", remedy)
    idle = probe_ids - set(users) if users.keys() <= probe_ids else set()  # a mistyped reference is reported above
    for probe_id in sorted(idle):
        remedy = "name it in a vat, or remove its table"
        yield Problem(key=("probe", probe_id), reason="no vat has this probe", remedy=remedy)


def shared_port_problems(probes: Iterable[ProbeConfig]) -> Iterator[Problem]:
    """Yield why the probes of one port cannot share it."""
    ports: dict[str, list[ProbeConfig]] = {}
    for probe in probes:
        ports.setdefault(probe.port, []).append(probe)
    for port, on_port in ports.items():
        for first, second in pairwise(on_port if port else []):
            yield from _pair(first, second)
        yield from _addresses(on_port if port else [])
    yield from _records(on_port[0] for on_port in ports.values())


def _records(probes: Iterable[ProbeConfig]) -> Iterator[Problem]:
    """Check that no two ports write their bytes into one file; takes a probe of each."""
    owners: dict[str, str] = {}
    for probe in probes:
        file = str(probe.record_bytes or "")
        first = owners.setdefault(file, probe.id) if file else probe.id
        if first != probe.id:
            reason = f"the bytes of the port of {first!r} go into this file"
            yield wrong(("probe", probe.id, "record_bytes"), file, reason, "name another file")


def _pair(first: ProbeConfig, second: ProbeConfig) -> Iterator[Problem]:
    key = ("probe", second.id, "port")
    here = f"probe {first.id!r} is at this port already"
    if entry(second.protocol).address_range is None:
        reason = f"{here}; the protocol {second.protocol} has no addresses to tell two apart"
        remedy = "give each probe a port of its own"
        yield wrong(key, second.port, reason, remedy)
        return
    for name in _OF_THE_LINE:
        mine, other = getattr(second, name), getattr(first, name)
        if mine != other:
            yield wrong(("probe", second.id, name), mine, f"{here}, with {name} = {other}", "a line has one of each")


def _addresses(probes: list[ProbeConfig]) -> Iterator[Problem]:
    owners: dict[int, str] = {}
    for probe in probes:
        if probe.modbus is None:
            continue
        first = owners.setdefault(probe.modbus.address, probe.id)
        if first != probe.id:
            key, reason = ("probe", probe.id, "modbus", "address"), f"probe {first!r} has this address on the same port"
            yield wrong(key, probe.modbus.address, reason, "give each instrument an address of its own")


def _buffer(buffer: BufferConfig) -> Iterator[Problem]:
    key = ("buffer", buffer.id)
    if buffer.values_ph and buffer.id in buffers.BUFFERS:
        remedy = "give yours a name of its own, or leave `values` out to use the table"
        yield Problem(key=(*key, "values"), reason="this is the name of a built-in table", remedy=remedy)
    elif buffer.values_ph:
        yield from name_problems(key)
        yield from _buffer_table(key, buffer)
    elif buffer.id not in buffers.BUFFERS:
        remedy = suggestion(buffer.id, buffers.BUFFERS)
        if not remedy.startswith("did you mean"):
            remedy = f'write values = {{"20" = 4.00, "25" = 4.01}} for one of your own; built in, {remedy}'
        yield Problem(key=key, reason="there is no such built-in buffer", remedy=remedy)


def _buffer_table(key: Key, buffer: BufferConfig) -> Iterator[Problem]:
    try:
        buffers.custom(buffer)
    except RefusedError as refused:
        reason, _, remedy = str(refused).partition(": ")
        yield Problem(key=(*key, "values"), reason=reason, remedy=remedy)
