"""Suggest a description (`TextConfig`) for lines that a probe sent. No I/O.

Law: a suggestion reads every line that it was made from, by the codec of the watch; where the lines do not say what a
number is, nothing is suggested and the explanation says what is missing.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from logger.config import Checksum, ProbeConfig, TextConfig
from logger.probe.checksum import check_value
from logger.probe.textline import Description, TextReading, as_text, mistakes
from logger.structs import Struct

_NUMBER: Final = re.compile(r"(?:(?<![\w.])|(?<=pH)|(?<=mV))[-+]?\d+(?:[.,]\d+)?(?![\w.]*\d)(?=\W|$|[a-zA-Z])")
_HEX_END: Final = re.compile(r"^(.*?)(\W?)([0-9A-Fa-f]{2}|[0-9A-Fa-f]{4}|[0-9A-Fa-f]{8})$")
_UNITS: Final = {"mv": r"\s*mV\b", "temperature": r"\s*(?:°|deg|')? ?C\b", "ph": r"\s*pH\b"}
_LABELS: Final = {"ph": r"pH\W*$", "mv": r"[mM][vV]\W*$", "temperature": r"(?:°C|\b[CcTt]|[Tt]emp\w*)\W*$"}
_LEAST: Final = 3
_LINE: Final = ("baud", "parity", "data_bits", "stop_bits", "dtr", "rts")
_TEXT: Final = ("query", "query_end", "echo", "terminator", "decimal_comma", "checksum", "pattern", "example")
_SHORT: Final = {"\r": "\\r", "\n": "\\n", "\t": "\\t"}


class Suggestion(Struct, frozen=True, kw_only=True):
    """A description that reads `read` of the lines, or the explanation why there is none."""

    text: TextConfig | None
    explanation: str
    read: int = 0


def suggest_description(
    lines: Sequence[bytes], *, terminator: str, query: str = "", query_end: str = "\r\n", echo: bool = False
) -> Suggestion:
    """Return a description of the commonest kind of line."""
    lines = [line.strip(b" ") for line in lines if line.strip()]
    texts = [as_text(line) for line in lines]
    if len(texts) < _LEAST:
        return Suggestion(
            text=None, explanation=f"{len(texts)} whole lines are too few, {_LEAST} are wanted; listen longer"
        )
    skeletons = Counter(map(_skeleton, texts))
    skeleton, count = skeletons.most_common(1)[0]
    same = [text for text in texts if _skeleton(text) == skeleton]
    if count < _LEAST:
        return Suggestion(text=None, explanation="the lines have no form in common; is it the right baud rate?")
    checksum = next(_checksums(same), None)
    pattern, names = _pattern(same, checksum)
    if not names & {"mv", "ph"}:
        explanation = "no number has the unit mV or pH beside it: write the pattern by hand, marking what is what"
        return Suggestion(text=None, explanation=explanation)
    text = TextConfig(
        pattern=pattern,
        example=same[-1],
        query=query,
        query_end=query_end,
        echo=echo,
        terminator=terminator,
        decimal_comma=any(re.search(r"\d,\d", line) for line in same),
        checksum=checksum.kind if checksum else None,
    )
    return _tried(text, lines)


def _tried(text: TextConfig, lines: Sequence[bytes]) -> Suggestion:
    for _, reason, _ in mistakes(text):
        return Suggestion(text=None, explanation=f"no pattern was found that reads these lines: {reason}")
    description = Description(text)
    read = sum(isinstance(description.decode(line), TextReading) for line in lines)
    return Suggestion(text=text, explanation=f"it reads {read} of the {len(lines)} lines that came", read=read)


def description_toml(text: TextConfig, probe: ProbeConfig) -> str:
    """Return a description, and how the port was opened, as they are written into a configuration."""
    line = [f"port = {_written(probe.port)}", 'protocol = "text"', *_unusual(probe, ProbeConfig(id="", port=""), _LINE)]
    lines = _unusual(text, TextConfig(pattern="", example=""), _TEXT)
    name = probe.id or "NAME"
    return "\n".join([f"[probe.{name}]", *line, f"[probe.{name}.text]", *lines])


def _unusual(here: object, usual: object, keys: Sequence[str]) -> list[str]:
    """Return what is not as it is by default."""
    values = [(key, getattr(here, key)) for key in keys]
    return [f"{key} = {_written(value)}" for key, value in values if value != getattr(usual, key)]


def _written(value: object) -> str:
    if isinstance(value, bool | int):
        return str(value).lower()
    plain = str(value)
    if plain.isprintable() and "'" not in plain:
        return f"'{plain}'"
    return '"' + "".join(_escaped(character) for character in plain) + '"'


def _escaped(character: str) -> str:
    if character in '"\\':
        return f"\\{character}"
    return character if character.isprintable() else _SHORT.get(character, f"\\u{ord(character):04x}")


class _Check(Struct, frozen=True, kw_only=True):
    """A check value at the end of every line: which, over what, and how many characters of the line it is."""

    kind: Checksum
    first: int
    """Where what is checked begins."""
    has_mark: bool
    """Whether the mark before the digits is checked too."""
    digits: int


def _checksums(lines: list[str]) -> Iterator[_Check]:
    """Yield the check values that every line agrees with."""
    ends = [_HEX_END.fullmatch(line) for line in lines]
    if not all(ends) or len(set(lines)) < _LEAST:
        return
    parts = [(end[1], end[2], end[3]) for end in ends if end]
    for kind in Checksum:
        for first in (0, 1):
            for has_mark in (False, True):
                bodies = [((body + mark) if has_mark else body)[first:] for body, mark, _ in parts]
                values = [check_value(kind, body.encode("latin-1", "replace")) for body in bodies]
                if all(value == int(digits, 16) for value, (_, _, digits) in zip(values, parts, strict=True)):
                    yield _Check(kind=kind, first=first, has_mark=has_mark, digits=len(parts[0][2]))


def _skeleton(text: str) -> str:
    """Return a line without what may differ from one to the next: numbers, spaces, hexadecimal digits at its end."""
    plain = re.sub(r"([*:;,#!/|])[0-9A-F]{2,8}$", r"\1~", text)
    return re.sub(r" +", " ", re.sub(r" *~ *", "~", _NUMBER.sub("~", plain)))


def _pattern(lines: list[str], checksum: _Check | None) -> tuple[str, set[str]]:
    """Return an expression for lines of one skeleton, and the names of its groups."""
    bodies = [line[: -checksum.digits] for line in lines] if checksum else lines
    matches_by_line = [list(_NUMBER.finditer(body)) for body in bodies]
    model, numbers = bodies[-1], matches_by_line[-1]
    names = _names(model, numbers)
    parts, position = [], 0
    for index, match in enumerate(numbers):
        parts.append(_literal(model[position : match.start()], before=position > 0, after=True))
        shape = _shape([matches[index].group() for matches in matches_by_line if len(matches) > index])
        parts.append(f"(?P<{names[index]}>{shape})" if index in names else shape)
        position = match.end()
    parts.append(_literal(model[position:], before=position > 0, after=False))
    pattern = "".join(parts)
    return (_with_checksum(pattern, model, checksum) if checksum else pattern), set(names.values())


def _with_checksum(pattern: str, model: str, checksum: _Check) -> str:
    """Return the pattern with the groups of its check value."""
    digits = f"(?P<checksum>[0-9A-Fa-f]{{{checksum.digits}}})"
    mark = "" if checksum.has_mark or model[-1:].isalnum() else re.escape(model[-1])
    head = re.escape(model[: checksum.first])
    body = pattern[len(head) : len(pattern) - len(mark)]
    return f"{head}(?P<checked>{body}){mark}{digits}"


def _names(text: str, numbers: list[re.Match[str]]) -> dict[int, str]:
    """Return which number is what: the first of each kind, and a potential rather than a pH made of it."""
    named = [_name(text, match) for match in numbers]
    wanted = ["mv" if "mv" in named else "ph", "temperature"]
    return {named.index(name): name for name in wanted if name in named}


def _name(text: str, match: re.Match[str]) -> str:
    """Return what the unit behind a number, or else the label before it, says it is."""
    after, before = text[match.end() :], text[: match.start()]
    by_unit = [name for name, unit in _UNITS.items() if re.match(unit, after)]
    by_label = [name for name, label in _LABELS.items() if re.search(label, before)]
    return next(iter(by_unit or by_label), "")


def _shape(numbers: list[str]) -> str:
    """Return an expression for numbers like these."""
    mark = r"\." if not any("," in number for number in numbers) else ","
    if all(re.search(r"[.,]", number) for number in numbers):
        return rf"[-+]?\d+{mark}\d+"
    return rf"[-+]?\d+(?:{mark}\d+)?" if any(re.search(r"[.,]", number) for number in numbers) else r"[-+]?\d+"


def _literal(text: str, *, before: bool, after: bool) -> str:
    """Return an expression for text between numbers; spaces may be more or fewer beside a number (fixed columns)."""
    if before and after and not text.strip():
        return " +"
    pieces = re.split(r"( +)", text)
    out = []
    for index, piece in enumerate(pieces):
        is_beside = (before and index == 1 and not pieces[0]) or (after and index == len(pieces) - 2 and not pieces[-1])
        out.append((" *" if is_beside else " +") if piece.startswith(" ") else re.escape(piece))
    return "".join(out)
