"""The layout of the file comes from the structs; pydantic is the judge of their bounds."""

from pathlib import Path
from typing import Any

import pytest

from logger.config import (
    AlarmConfig,
    AlarmKind,
    BufferConfig,
    CalibrationLimits,
    ErrorModel,
    HookConfig,
    MqttConfig,
    ProbeConfig,
    QualityLimits,
    ScpiConfig,
    Simulation,
    SystemConfig,
    TargetConfig,
    TextConfig,
    VatConfig,
)
from logger.config.modbus import ModbusConfig, RegisterConfig
from logger.settings.document import table
from tests.settings.files import PROBE, STORE, VAT, WHOLE, complaints, loaded

OBJECTS = [
    AlarmConfig(id="a", kind=AlarmKind.PH_HIGH),
    BufferConfig(id="b"),
    CalibrationLimits(),
    ErrorModel(),
    HookConfig(command=("/bin/true",)),
    ModbusConfig(),
    MqttConfig(),
    ProbeConfig(id="p", port="/dev/ttyUSB0"),
    QualityLimits(),
    RegisterConfig(number=0),
    ScpiConfig(),
    Simulation(),
    SystemConfig(),
    TargetConfig(),
    TextConfig(pattern="x", example="x"),
    VatConfig(id="v", name="v", probe="p"),
]


@pytest.mark.parametrize("config", OBJECTS, ids=lambda config: type(config).__name__)
def test_every_default_keeps_to_its_bounds(config: Any) -> None:  # noqa: ANN401 - any of the structs
    values = {name: getattr(config, name) for name in config.__struct_fields__}
    plain = {name: value for name, value in values.items() if isinstance(value, str | int | float | tuple)}
    assert table(type(config)).model_validate(plain).model_fields_set == set(plain)


@pytest.mark.parametrize(("key", "ends"), [("check_tolerance_ph", (0.005, 1)), ("data_bits", (7, 8))])
def test_both_ends_of_a_range_are_part_of_it(file: Path, key: str, ends: tuple[float, float]) -> None:
    for value in ends:
        assert getattr(loaded(file, STORE + PROBE + f"{key} = {value}\n" + VAT).probes[0], key) == value


def test_a_serial_number_may_be_empty_but_not_blank_and_a_port_neither(file: Path) -> None:
    assert loaded(file, STORE + PROBE + 'electrode = ""\n' + VAT).probes[0].electrode == ""
    assert complaints(file, STORE + PROBE + 'electrode = " "\n' + VAT) == [
        'FILE: probe.p.electrode = " ": this must be at most 60 printable characters; write another text'
    ]
    assert complaints(file, WHOLE.replace("/dev/ttyUSB0", "")) == [
        'FILE: probe.p.port = "": this must be 1 to 200 printable characters; write another text'
    ]


def test_a_list_of_numbers_is_asked_for_as_such(file: Path) -> None:
    status = "modbus = { potential = { number = 0 }, temperature = { number = 2 }, status = { number = 4, bits = 3 } }"
    assert complaints(file, STORE + PROBE + f'protocol = "modbus-rtu"\n{status}\n' + VAT) == [
        "FILE: probe.p.modbus.status.bits = 3: a list of whole numbers is wanted; write it as [0, 3]"
    ]
