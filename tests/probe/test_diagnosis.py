"""What raw bytes show to be wrong with a line: each fault made by what makes it in the world."""

import pytest

from logger.probe.diagnosis import diagnose, terminator_of

LINE = b"+171.2 mV  20.1 C\r\n"


def with_parity(data: bytes, *, odd: bool) -> bytes:
    """Text of 7 bits with a check bit, as a port set to 8 bits hears it."""
    return bytes(byte | ((byte.bit_count() + odd) % 2) << 7 for byte in data)


def at_another_rate(data: bytes, *, sent: int, heard: int) -> bytes:
    """What a port at `heard` baud makes of characters (8 bits, no parity, 1 stop bit) sent at `sent` baud."""
    levels = [bit for byte in data for bit in (0, *(byte >> at & 1 for at in range(8)), 1)] + [1] * 40
    out, position, step = bytearray(), 0.0, sent / heard
    while position < len(levels) - 20 * step:
        if levels[int(position)]:
            position += step / 8
            continue
        out.append(sum(levels[int(position + (at + 1.5) * step)] << at for at in range(8)))
        position += 9.5 * step
    return bytes(out)


@pytest.mark.parametrize("odd", [False, True])
def test_seven_bits_with_parity_are_told_with_what_to_write(*, odd: bool) -> None:
    told = diagnose(with_parity(LINE * 3, odd=odd))
    assert told.endswith(f'write data_bits = 7, parity = "{"odd" if odd else "even"}"')


@pytest.mark.parametrize("sent", [1200, 2400, 4800, 19200, 38400])
def test_a_wrong_rate_is_told_by_what_it_makes_of_text(sent: int) -> None:
    told = diagnose(at_another_rate(LINE * 5, sent=sent, heard=9600))
    assert "the baud rate is wrong, most likely" in told


def test_the_right_rate_is_no_trouble() -> None:
    heard = at_another_rate(LINE * 5, sent=9600, heard=9600)
    assert (heard, diagnose(heard)) == (LINE * 5, "")


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", ""),
        (LINE, ""),
        ("+171.2 mV 20.1 °C\r\n".encode(), ""),
        (b"+171.2 mV 20.1 \xb0C\r\n", ""),
        (b"READ?\r\n" + LINE, "the query comes back before the reply: write echo = true"),
        (
            b"READ?\r\n",
            "only the query itself came back: the probe repeats it and does not answer, or the wires are joined",
        ),
        (b"171.2 mV\r", r'no line ends as configured; write terminator = "\r"'),
        (b"171.2 mV\x03", r'no line ends as configured; write terminator = "\u0003"'),
        (b"171.2", "only '171.2' came, without the end of a line"),
    ],
)
def test_other_faults_of_a_line_are_named(data: bytes, told: str) -> None:
    assert diagnose(data, query=b"READ?") == told


@pytest.mark.parametrize(
    ("data", "end"), [(LINE, "\n"), (b"a\nb\n", "\n"), (b"a\rb\r", "\r"), (b"a\n\rb\n\r", "\n\r"), (b"ab", "")]
)
def test_what_ends_lines_is_found(data: bytes, end: str) -> None:
    assert terminator_of(data) == end
