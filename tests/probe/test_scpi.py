"""The codec against IEEE 488.2 and SCPI-99 (from memory), fed whole, byte by byte and with trailing bytes."""

import math
import random

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from logger.model import Reason
from logger.probe import scpi
from logger.probe.identity import identity_fault
from tests.probe.mass_replies import REPLIES

# IEEE 488.2-1992 8.7.2 to 8.7.4: NR1, NR2 and NR3 responses; from memory.
NUMBERS = [(b"0", 0.0), (b"+1", 1.0), (b"-0.05916", -0.05916), (b"1.7120E-01", 0.1712), (b"3.e-1", 0.3), (b".25", 0.25)]

# SCPI-99 volume 1 chapter 7: 9.9E37 is infinity, 9.91E37 is not a number; from memory.
NO_VALUES = [
    (b"9.9E37", Reason.OVERRANGE),
    (b"+9.900000E+37", Reason.OVERRANGE),
    (b"-9.9E37", Reason.OVERRANGE),
    (b"9.91E37", Reason.NOT_A_NUMBER),
    (b"9.910000E+37", Reason.NOT_A_NUMBER),
]

GARBAGE = [
    b"",
    b" ",
    b".",
    b"+",
    b"E5",
    b"1e",
    b"nan",
    b"inf",
    b"0x1F",
    b"1_000",
    b"1,5",
    b"0.1;0.2",
    b"0.1 0.2",
    b"--1",
    b"1\x00",
    b"\xb2",  # a superscript two is a digit to str.isdigit, not to the standard
    "\u0661".encode(),  # an Arabic one
    b"0.17\xff",
    b"1E999",
    b"1" * 257,
    b"0." + b"0" * 300,
]


@pytest.mark.parametrize(("line", "volts"), NUMBERS)
def test_a_number_in_volts_becomes_millivolts(line: bytes, volts: float) -> None:
    assert scpi.parse_value(line, scpi.POTENTIAL) == pytest.approx(volts * 1000, abs=1e-12)


@pytest.mark.parametrize(("line", "celsius"), NUMBERS)
def test_a_number_in_celsius_stays_celsius(line: bytes, celsius: float) -> None:
    assert scpi.parse_value(line, scpi.TEMPERATURE) == celsius


@pytest.mark.parametrize(("line", "reason"), NO_VALUES)
def test_the_numbers_that_are_no_readings_are_reasons(line: bytes, reason: Reason) -> None:
    assert scpi.parse_value(line, scpi.POTENTIAL) is reason


@pytest.mark.parametrize("line", GARBAGE)
def test_garbage_is_garbled(line: bytes) -> None:
    assert scpi.parse_value(line, scpi.TEMPERATURE) is Reason.GARBLED


@pytest.mark.parametrize("line", [b"11", b"-11", b"1E30"])
def test_a_potential_that_no_electrode_has_is_garbled(line: bytes) -> None:
    assert scpi.parse_value(line, scpi.POTENTIAL) is Reason.GARBLED


@given(st.binary(max_size=300))
@example(b"9.9E37")
def test_any_bytes_are_a_finite_number_or_a_reason(line: bytes) -> None:
    value = scpi.parse_value(line, scpi.POTENTIAL)
    assert isinstance(value, Reason) or math.isfinite(value)


@given(st.floats(min_value=-9.0, max_value=9.0))
def test_every_printed_potential_is_read_back(volts: float) -> None:
    assert scpi.parse_value(f"{volts:.6E}".encode(), scpi.POTENTIAL) == pytest.approx(volts * 1000, abs=1e-2)


# SCPI-99 volume 1 chapter 21: number, comma, quoted description; -113 is "Undefined header". From memory.
@pytest.mark.parametrize(
    ("line", "code", "text"),
    [(b'0,"No error"', 0, "No error"), (b'-113,"Undefined header"', -113, "Undefined header"), (b'+0,""', 0, "")],
)
def test_a_queued_error_has_a_code_and_a_text(line: bytes, code: int, text: str) -> None:
    assert scpi.parse_error(line) == scpi.QueuedError(code=code, text=text)


