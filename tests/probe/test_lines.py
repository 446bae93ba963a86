"""Lines of text out of bytes: fed whole, byte by byte and with trailing bytes they are the same."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.model import Reason
from logger.probe import scpi
from logger.probe.lines import LineBuffer

STREAMS = [
    (b"0.17\n", [b"0.17"], b""),
    (b"0.17\r\n20\n", [b"0.17", b"20"], b""),
    (b"3.4", [], b"3.4"),
    (b"\n\n", [b"", b""], b""),
    (b"a\rb\n", [b"a\rb"], b""),
    (b"0.17\r\r\n", [b"0.17\r"], b""),
    (b"x" * 256 + b"\r\ny\n", [b"x" * 256, b"y"], b""),
]


@pytest.mark.parametrize(("data", "lines", "rest"), STREAMS)
def test_a_stream_fed_whole_gives_its_lines(data: bytes, lines: list[bytes], rest: bytes) -> None:
    buffer = LineBuffer()
    assert (buffer.feed(data), buffer.partial) == (lines, rest)


@pytest.mark.parametrize(("data", "lines", "rest"), STREAMS)
def test_a_stream_fed_byte_by_byte_gives_the_same_lines(data: bytes, lines: list[bytes], rest: bytes) -> None:
    buffer = LineBuffer()
    got = [line for byte in data for line in buffer.feed(bytes([byte]))]
    assert (got, buffer.partial) == (lines, rest)


@pytest.mark.parametrize(("data", "lines", "rest"), STREAMS)
def test_trailing_bytes_stay_for_the_next_line(data: bytes, lines: list[bytes], rest: bytes) -> None:
    buffer = LineBuffer()
    assert (buffer.feed(data + b"tail"), buffer.partial) == (lines, rest + b"tail")


@given(st.lists(st.binary(max_size=400)))
def test_however_a_stream_is_cut_the_lines_are_the_same(pieces: list[bytes]) -> None:
    whole, cut = LineBuffer(), LineBuffer()
    expected = whole.feed(b"".join(pieces))
    assert [line for piece in pieces for line in cut.feed(piece)] == expected
    assert cut.partial == whole.partial


@given(st.integers(min_value=257, max_value=100_000), st.integers(min_value=1, max_value=5000))
def test_a_line_too_long_is_cut_but_never_passes_for_a_number(length: int, piece: int) -> None:
    buffer = LineBuffer()
    data = b"1" * length + b"\n"
    (line,) = [line for at in range(0, len(data), piece) for line in buffer.feed(data[at : at + piece])]
    assert len(line) == min(length, 258)
    assert scpi.parse_value(line, scpi.TEMPERATURE) is Reason.GARBLED
