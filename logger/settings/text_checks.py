"""What the description of a probe's text lines must mean to be used. Pure, like `checks.py`."""

from collections.abc import Iterator
from typing import Final

from logger.config import ProbeConfig, TextConfig
from logger.probe.textline import mistakes
from logger.settings import ranges
from logger.settings.problems import Key, Problem
from logger.settings.ranges import wrong

_LONGEST: Final = {"query": 100, "query_end": 8, "terminator": 8, "prompt": 20}
_LONGEST_WORD: Final = 20


def text_problems(probe: ProbeConfig) -> Iterator[Problem]:
    """Yield what is wrong with the description of a probe's lines."""
    key, text = ("probe", probe.id, "text"), probe.text
    if text is None:
        if probe.protocol.table == "text":
            remedy = f"write [probe.{probe.id}.text] with pattern and example; `vatvigil listen` suggests both"
            yield Problem(key=key, reason='protocol = "text" needs the description of a line', remedy=remedy)
        return
    if probe.protocol.table != "text":
        reason = f"the protocol of this probe is {probe.protocol}, which has no use for it"
        yield Problem(key=key, reason=reason, remedy='write protocol = "text", or remove this table')
    yield from _bytes(key, text)
    yield from _words(key, text)
    yield from ranges.between((*key, "max_age_s"), text.max_age_s, low=0.1, high=3600)
    if text.pattern and text.example:
        for name, reason, remedy in mistakes(text):
            yield wrong((*key, name), getattr(text, name), reason, remedy)


def _bytes(key: Key, text: TextConfig) -> Iterator[Problem]:
    """Check what is sent or compared byte by byte: each character must be one."""
    for name, longest in _LONGEST.items():
        value = getattr(text, name)
        if not all(ord(character) < 256 for character in value):  # noqa: PLR2004 - one byte
            yield wrong((*key, name), value, "each character here stands for one byte", "use characters below U+0100")
        elif len(value) > longest:
            yield wrong((*key, name), value, f"this is longer than {longest} characters", "write what the probe needs")
    if not text.terminator:
        remedy = r'write what ends a line, such as "\n" or "\r"'
        yield Problem(key=(*key, "terminator"), reason="only whole lines are read", remedy=remedy)
    if text.echo and not text.query:
        yield Problem(
            key=(*key, "echo"), reason="without a query nothing is repeated", remedy="write query, or remove it"
        )


def _words(key: Key, text: TextConfig) -> Iterator[Problem]:
    for name in ("overrange_words", "no_value_words"):
        for word in getattr(text, name):
            if not (word.strip() and len(word) <= _LONGEST_WORD and word.isprintable()) or word.strip("+-.").isdigit():
                remedy = f"write words of 1 to {_LONGEST_WORD} printable characters that are no numbers"
                yield wrong((*key, name), word, "this cannot stand for a missing value", remedy)
