"""The instrument's side of the wire. IEEE 488.2 and SCPI-1999 are cited from memory."""

import math
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.instrument import ERRORS, Reading, ScpiInstrument, garbled, number_text, spellings

HELD = Reading(0.1712, 20.13)
NO_ERROR = b'0,"No error"\n'


def instrument(measure: Callable[[], Reading | None] = lambda: HELD) -> ScpiInstrument:
    return ScpiInstrument(measure, serial="SIM0042")


def ask(text: str, device: ScpiInstrument | None = None) -> str:
    return (device or instrument()).receive(text.encode() + b"\n").decode().removesuffix("\n")


@pytest.mark.parametrize(
    ("query", "reply"),
    [
        ("*IDN?", "VATVIGIL,SIMULATED ELECTRODE,SIM0042,0.1.0"),
        ("*OPC?", "1"),
        ("*TST?", "0"),
        ("*ESR?", "128"),  # power on, IEEE 488.2 11.5.1
        ("*ESE?", "0"),
        ("*SRE?", "0"),
        ("*STB?", "0"),
        ("SYSTem:ERRor?", '0,"No error"'),
        ("SYSTem:ERRor:COUNt?", "0"),
        ("SYSTem:VERSion?", "1999.0"),
        ("MEASure:VOLTage:DC?", "+1.712000E-01"),
        ("MEASure:TEMPerature?", "+2.013000E+01"),
    ],
)
def test_every_query_has_its_reply(query: str, reply: str) -> None:
    assert ask(query) == reply


@pytest.mark.parametrize("command", ["*CLS", "*RST", "*WAI", "*OPC", "*ESE 32", "*SRE 4", "", ";", " ; ", "\r"])
def test_a_command_is_silent_and_makes_no_error(command: str) -> None:
    device = instrument()
    assert (device.receive(command.encode() + b"\n"), ask("SYST:ERR?", device)) == (b"", '0,"No error"')


@pytest.mark.parametrize(
    "query",
    [
        "MEASURE:VOLTAGE:DC?",
        "measure:voltage:dc?",
        "MEAS:VOLT:DC?",
        "meas:VOLTage?",
        ":MEAS:SCAL:VOLT?",
        ":MEASure:SCALar:VOLTage:DC?",
        "  meas:volt?  ",
        "\tMEAS:VOLT?\r",
    ],
)
def test_long_and_short_forms_in_any_case_are_the_same(query: str) -> None:
    assert ask(query) == "+1.712000E-01"


@pytest.mark.parametrize("query", ["MEASU:VOLT?", "MEA:VOLT?", "MEAS:VOLTA?", "MEAS?", "MEAS:VOLT:AC?", "MEAS:VOLT"])
def test_neither_long_nor_short_is_an_undefined_header(query: str) -> None:
    # SCPI-1999 vol. 1, 6.2.1: only the exact long and the exact short form are accepted
    device = instrument()
    assert (device.receive(query.encode() + b"\n"), ask("SYST:ERR?", device)) == (b"", '-113,"Undefined header"')


def test_spellings_are_every_mix_of_forms_and_optional_nodes() -> None:
    assert sorted(spellings("SYSTem:ERRor[:NEXT]?")) == sorted(
        f"{s}:{e}{n}?" for s in ("SYST", "SYSTEM") for e in ("ERR", "ERROR") for n in ("", ":NEXT")
    )


@pytest.mark.parametrize(
    ("message", "reply"),
    [
        ("MEAS:VOLT?;TEMP?", "+1.712000E-01;+2.013000E+01"),  # the path stays at MEASure
        ("MEAS:VOLT?;:MEAS:TEMP?", "+1.712000E-01;+2.013000E+01"),  # a leading colon goes back to the root
        ("SYST:VERS?;*OPC?;ERR?", '1999.0;1;0,"No error"'),  # a common command leaves the path alone
        ("*OPC?;MEAS:TEMP?", "1;+2.013000E+01"),
        (":SYST:ERR:NEXT?;COUN?", '0,"No error";0'),
        ("*OPC?;", "1"),
    ],
)
def test_compound_messages_follow_the_path_rules(message: str, reply: str) -> None:
    # SCPI-1999 vol. 1, 6.2.4; replies of one message share one line, IEEE 488.2, 8.4.1
    assert ask(message) == reply


def test_a_header_below_a_leaf_is_undefined() -> None:
    device = instrument()
    assert ask("MEAS:VOLT:DC?;TEMP?", device) == "+1.712000E-01"  # would be MEAS:VOLT:TEMP?
    assert ask("SYST:ERR?", device) == '-113,"Undefined header"'


