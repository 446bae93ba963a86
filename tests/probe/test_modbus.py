"""Registers against numbers that anybody can check; what cannot be a value is a reason and a sentence."""

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config.modbus import NumberType, RegisterConfig, Unit, WordOrder
from logger.model import Reason
from logger.probe import modbus
from logger.probe.modbus import ModbusFault, RegisterSpan

FLOAT = RegisterConfig(number=0)
LOW_FIRST = RegisterConfig(number=0, word_order=WordOrder.LOW_FIRST)


def words(value: float) -> tuple[int, int]:
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return high, low


def test_a_request_and_its_reply_are_the_published_ones() -> None:
    # MODBUS Application Protocol V1.1b3, 6.3, from memory: registers 108 to 110 hold 555, 0, 100
    assert modbus.read_request(3, RegisterSpan(start=0x6B, count=3)) == b"\x03\x00\x6b\x00\x03"
    assert modbus.registers(b"\x03\x06\x02\x2b\x00\x00\x00\x64", function=3, count=3) == (555, 0, 100)


@pytest.mark.parametrize(
    ("registers", "config", "value"),
    [
        # IEEE 754 single precision: 1.0 is 3f800000, 100.0 is 42c80000 (any table of examples)
        ((0x42C8, 0x0000), FLOAT, 100.0),
        ((0x0000, 0x42C8), LOW_FIRST, 100.0),
        ((0x3F80, 0x0000), RegisterConfig(number=0, unit=Unit.VOLT), 1000.0),
        ((0xFFFF,), RegisterConfig(number=0, type=NumberType.INT16, scale=0.1), -0.1),
        ((1712,), RegisterConfig(number=0, type=NumberType.INT16, scale=0.1), pytest.approx(171.2)),
        ((1000,), RegisterConfig(number=0, type=NumberType.UINT16, offset=-900.0), 100.0),
        ((0xFFFF, 0xFF9C), RegisterConfig(number=0, type=NumberType.INT32), -100.0),
        ((0x0001, 0x86A0), RegisterConfig(number=0, type=NumberType.UINT32, scale=0.001), pytest.approx(100.0)),
    ],
)
def test_registers_become_millivolts(registers: tuple[int, ...], config: RegisterConfig, value: float) -> None:
    assert modbus.number(registers, "potential", config) == value


@pytest.mark.parametrize(("unit", "raw"), [(Unit.CELSIUS, 20.0), (Unit.KELVIN, 293.15), (Unit.FAHRENHEIT, 68.0)])
def test_temperatures_become_celsius(unit: Unit, raw: float) -> None:
    config = RegisterConfig(number=0, unit=unit)
    assert modbus.number(words(raw), "temperature", config) == pytest.approx(20.0, abs=1e-4)


def fault(*arguments: object) -> tuple[Reason, str]:
    found = modbus.number(*arguments)  # type: ignore[arg-type]
    assert isinstance(found, ModbusFault)
    return found.reason, found.text


@pytest.mark.parametrize("value", [20.1, -20.1, 171.2, 0.1712, 293.15, 4.6, -59.16])
def test_the_wrong_order_of_words_is_refused_and_named(value: float) -> None:
    reason, text = fault(words(value), "temperature", LOW_FIRST)
    assert reason is Reason.GARBLED
    assert 'most likely the order of words: try word_order = "high-first"' in text


@pytest.mark.parametrize(
    ("registers", "config", "reason"),
    [
        (words(math.nan), FLOAT, Reason.NOT_A_NUMBER),
        (words(math.inf), FLOAT, Reason.OVERRANGE),
        (words(-math.inf), FLOAT, Reason.OVERRANGE),
        ((0x8000,), RegisterConfig(number=0, type=NumberType.INT16, no_value=(-32768,)), Reason.NOT_A_NUMBER),
        ((0x7FFF,), RegisterConfig(number=0, type=NumberType.INT16), Reason.GARBLED),
        (words(2001.0), FLOAT, Reason.GARBLED),
    ],
)
def test_what_is_no_potential_has_a_reason(registers: tuple[int, ...], config: RegisterConfig, reason: Reason) -> None:
    assert fault(registers, "potential", config)[0] is reason


@pytest.mark.parametrize(
    ("pdu", "reason", "text"),
    [
        (b"\x83\x02", Reason.INSTRUMENT_ERROR, "ILLEGAL DATA ADDRESS"),
        (b"\x83\x0b", Reason.TIMEOUT, "nothing answers behind the gateway"),
        (b"\x83\x63", Reason.INSTRUMENT_ERROR, "exception 99, which the standard does not know"),
        (b"\x04\x04\x00\x00\x00\x00", Reason.GARBLED, "the reply is to function 4, asked was 3"),
        (b"\x03\x02\x00\x00", Reason.GARBLED, "has 2 bytes of registers, asked for were 4"),
        (b"\x03\x04\x00\x00", Reason.GARBLED, "has 2 bytes of registers, asked for were 4"),
        (b"\x03\x04\x00\x00\x00\x00\x00", Reason.GARBLED, "has 5 bytes of registers, asked for were 4"),
    ],
)
def test_a_reply_that_brings_no_registers_says_why(pdu: bytes, reason: Reason, text: str) -> None:
    found = modbus.registers(pdu, function=3, count=2)
    assert isinstance(found, ModbusFault)
    assert (found.reason, text in found.text) == (reason, True)


@given(st.binary(min_size=2, max_size=260))
def test_registers_of_any_bytes_are_as_many_as_asked_for_or_none(pdu: bytes) -> None:
    found = modbus.registers(pdu, function=3, count=2)
    if not isinstance(found, ModbusFault):
        assert pdu == struct.pack(">BBHH", 3, 4, *found)
    assert isinstance(modbus.identity(pdu), str | ModbusFault)


@given(st.tuples(st.integers(0, 65535), st.integers(0, 65535)), st.sampled_from(["potential", "ph", "temperature"]))
def test_numbers_of_any_registers_can_be_the_quantity_or_are_none(pair: tuple[int, int], quantity: str) -> None:
    for config in (FLOAT, LOW_FIRST, RegisterConfig(number=0, type=NumberType.INT32, scale=0.01)):
        value = modbus.number(pair, quantity, config)
        if not isinstance(value, ModbusFault):
            assert -2000.0 <= value <= 2000.0


def test_an_identification_is_read_and_a_request_that_is_not_known_is_no_fault() -> None:
    objects = b"\x00\x04Acme\x01\x03VAT\x02\x011"
    assert modbus.identity(b"\x2b\x0e\x01\x01\x00\x00\x03" + objects) == "Acme,VAT,1"
    assert modbus.identity(b"\xab\x01") == ""
    for broken in (
        b"\x2b\x0e\x01\x01\x00\x00\x03" + objects[:-1],
        b"\x2b\x0e\x01\x01\x00\x00\x02" + objects,
        b"\x2b\x0e",
    ):
        assert isinstance(modbus.identity(broken), ModbusFault)


def test_registers_that_touch_are_read_together_and_holes_are_not_read() -> None:
    wanted = [
        RegisterSpan(start=2, count=2),
        RegisterSpan(start=0, count=2),
        RegisterSpan(start=6, count=1),
        RegisterSpan(start=3, count=1),
    ]
    assert modbus.register_spans(wanted) == [RegisterSpan(start=0, count=4), RegisterSpan(start=6, count=1)]
