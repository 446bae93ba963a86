"""[probe.<id>.modbus] -> `ModbusConfig`. Law: that of `convert.py`: what is missing is reported here."""

from typing import Any, Final

from logger.config.modbus import ModbusConfig, RegisterConfig, StatusConfig
from logger.settings.document import ModbusTable, RegisterTable, StatusTable
from logger.settings.problems import Key, Problem
from logger.settings.reading import ParsedSources

QUANTITIES: Final = ("potential", "ph", "temperature")


def modbus_of(reading: ParsedSources, key: Key, table: ModbusTable) -> ModbusConfig:
    """Return what a table says of the registers."""
    made: dict[str, Any] = table.given(*QUANTITIES, "status")
    for name in QUANTITIES:
        if getattr(table, name) is not None:
            made[name] = _register(reading, (*key, name), getattr(table, name))
    if table.status is not None:
        made["status"] = _status(reading, (*key, "status"), table.status)
    return ModbusConfig(**made)


def _register(reading: ParsedSources, key: Key, table: RegisterTable) -> RegisterConfig:
    _wanted(reading, (*key, "number"), table.number)
    no_value = tuple(table.no_value or ())
    return RegisterConfig(number=table.number or 0, no_value=no_value, **table.given("number", "no_value"))


def _status(reading: ParsedSources, key: Key, table: StatusTable) -> StatusConfig:
    _wanted(reading, (*key, "number"), table.number)
    if not table.bits:
        remedy = "write bits = [0, 3]: the numbers of the bits that mean that there is no value"
        reading.add(Problem(key=(*key, "bits"), reason="it is missing or empty", remedy=remedy))
    return StatusConfig(number=table.number or 0, bits=tuple(table.bits or ()))


def _wanted(reading: ParsedSources, key: Key, number: int | None) -> None:
    if number is None:
        remedy = "write number = (of its first register, counted from 0; many manuals count from 1 or from 40001)"
        reading.add(Problem(key=key, reason="it is missing", remedy=remedy))
