"""Lines of text out of bytes: fed whole, byte by byte and with trailing bytes they are the same."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.model import Reason
from logger.probe import scpi
from logger.probe.line_buffer import LONGEST_LINE, LineBuffer

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


ENDS = [
    (b"\n", b"0.17\r\n20\n", [b"0.17", b"20"], b""),
    (b"\n", b"a\rb\n3.4", [b"a\rb"], b"3.4"),
    (b"\n", b"x" * 256 + b"\r\ny\n", [b"x" * 256, b"y"], b""),
    (b"\r", b"1\r\n2\r", [b"1", b"\n2"], b""),
    (b"\r\n", b"a\rb\r\r\nc\r", [b"a\rb\r"], b"c\r"),
    (b"aab", b"xaaab1aab", [b"xa", b"1"], b""),
]


@pytest.mark.parametrize(("terminator", "data", "lines", "rest"), ENDS)
def test_a_stream_with_any_terminator_gives_its_lines_whole_and_byte_by_byte(
    terminator: bytes, data: bytes, lines: list[bytes], rest: bytes
) -> None:
    for pieces in ([data], [bytes([byte]) for byte in data]):
        buffer = LineBuffer(terminator)
        assert ([line for piece in pieces for line in buffer.feed(piece)], buffer.partial) == (lines, rest)


@given(
    st.sampled_from([b"\n", b"\r", b"\r\n", b";", b"aab"]),
    st.lists(st.binary(max_size=400) | st.text("ab\r\n;x").map(str.encode)),
)
def test_however_a_stream_with_any_terminator_is_cut_the_lines_are_the_same(
    terminator: bytes, pieces: list[bytes]
) -> None:
    whole, cut = LineBuffer(terminator), LineBuffer(terminator)
    expected = whole.feed(b"".join(pieces))
    assert [line for piece in pieces for line in cut.feed(piece)] == expected
    assert cut.partial == whole.partial
    assert all(len(line) <= LONGEST_LINE + 2 for line in expected)
