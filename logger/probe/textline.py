"""Decode lines of text into readings, by a description that the user wrote. No I/O.

Law: a value comes out only of a whole line (its terminator has come) of at most `LONGEST_LINE` bytes that the pattern
matches from end to end, whose checksum, if there is one, agrees, and whose numbers are plain decimal ones in range.
Whatever else arrives is a `TextFault`.

The pattern is matched by RE2: in time that grows with the line and by nothing else, so no pattern and no line can hold
up the watch, and the outcome never depends on how busy the machine was (as a time limit's would).

Named groups of a pattern: `mv` or `ph` (a number), or `value` with `unit` (mV, V or pH); `temperature` (C);
`checksum` (hexadecimal) and `checked` (what it is taken over; without it, all that stands before `checksum`).

RE2 takes bounded memory too (1 MB a pattern: the worst found matched 256 bytes in 0.04 s). `regex` with its time limit
was the other choice: its limit has been passed over (mrab-regex issue 378). `re` holds the interpreter while it
backtracks. An `example` is wanted so that a pattern is tried where it is written. The price: no look-around, no
backward references.
"""

import math
import re
from collections.abc import Iterator
from typing import Any, Final

from logger.config import TextConfig
from logger.model import Reason
from logger.probe.checksum import check_value
from logger.probe.line_buffer import LONGEST_LINE
from logger.structs import Struct

LONGEST_PATTERN: Final = 500

_GROUPS: Final = frozenset({"mv", "ph", "value", "unit", "temperature", "checksum", "checked"})
_NUMBER: Final = re.compile(
    r"([+-]?) *([0-9]{1,12}(?:\.[0-9]{0,12})?|\.[0-9]{1,12})(?:[Ee]([+-]?[0-9]{1,2}))?", re.ASCII
)
_FACTORS: Final = {"mv": 1.0, "v": 1e3}
_RANGES: Final = {"mv": (-1e4, 1e4), "ph": (-2.0, 16.0), "temperature": (-273.15, 1e3)}
_NAMES: Final = {"mv": "potential", "ph": "pH", "temperature": "temperature"}
_SHOWN: Final = 60


class TextReading(Struct, frozen=True, kw_only=True):
    """Values of one line: a potential (mV) or the probe's own pH; None: the line has none."""

    potential_mv: float | None = None
    ph: float | None = None
    temperature_c: float | None = None
    detail: str = ""
    """Why there is no temperature, though the line has a place for it."""


class TextFault(Struct, frozen=True):
    """Why a line has no value, and a sentence for the user."""

    reason: Reason
    text: str


class Description:
    """A compiled `TextConfig`: `decode` is cheap, the constructor takes some milliseconds."""

    def __init__(self, text: TextConfig) -> None:
        """Take a description that `mistakes` finds nothing wrong with."""
        self._text = text
        self._pattern = _compiled(text.pattern)
        self._has_checksum = "checksum" in self._pattern.groupindex

    def decode(self, line: bytes) -> TextReading | TextFault:
        """Return the values of a whole line (without terminator, prompt and echo), or why it has none."""
        if len(line) > LONGEST_LINE:
            return TextFault(Reason.GARBLED, f"a line of more than {LONGEST_LINE} bytes came")
        text = as_text(line)
        match = self._pattern.fullmatch(text)
        if match is None:
            return self._no_match(text)
        if self._has_checksum and (fault := self._checksum_fault(match, line, text)):
            return fault
        return self._reading(match, text)

    def _no_match(self, text: str) -> TextFault:
        if reason := self._reason_in_words(text):
            return TextFault(reason, f"the line {printable(text)} says so")
        return TextFault(Reason.GARBLED, f"the pattern does not match the line {printable(text)}")

    def _reason_in_words(self, text: str) -> Reason | None:
        """Return the reason that a text without a number states by the configured words."""
        low = text.lower()
        if any(word.lower() in low for word in self._text.no_value_words):
            return Reason.NOT_A_NUMBER
        if any(word.lower() in low for word in self._text.overrange_words):
            return Reason.OVERRANGE
        return None

    def _checksum_fault(self, match: Any, line: bytes, text: str) -> TextFault | None:  # noqa: ANN401 - re2 has no types
        assert self._text.checksum is not None  # noqa: S101 - `mistakes` reports it
        groups = self._pattern.groupindex
        checked = match.span(groups["checked"]) if "checked" in groups else (0, match.start(groups["checksum"]))
        # Positions are those of characters; where a character took two bytes (UTF-8), count the bytes.
        begin, end = (len(text[:position].encode(_encoding(line))) for position in checked)
        due, given = check_value(self._text.checksum, line[begin:end]), match.group(groups["checksum"])
        if re.fullmatch("[0-9A-Fa-f]{1,8}", given) and int(given, 16) == due:
            return None
        text = f"the checksum of the line {printable(text)} is {due:0{len(given)}X}, and it says {given!r}"
        return TextFault(Reason.GARBLED, text)

    def _reading(self, match: Any, text: str) -> TextReading | TextFault:  # noqa: ANN401 - re2 has no types
        groups = {name: group.strip() for name, group in match.groupdict().items() if group is not None}
        unit = groups["unit"].lower() if "unit" in groups else "ph" if groups.get("ph") else "mv"
        if unit not in (*_FACTORS, "ph"):
            return TextFault(
                Reason.GARBLED, f"the unit in {printable(text)} is {groups['unit']!r}, neither mV nor V nor pH"
            )
        kind = "ph" if unit == "ph" else "mv"
        value = self._number(
            groups.get("value") or groups.get(kind, ""), kind, factor=_FACTORS.get(unit, 1.0), line=text
        )
        if isinstance(value, TextFault):
            return value
        temperature = (
            self._number(groups["temperature"], "temperature", line=text) if groups.get("temperature") else None
        )
        if isinstance(temperature, TextFault) and temperature.reason is Reason.GARBLED:
            return temperature
        detail, celsius = (temperature.text, None) if isinstance(temperature, TextFault) else ("", temperature)
        return TextReading(
            potential_mv=None if kind == "ph" else value,
            ph=value if kind == "ph" else None,
            temperature_c=celsius,
            detail=detail,
        )

    def _number(self, written: str, kind: str, *, line: str, factor: float = 1.0) -> float | TextFault:
        point = written.replace(",", ".") if self._text.decimal_comma and "." not in written else written
        if self._text.decimal_comma and "." in written:
            return TextFault(Reason.GARBLED, f"{written!r} in {printable(line)} has a point where a comma is due")
        match = _NUMBER.fullmatch(point)
        if match is None:
            reason = self._reason_in_words(written)
            what = f"{_NAMES[kind]} {written!r} in {printable(line)}"
            return TextFault(reason, f"the {what}") if reason else TextFault(Reason.GARBLED, f"the {what} is no number")
        value = float(f"{match[1]}{match[2]}e{match[3] or 0}") * factor
        low, high = _RANGES[kind]
        if math.isfinite(value) and low <= value <= high:
            return value
        return TextFault(Reason.GARBLED, f"a {_NAMES[kind]} of {value:g} in {printable(line)} is beyond what can be")