@pytest.mark.parametrize(
    ("message", "number", "event"),
    [  # SCPI-1999 vol. 2, 21.8; event bits IEEE 488.2, 11.5.1: 32 command, 16 execution, 8 device dependent
        ("FOO?", -113, 32),
        ("*FOO?", -113, 32),
        ("?", -102, 32),
        ("MEAS::VOLT?", -102, 32),
        ("MEAS:VOLT??", -102, 32),
        ("m\u00e9as:volt?", -101, 32),
        ("MEAS:VOLT? 1", -108, 32),
        ("*ESE", -109, 32),
        ("*ESE ON", -104, 32),
        ("*ESE 1,2", -108, 32),
        ("*ESE 256", -222, 16),
        ("*ESE -1", -222, 16),
        ("*ESE 1E999", -222, 16),
        ("x" * 2000, -363, 8),
    ],
)
def test_an_error_has_the_standards_number_and_event_bit(message: str, number: int, event: int) -> None:
    device = instrument()
    ask("*CLS", device)
    assert ask(message, device) == ""
    assert ask("*ESR?;*STB?;:SYST:ERR?", device) == f'{event};20;{number},"{ERRORS[number]}"'
    assert device.receive(b"SYST:ERR?\n") == NO_ERROR


def test_measuring_that_fails_is_a_hardware_error_without_reply() -> None:
    device = instrument(lambda: None)
    assert (ask("MEAS:VOLT?", device), ask("SYST:ERR?", device)) == ("", '-240,"Hardware error"')


def test_errors_come_out_oldest_first_and_overflow_replaces_the_newest() -> None:
    # SCPI-1999 vol. 2, 21.8.1
    device = instrument()
    ask("*ESE", device)
    for _ in range(20):
        ask("FOO?", device)
    assert ask("SYST:ERR:COUN?", device) == "16"
    numbers = [ask("SYST:ERR?", device).split(",")[0] for _ in range(17)]
    assert numbers == ["-109", *["-113"] * 14, "-350", "0"]


def test_what_follows_an_error_in_a_message_is_dropped_and_what_came_before_is_answered() -> None:
    device = instrument()
    assert ask("*OPC?;FOO?;*OPC?", device) == "1"
    assert ask("SYST:ERR:COUN?", device) == "1"


def test_registers_keep_rounded_values_and_the_unused_bit_of_the_service_mask_is_dropped() -> None:
    # IEEE 488.2, 10.10 and 11.3.2
    device = instrument()
    assert ask("*ESE 35.6;*SRE 255;*ESE?;*SRE?", device) == "36;191"


def test_the_status_byte_sums_up_errors_and_enabled_events() -> None:
    # IEEE 488.2, 11.2: bit 5 event summary, bit 6 master summary; SCPI: bit 2 error queue
    device = instrument()
    ask("*CLS;*ESE 32;*SRE 32;FOO?", device)
    assert int(ask("*STB?", device)) == 4 + 32 + 64
    ask("*CLS", device)
    assert ask("*STB?", device) == "0"


def test_operation_complete_sets_its_bit_and_reading_the_events_clears_them() -> None:
    device = instrument()
    assert [ask(text, device) for text in ("*CLS", "*OPC", "*ESR?", "*ESR?")] == ["", "", "1", "0"]


@pytest.mark.parametrize(
    ("value", "text"),
    [  # SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5
        (math.inf, "9.9E37"),
        (-math.inf, "-9.9E37"),
        (math.nan, "9.91E37"),
        (-0.0123, "-1.230000E-02"),
        (0.0, "+0.000000E+00"),
    ],
)
def test_infinity_and_not_a_number_have_the_standards_values(value: float, text: str) -> None:
    assert number_text(value) == text


def test_line_feed_and_carriage_return_line_feed_both_end_a_message() -> None:
    assert instrument().receive(b"*OPC?\r\n*OPC?\n") == b"1\n1\n"


MESSAGES = (
    b"*IDN?\nMEAS:VOLT?;TEMP?\r\nFOO?\n:SYST:ERR?\n" + b"y" * 1500 + b"\n*ESE 7;*ESE?\n\nSYST:ERR?\n*OPC?\xff\nSYST:"
)


@given(st.lists(st.integers(0, len(MESSAGES)), max_size=12))
def test_replies_do_not_depend_on_how_the_bytes_are_cut(cuts: list[int]) -> None:
    places = [0, *sorted(cuts), len(MESSAGES)]
    device = instrument()
    pieces = [device.receive(MESSAGES[a:b]) for a, b in pairwise(places)]
    assert b"".join(pieces) == instrument().receive(MESSAGES)


def test_byte_by_byte_is_the_same_as_whole() -> None:
    device = instrument()
    assert b"".join(device.receive(bytes([b])) for b in MESSAGES) == instrument().receive(MESSAGES)


PIECES = st.sampled_from(
    [b"MEAS", b":", b";", b"?", b"*", b"*ESE ", b"VOLT", b"\n", b" ", b"\x00", b"9" * 400, b"\xe9", b","]
)


@given(st.one_of(st.binary(max_size=3000), st.lists(PIECES, max_size=60).map(b"".join)))
def test_no_bytes_make_it_raise_or_stop_working(data: bytes) -> None:
    device = instrument()
    device.receive(data)
    device.receive(b"\n*CLS\n")
    assert device.receive(b"MEAS:VOLT?;:SYST:ERR?\n") == b"+1.712000E-01;" + NO_ERROR


@given(st.floats(-5, 5))
def test_a_garbled_reply_is_no_ascii_but_ends_as_it_should(chance: float) -> None:
    reply = garbled(b"+1.712000E-01\n", chance)
    assert (len(reply), reply[-1:], reply.isascii()) == (14, b"\n", False)
