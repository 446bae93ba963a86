"""Diagnose a serial line from the raw bytes that it brought: what is wrong, and what to try. No I/O.

Law: only what the bytes show is reported; where they show nothing the answer is empty.
"""

from typing import Final

from logger.probe.textline import as_text, printable

_PLAIN: Final = frozenset(range(0x20, 0x7F)) | frozenset(b"\r\n\t\x02\x03")
_ENOUGH: Final = 4
"""Bytes that say something about a line's settings."""
_MOSTLY: Final = 0.9
_ENDS: Final = (b"\r\n", b"\n\r", b"\n", b"\r", b"\x03", b";")


def terminator_of(data: bytes) -> str:
    """Return what ends the lines in these bytes, as a configuration writes it; empty: nothing does."""
    end = next((end for end in _ENDS if data.count(end)), b"")
    return "\n" if end == b"\r\n" else end.decode("latin-1")


def diagnose(data: bytes, *, query: bytes = b"", end: bytes = b"\n") -> str:
    """Return what the bytes that came after `query` (its end left out) show to be wrong; empty: nothing.

    `end` is the terminator that was expected.
    """
    return (_bits(data) or _garbage(data) or _repeated(data, query) or _endless(data, end)) if data else ""


def _repeated(data: bytes, query: bytes) -> str:
    """Recognise a query that comes back."""
    if not query or not data.startswith(query):
        return ""
    if not data.removeprefix(query).strip():
        return "only the query itself came back: the probe repeats it and does not answer, or the wires are joined"
    return "the query comes back before the reply: write echo = true"


def _endless(data: bytes, end: bytes) -> str:
    """Recognise another terminator than the expected one."""
    if end in data:
        return ""
    if other := terminator_of(data):
        return f"no line ends as configured; write terminator = {_quoted(other)}"
    return f"only {printable(as_text(data))} came, without the end of a line"


def _garbage(data: bytes) -> str:
    """Recognise what a wrong rate makes of text: bytes all over the code, or hardly anything but 00 and FF."""
    if len(data) < _ENOUGH or sum(byte in _PLAIN for byte in data) >= len(data) * _MOSTLY:
        return ""
    some = data[:8].hex(" ")
    return (
        f"what comes is no text ({some} ...): the baud rate is wrong, most likely; try the others, 9600 and 19200 first"
    )


def _bits(data: bytes) -> str:
    """Recognise text of 7 bits with a check bit, read as 8 bits."""
    marked = [byte for byte in data if byte > 0x7F]  # noqa: PLR2004 - the eighth bit
    if len(data) < _ENOUGH or not marked or sum(byte & 0x7F in _PLAIN for byte in data) < len(data) * _MOSTLY:
        return ""
    odd = {byte.bit_count() % 2 for byte in data}
    if len(odd) > 1:
        return ""
    parity = "odd" if odd.pop() else "even"
    text = f"every byte has a check bit: the probe sends 7 bits with {parity} parity"
    return f'{text}; write data_bits = 7, parity = "{parity}"'


def _quoted(text: str) -> str:
    names = {"\r": r"\r", "\n": r"\n"}
    return '"' + "".join(names.get(one, one if one.isprintable() else f"\\u{ord(one):04x}") for one in text) + '"'
