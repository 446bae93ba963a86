"""Tell text that hides something from plain text, and show the former harmlessly.

Law: pure. What a person writes is one line of plain text, wherever it comes in: no control characters (a terminal acts
on them), no line ends (a journal shows them as rows of its own), nothing that turns the writing round.
"""

_JOINERS = "\u200c\u200d"
"""Zero width, within words and pictographs; every other character of Unicode's category C could hide something."""


def hidden(text: str) -> str:
    """Return the first character of a text that could hide something; empty: there is none."""
    return next((character for character in text if _hides(character)), "")


def shown(text: str, longest: int) -> str:
    """Return a text with what could hide something escaped, and shortened."""
    plain = "".join(ascii(c)[1:-1] if _hides(c) else c for c in text[: longest + 1])
    return plain if len(plain) <= longest else f"{plain[: longest - 3]}..."


def _hides(character: str) -> bool:
    if character.isascii():
        return not character.isprintable()
    import unicodedata  # noqa: PLC0415 - 0.2 MB that only other writings than ASCII need

    category = unicodedata.category(character)
    return (category[0] == "C" and character not in _JOINERS) or category in ("Zl", "Zp")