# IEEE 488.2-1992 10.14: four fields; from memory.
def test_an_identity_has_four_fields() -> None:
    assert scpi.parse_identity(b"Acorn Benchworks,VAT-1,0007,1.0") == "Acorn Benchworks,VAT-1,0007,1.0"


@pytest.mark.parametrize(
    "line", [b"1.7E-1", b'0,"No error"', b'-113,"a,b,c,d"', b"a,b,c", b"a,b,c,\x07", b"a,b,c,\xe9"]
)
def test_what_is_no_identity_is_not_taken_for_one(line: bytes) -> None:
    assert scpi.parse_identity(line) is None


@given(st.binary(max_size=300))
def test_no_line_can_be_the_reply_to_two_kinds_of_query(line: bytes) -> None:
    kinds = [
        isinstance(scpi.parse_value(line, scpi.TEMPERATURE), float),
        scpi.parse_error(line) is not None,
        scpi.parse_identity(line) is not None,
    ]
    assert sum(kinds) <= 1


@pytest.mark.parametrize(
    ("identity", "expected", "simulated", "fault"),
    [
        ("Acorn,VAT-1,0007,1.0", None, False, ""),
        ("Acorn,VAT-1,0007,1.0", "0007", False, ""),
        ("Acorn,SIMULATED,1,1", None, True, ""),
        (
            "Acorn,VAT-1,0007,1.0",
            "0008",
            False,
            "the instrument says it is 'Acorn,VAT-1,0007,1.0', which does not contain the configured identity '0008'",
        ),
        (
            "Acorn,simulated,1,1",
            None,
            False,
            "a simulated instrument answers (Acorn,simulated,1,1) where the configuration wants a real one",
        ),
        (
            "Acorn,VAT-1,1,1",
            None,
            True,
            "a real instrument answers (Acorn,VAT-1,1,1) where the configuration wants a simulated one",
        ),
    ],
)
def test_the_wrong_instrument_is_told_by_its_identity(
    identity: str, expected: str | None, *, simulated: bool, fault: str
) -> None:
    assert identity_fault(identity, expected, simulated=simulated) == fault


DIGITS = b"0123456789"


def is_number(line: bytes) -> bool:
    """Read IEEE 488.2's NRf by hand, byte by byte: sign, digits with one point, exponent; independent of the codec."""
    text = line.strip(b" \t")
    mantissa, mark, exponent = text.replace(b"e", b"E").partition(b"E")
    whole, _, part = mantissa.removeprefix(b"-" if mantissa[:1] == b"-" else b"+").partition(b".")
    power = exponent.removeprefix(b"-" if exponent[:1] == b"-" else b"+")
    digits = all(byte in DIGITS for byte in whole + part + power)
    return digits and bool(whole + part) and bool(power) == bool(mark)


@REPLIES
def test_masses_of_mutated_replies_give_no_value_that_is_no_number(replies: int) -> None:
    chance, read = random.Random(1), 0  # noqa: S311 - the same replies each time, no secret
    for _ in range(replies):
        line = bytearray(f"{chance.uniform(-1, 1):+.{chance.randint(0, 6)}{chance.choice('fEg')}}".encode())
        for _ in range(chance.randint(0, 3)):
            at = chance.randint(0, len(line))
            line[at : at + chance.randint(0, 1)] = chance.choice([chance.randbytes(1), b".", b"E", b"-", b"9", b" "])
        value = scpi.parse_value(bytes(line), scpi.POTENTIAL)
        if not isinstance(value, Reason):
            read += 1
            assert (is_number(bytes(line)), value) == (True, float(line) * 1e3), line
    assert read > replies // 10  # or nothing was tried
