"""The simulated probe of text lines: its forms, each against a reading of it that shares nothing with the simulator."""

import math
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from simulator.instrument import Reading
from simulator.text import QUERY, Style, TextInstrument


def probe(style: Style, potential_v: float = 0.1712, temperature_c: float = 20.1) -> TextInstrument:
    return TextInstrument(lambda: Reading(potential_v, temperature_c), serial="SIM0001", style=style)


@pytest.mark.parametrize("query", [b"READ?\r\n", b"READ?\n", b"READ?\r", b" READ? \n", b"\x00\xff\r\nREAD?\n"])
def test_a_query_is_answered_by_one_line(query: bytes) -> None:
    assert probe(Style.ASKED).receive(query) == b"SIMULATED SIM0001 E=+171.2 mV T=20.10 C\r\n"


def test_a_query_that_comes_in_pieces_is_answered_once() -> None:
    asked = probe(Style.ASKED)
    said = [asked.receive(piece) for piece in (b"", b"REA", b"D?", b"\r", b"\n")]
    assert [bool(line) for line in said] == [False, False, False, True, False]
    assert asked.receive(b"NONE?\n") == b""


# k(25 C) = 59.16 mV, the value of every textbook; 7 - 171.2 / 58.17 at 20 C.
@pytest.mark.parametrize(("millivolts", "celsius", "ph"), [(59.16, 25.0, 6.0), (171.2, 20.0, 4.057), (0.0, 5.0, 7.0)])
def test_its_own_ph_is_that_of_an_ideal_slope(millivolts: float, celsius: float, ph: float) -> None:
    line = probe(Style.PH, millivolts / 1e3, celsius).receive(b"READ?\n").decode()
    found = re.fullmatch(r"SIMULATED SIM0001 pH (\S+) (\S+) C\r\n", line)
    assert found is not None
    assert float(found[1]) == pytest.approx(ph, abs=0.002)


def test_a_printing_probe_says_one_line_a_second_and_answers_nothing() -> None:
    printing = probe(Style.PRINTING)
    said = [printing.unsolicited(tenth / 10) for tenth in range(30)]
    assert [tenth for tenth, line in enumerate(said) if line] == [0, 10, 20]
    assert printing.receive(b"READ?\r\n") == b""


def test_a_printed_line_ends_in_the_xor_of_what_stands_between_its_marks() -> None:
    found = re.fullmatch(rb"\$(.*)\*([0-9A-F]{2})\r\n", probe(Style.PRINTING).unsolicited(0.0))
    assert found is not None
    value = 0
    for byte in found[1]:
        value ^= byte
    assert f"{value:02X}".encode() == found[2]
    assert found[1] == b"SIMULATED,SIM0001,+171.2 mV,20.10 C"


@pytest.mark.parametrize("style", [Style.ASKED, Style.PH])
def test_where_a_value_is_missing_a_word_stands(style: Style) -> None:
    assert b"OVER" in probe(style, math.inf).receive(b"READ?\n") or style is Style.PH
    assert b"----" in probe(style, 0.1, math.nan).receive(b"READ?\n")
    dead = TextInstrument(lambda: None, serial="SIM0001", style=style)
    assert dead.receive(b"READ?\n") == b"SIMULATED SIM0001 ERR\r\n"


@given(st.sampled_from(Style), st.lists(st.binary(max_size=2000) | st.sampled_from([QUERY, b"\r", b"\n"]), max_size=5))
@example(Style.ASKED, [QUERY])  # a query without its end, which the next piece brings
def test_no_bytes_disturb_it(style: Style, pieces: list[bytes]) -> None:
    speaks = probe(style)
    for piece in pieces:
        speaks.receive(piece)
    speaks.receive(b"\n")
    assert speaks.receive(b"READ?\n").count(b"\r\n") == (style is not Style.PRINTING)