def mistakes(text: TextConfig) -> Iterator[tuple[str, str, str]]:
    """Yield what is wrong with a description: the key, the reason, what to do. Nothing: it can be used."""
    try:
        pattern = _compiled(text.pattern)
    except ValueError as error:
        yield "pattern", str(error), "write an RE2 expression; look-around and backward references are none"
        return
    wrong = list(_group_mistakes(set(pattern.groupindex), has_checksum=text.checksum is not None))
    yield from wrong
    if wrong:
        return
    line = text.example.encode("latin-1", "replace")
    read = Description(text).decode(line)
    if isinstance(read, TextFault):
        yield "example", f"this line cannot be read: {read.text}", "make the pattern fit the line, or copy it anew"
    elif read.ph is not None and "ph" not in pattern.groupindex:
        remedy = "switch the probe's display to mV; or name the group ph, if it has no other"
        yield "example", "its unit is pH, and a potential is wanted", remedy


def _group_mistakes(groups: set[str], *, has_checksum: bool) -> Iterator[tuple[str, str, str]]:
    if unknown := sorted(groups - _GROUPS):
        yield "pattern", f"no group is named {unknown[0]!r} here", f"valid names: {', '.join(sorted(_GROUPS))}"
        return
    if len(groups & {"mv", "ph", "value"}) != 1:
        remedy = r"mark the number, such as (?P<mv>[-+]?\d+\.\d), and no second one"
        yield "pattern", "one of the groups mv, ph, or value with unit is wanted", remedy
    elif ("value" in groups) != ("unit" in groups):
        yield "pattern", "the groups value and unit go together", "mark the unit as (?P<unit>mV|pH), or name mv or ph"
    if ("checksum" in groups) != has_checksum or ("checked" in groups and "checksum" not in groups):
        remedy = 'mark its digits as (?P<checksum>[0-9A-F]{2}) and write checksum = "xor-8", or leave out both'
        yield "pattern", "the group checksum and the key checksum go together", remedy


def _compiled(pattern: str) -> Any:  # noqa: ANN401 - re2 has no types
    """Return the compiled pattern. Raises ValueError that says what is wrong."""
    import re2  # noqa: PLC0415 - memory that only lines of text need

    if len(pattern) > LONGEST_PATTERN:
        raise ValueError(f"it is longer than {LONGEST_PATTERN} characters")
    options = re2.Options()
    options.log_errors = False
    options.max_mem = 1 << 20
    try:
        return re2.compile(pattern, options)
    except re2.error as error:
        raise ValueError(f"this is no pattern: {as_text(error.args[0])}") from None


def as_text(line: bytes) -> str:
    """Return a line as text: UTF-8 if it can be that, else each byte by itself (Latin-1), so that nothing is lost."""
    return line.decode(_encoding(line))


def _encoding(line: bytes) -> str:
    try:
        line.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def printable(text: str) -> str:
    """Return a line as it can be printed, cut short, in quotes."""
    plain = ascii(text[:_SHOWN])
    return plain if len(text) <= _SHOWN else f"{plain}..."
