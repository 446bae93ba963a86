"""Lines of invented instruments, whole, cut, mutated and random, and what a description makes of them."""

import math
import random
import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config import Checksum, TextConfig
from logger.model import Reason
from logger.probe.checksum import check_value
from logger.probe.line_buffer import LONGEST_LINE, LineBuffer
from logger.probe.textline import Description, TextFault, TextReading, mistakes
from logger.structs import replace
from tests.probe.mass_replies import REPLIES

PLAIN = TextConfig(
    pattern=r"(?P<mv>[-+]?\S+) mV +(?P<temperature>\S+) C",
    example="171.2 mV  20.1 C",
)
UNITS = TextConfig(
    pattern=r"E=(?P<value>[-+]? *\S+) (?P<unit>\w+)(?: T=(?P<temperature>\S+) ?°C)?",
    example="E=0.1712 V T=20.1 °C",
)
COMMA = TextConfig(pattern=r"(?P<ph>[\d,.]+)", example="4,52", decimal_comma=True)
SUMMED = TextConfig(
    pattern=r"\$(?P<checked>mv=(?P<mv>[-+]?\d+\.\d) t=(?P<temperature>\d+\.\d\d))\*(?P<checksum>[0-9A-F]{4})",
    example="$mv=+171.2 t=20.10*2E06",
    checksum=Checksum.CRC_16_MODBUS,
)


def summed(body: bytes) -> bytes:
    return b"$" + body + b"*%04X" % check_value(Checksum.CRC_16_MODBUS, body)


SUMMED = replace(SUMMED, example=summed(b"mv=+171.2 t=20.10").decode())


@pytest.mark.parametrize("text", [PLAIN, UNITS, COMMA, SUMMED])
def test_a_good_description_reads_its_own_example(text: TextConfig) -> None:
    assert list(mistakes(text)) == []


READ = [
    (PLAIN, b"171.2 mV  20.1 C", TextReading(potential_mv=171.2, temperature_c=20.1)),
    (PLAIN, b"-.5e1 mV 20 C", TextReading(potential_mv=-5.0, temperature_c=20.0)),
    (PLAIN, b"171.2 mV NaN C", TextReading(potential_mv=171.2, detail="the temperature 'NaN' in '171.2 mV NaN C'")),
    (UNITS, b"E=0.1712 V T=20.1 \xb0C", TextReading(potential_mv=171.2, temperature_c=20.1)),
    (UNITS, "E=- 171.2 mV T=20.1 °C".encode(), TextReading(potential_mv=-171.2, temperature_c=20.1)),
    (UNITS, b"E=4.52 pH", TextReading(ph=4.52)),
    (COMMA, b"4,52", TextReading(ph=4.52)),
    (COMMA, b"4", TextReading(ph=4.0)),
    (SUMMED, summed(b"mv=-20.0 t=21.50"), TextReading(potential_mv=-20.0, temperature_c=21.5)),
]


@pytest.mark.parametrize(("text", "line", "reading"), READ)
def test_a_line_of_the_description_is_read(text: TextConfig, line: bytes, reading: TextReading) -> None:
    assert Description(text).decode(line) == reading


