"""What probes must say of their lines: framing, who may share a port, registers. Pure, like `checks.py`."""

import re
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Final

from logger.config import ProbeConfig
from logger.config.modbus import UNITS, ModbusConfig, NumberType, RegisterConfig
from logger.probe.protocols import entry
from logger.settings import ranges
from logger.settings.problems import Key, Problem
from logger.settings.ranges import wrong

_BAUDS: Final = (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)
_QUERY: Final = re.compile(
    r"[\x21-\x3a\x3c-\x7e][\x20-\x3a\x3c-\x7e]{0,98}\?(?: [\x21-\x3a\x3c-\x7e]{1,98})?", re.ASCII
)
"""Printable, no semicolon (two queries in one bring two numbers), the question mark perhaps before a parameter."""
_LAST_REGISTER: Final = 65535
_LAST_BIT: Final = 15
_OF_THE_LINE: Final = ("protocol", "baud", "parity", "data_bits", "stop_bits", "dtr", "rts", "record_bytes")


def line_problems(probe: ProbeConfig) -> Iterator[Problem]:
    """Yield what is wrong with how a probe is reached and speaks."""
    key = ("probe", probe.id)
    if probe.baud not in _BAUDS:
        remedy = f"use one of {', '.join(map(str, _BAUDS))}"
        yield wrong((*key, "baud"), probe.baud, "there is no such rate", remedy)
    yield from ranges.between((*key, "stop_bits"), probe.stop_bits, low=1, high=2)
    yield from ranges.between((*key, "data_bits"), probe.data_bits, low=7, high=8)
    if probe.data_bits == 7 and entry(probe.protocol).is_binary:  # noqa: PLR2004 - the line above names both
        yield wrong((*key, "data_bits"), 7, f"{probe.protocol} sends all eight bits", "remove it")
    if probe.modbus is None and probe.protocol.table == "modbus":
        remedy = f"add [probe.{probe.id}.modbus] with address and the registers of potential and temperature"
        yield Problem(key=(*key, "modbus"), reason="nothing says what its registers hold", remedy=remedy)
    if probe.modbus is not None and probe.protocol.table != "modbus":
        remedy = 'write protocol = "modbus-rtu" (or "modbus-tcp"), or remove the table'
        yield Problem(key=(*key, "modbus"), reason=f"the protocol is {probe.protocol}", remedy=remedy)
    elif probe.modbus is not None:
        yield from _modbus((*key, "modbus"), probe, probe.modbus)
    if probe.protocol.table == "scpi":
        yield from _scpi((*key, "scpi"), probe)
    yield from _temperature((*key, "assumed_temperature_c"), probe)
    if entry(probe.protocol).needs_network and "://" not in probe.port and probe.port:
        remedy = 'write port = "socket://host:502"'
        yield wrong((*key, "port"), probe.port, "Modbus TCP is spoken over a network", remedy)


def _scpi(key: Key, probe: ProbeConfig) -> Iterator[Problem]:
    for name in ("potential", "ph", "temperature"):
        query = getattr(probe.scpi, name)
        if query and not _QUERY.fullmatch(query):
            remedy = 'write one query such as "MEAS:VOLT:DC?", without what ends it'
            yield wrong((*key, name), query, "this is no query that brings one number", remedy)
    if not (probe.scpi.potential or probe.scpi.ph):
        remedy = "write the query for it, or for ph if the instrument reports no potential"
        yield wrong((*key, "potential"), "", "nothing asks for the potential", remedy)


def _temperature(key: Key, probe: ProbeConfig) -> Iterator[Problem]:
    assumed_c = probe.assumed_temperature_c
    if assumed_c is not None and probe.has_thermometer:
        yield wrong(
            key, assumed_c, "the probe reports its own temperature", "remove it, or do not read the thermometer"
        )
    yield from ranges.between(key, assumed_c, low=-2, high=60)
    told_elsewhere = probe.protocol.table == "text" or probe.description is None
    if assumed_c is None and not probe.has_thermometer and not told_elsewhere:
        remedy = "say where it reports one, or write assumed_temperature_c = (that of the vat)"
        yield Problem(key=key, reason="the probe reports no temperature, without which there is no pH", remedy=remedy)


def _modbus(key: Key, probe: ProbeConfig, here: ModbusConfig) -> Iterator[Problem]:
    if (addresses := entry(probe.protocol).address_range) is not None:
        yield from ranges.between((*key, "address"), here.address, low=addresses[0], high=addresses[1])
    if here.function not in (3, 4):
        remedy = "write 3 (holding registers) or 4 (input registers)"
        yield wrong((*key, "function"), here.function, "this function reads no registers", remedy)
    if here.potential is None and here.ph is None:
        remedy = "add potential = { number = ... }, or ph for a probe that reports no potential"
        yield Problem(key=(*key, "potential"), reason="no register holds the potential", remedy=remedy)
    if here.potential is not None and here.ph is not None:
        reason = "the potential is read and calibrated here, so the probe's own pH has no use"
        yield Problem(
            key=(*key, "ph"), reason=reason, remedy="remove it; keep it alone only for a probe without potential"
        )
    for name in UNITS:
        if getattr(here, name) is not None:
            yield from _register((*key, name), getattr(here, name))
    if here.status is not None:
        yield from ranges.between((*key, "status", "number"), here.status.number, low=0, high=_LAST_REGISTER)
        for bit in here.status.bits:
            yield from ranges.between((*key, "status", "bits"), bit, low=0, high=_LAST_BIT)
    if not here.identify:
        yield from _unidentified(key, probe)


def _unidentified(key: Key, probe: ProbeConfig) -> Iterator[Problem]:
    if probe.identity is not None:
        reason, remedy = "the identity cannot be checked without asking for it", "remove identity, or identify = false"
        yield Problem(key=(*key, "identify"), value="false", reason=reason, remedy=remedy)


def _register(key: Key, config: RegisterConfig) -> Iterator[Problem]:
    last = _LAST_REGISTER + 1 - config.type.registers
    yield from ranges.between((*key, "number"), config.number, low=0, high=last)
    units = UNITS[key[-1]]
    if config.unit is not None and config.unit not in units:
        remedy = f"use one of {', '.join(units)}"
        yield wrong((*key, "unit"), str(config.unit), f"this is no unit of {key[-1]} here", remedy)
    if config.scale == 0:
        remedy = "write what one step of the number counts, such as 0.1"
        yield wrong((*key, "scale"), config.scale, "every value would be the same", remedy)
    if config.no_value and config.type is NumberType.FLOAT32:
        remedy = "remove it: not-a-number and infinity are known"
        yield Problem(key=(*key, "no_value"), reason="this is for whole numbers", remedy=remedy)


def shared_problems(probes: Iterable[ProbeConfig]) -> Iterator[Problem]:
    """Yield what keeps probes from sharing a port."""
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