REFUSED = [
    (PLAIN, b"171.2 mV  20.1", Reason.GARBLED, "the pattern does not match the line '171.2 mV  20.1'"),
    (PLAIN, b" 171.2 mV  20.1 C", Reason.GARBLED, "the pattern does not match the line ' 171.2 mV  20.1 C'"),
    (PLAIN, b"1,712 mV  20.1 C", Reason.GARBLED, "the potential '1,712' in '1,712 mV  20.1 C' is no number"),
    (PLAIN, b"0x11 mV  20.1 C", Reason.GARBLED, "the potential '0x11' in '0x11 mV  20.1 C' is no number"),
    (PLAIN, b"1_7 mV  20.1 C", Reason.GARBLED, "the potential '1_7' in '1_7 mV  20.1 C' is no number"),
    (PLAIN, b"nan mV  20.1 C", Reason.NOT_A_NUMBER, "the potential 'nan' in 'nan mV  20.1 C'"),
    (PLAIN, b"-inf mV 20.1 C", Reason.OVERRANGE, "the potential '-inf' in '-inf mV 20.1 C'"),
    (PLAIN, b"OVER", Reason.OVERRANGE, "the line 'OVER' says so"),
    (PLAIN, b"---- mV  20.1 C", Reason.NOT_A_NUMBER, "the potential '----' in '---- mV  20.1 C'"),
    (PLAIN, b"99999 mV 20 C", Reason.GARBLED, "a potential of 99999 in '99999 mV 20 C' is beyond what can be"),
    (PLAIN, b"171 mV 2e9 C", Reason.GARBLED, "a temperature of 2e+09 in '171 mV 2e9 C' is beyond what can be"),
    (PLAIN, b"171.2 mV  20.1 C" + b" " * 300, Reason.GARBLED, "a line of more than 256 bytes came"),
    (UNITS, b"E=12 mA", Reason.GARBLED, "the unit in 'E=12 mA' is 'mA', neither mV nor V nor pH"),
    (UNITS, b"E=21.4 pH", Reason.GARBLED, "a pH of 21.4 in 'E=21.4 pH' is beyond what can be"),
    (COMMA, b"4.52", Reason.GARBLED, "'4.52' in '4.52' has a point where a comma is due"),
    (COMMA, b"1.004,52", Reason.GARBLED, "'1.004,52' in '1.004,52' has a point where a comma is due"),
    (COMMA, b"4,5,2", Reason.GARBLED, "the pH '4,5,2' in '4,5,2' is no number"),
]


@pytest.mark.parametrize(("text", "line", "reason", "told"), REFUSED)
def test_a_line_without_a_value_is_named_by_its_reason(
    text: TextConfig, line: bytes, reason: Reason, told: str
) -> None:
    assert Description(text).decode(line) == TextFault(reason, told)


@pytest.mark.parametrize("position", range(len(SUMMED.example)))
def test_one_changed_character_anywhere_fails_the_checksum(position: int) -> None:
    line = bytearray(SUMMED.example.encode())
    line[position] ^= 1
    assert isinstance(Description(SUMMED).decode(bytes(line)), TextFault)


# RE2 matches in time linear in the text; a backtracking engine would need some 2**250 steps here.
def test_a_pattern_that_a_backtracking_engine_cannot_finish_is_answered_at_once() -> None:
    evil = TextConfig(pattern=r"(?P<mv>\d+)(?: |\d+|\d\d+|(?:\d|\d\d)*)*mV", example="171 mV")
    assert list(mistakes(evil)) == []
    assert isinstance(Description(evil).decode(b"1" * 256), TextFault)


def test_a_pattern_too_large_for_its_engine_is_refused() -> None:
    (key, reason, _), *_ = mistakes(replace(PLAIN, pattern=r"(?P<mv>\d{1000}){1000}"))
    assert (key, reason) == ("pattern", "this is no pattern: invalid repetition size: {1000}")
    (key, reason, _), *_ = mistakes(replace(PLAIN, pattern=r"(?P<mv>((\d{9}\pL{99}){9}\S{100}){9})"))
    assert (key, reason[:20]) == ("pattern", "this is no pattern: ")


# Any valid line: the forms that PLAIN and SUMMED describe, with numbers in range.
NUMBERS = st.floats(-999, 999).map(lambda value: f"{value:+.1f}")
CELSIUS = st.floats(0, 99).map(lambda value: f"{value:.2f}")
PLAIN_LINES = st.builds(lambda mv, c: f"{mv} mV {c} C".encode(), NUMBERS, CELSIUS)
SUMMED_LINES = st.builds(lambda mv, c: summed(f"mv={mv} t={c}".encode()), NUMBERS, CELSIUS)


@given(PLAIN_LINES, st.binary(max_size=40), st.integers(0, 60))
def test_a_valid_line_is_read_alike_whole_and_byte_by_byte_and_with_bytes_behind(
    line: bytes, tail: bytes, cut: int
) -> None:
    stream = line + b"\r\n"
    for pieces in ([stream], [bytes([byte]) for byte in stream], [stream[:cut], stream[cut:] + tail]):
        lines = LineBuffer()
        first = next(ended for piece in pieces for ended in lines.feed(piece))
        assert first == line
        assert isinstance(Description(PLAIN).decode(first), TextReading)


def says(line: bytes) -> tuple[float, float] | None:
    """What a line of PLAIN says, by a second reading of it that shares nothing with the codec."""
    found = re.fullmatch(rb"([-+]?(?:\d{1,12}\.?\d{0,12}|\.\d{1,12})(?:[eE][-+]?\d{1,2})?) mV +(\S+) C", line)
    try:
        mv, celsius = (float(found[1]), float(found[2])) if found else (math.nan, math.nan)
    except ValueError:
        return None
    return (mv, celsius) if -1e4 <= mv <= 1e4 and -273.15 <= celsius <= 1e3 else None


RUBBISH = list(b"0123456789+-.,eE mVC\r\nnaif\x00\xb0\xff")
ALPHABET = st.sampled_from(RUBBISH)


@st.composite
def mutated(draw: st.DrawFn, lines: st.SearchStrategy[bytes]) -> bytes:
    """A line with some bytes dropped, doubled, exchanged or put in."""
    line = bytearray(draw(lines))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(line)))
        begin, end = draw(st.sampled_from([(at, at), (at, at + 1), (at, at + 3)]))
        line[begin:end] = bytes(draw(st.lists(ALPHABET, max_size=3)))
    return bytes(line)


@given(st.one_of(mutated(PLAIN_LINES), st.lists(ALPHABET, max_size=30).map(bytes), st.binary(max_size=300)))
def test_a_value_comes_of_a_line_that_says_it_and_of_no_other(line: bytes) -> None:
    read = Description(PLAIN).decode(line)
    if isinstance(read, TextReading) and read.temperature_c is not None:
        assert (read.potential_mv, read.temperature_c) == says(line)
        assert len(line) <= LONGEST_LINE


@given(mutated(SUMMED_LINES))
def test_a_value_comes_only_with_the_checksum_of_the_line(line: bytes) -> None:
    if isinstance(Description(SUMMED).decode(line), TextReading):
        assert line == summed(line[1:-5])


@REPLIES
@pytest.mark.parametrize("text", [PLAIN, SUMMED])
def test_masses_of_random_and_mutated_lines_give_no_value_that_they_do_not_say(text: TextConfig, replies: int) -> None:
    chance, description = random.Random(1), Description(text)  # noqa: S311 - no secret
    read, longest_s, began_s = 0, 0.0, time.perf_counter()
    for _ in range(replies):
        line = rough_line(chance, text)
        before_s = time.perf_counter()
        found = description.decode(line)
        longest_s = max(longest_s, time.perf_counter() - before_s)
        if isinstance(found, TextReading):
            read += 1
            if text is SUMMED:
                assert line == summed(line[1:-5])
            elif found.temperature_c is not None:
                assert (found.potential_mv, found.temperature_c) == says(line)
    print(f"\n{replies} lines: {read} read, {time.perf_counter() - began_s:.0f} s, longest {longest_s * 1e3:.1f} ms")
    assert read > 1000  # or nothing was tried


def rough_line(chance: random.Random, text: TextConfig) -> bytes:
    """A valid line, mutated in most cases, or bytes by chance."""
    if chance.random() < 0.2:
        return chance.randbytes(chance.randrange(300))
    mv, celsius = f"{chance.uniform(-999, 999):+.1f}", f"{chance.uniform(0, 99):.2f}"
    line = bytearray(summed(f"mv={mv} t={celsius}".encode()) if text is SUMMED else f"{mv} mV {celsius} C".encode())
    for _ in range(chance.randrange(4)):
        at = chance.randrange(len(line) + 1)
        line[at : at + chance.randrange(4)] = bytes(chance.choices(RUBBISH, k=chance.randrange(4)))
    return bytes(line)
