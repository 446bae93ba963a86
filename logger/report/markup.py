"""Build HTML and SVG as a tree, so that text from outside can never become markup.

Law: pure. Every text is escaped when the tree is written, never before. A character that would hide something or turn
the writing round (control characters, marks of direction) is shown as its escape, as in a journal. There is no way to
pass markup as text.
"""

from typing import TYPE_CHECKING, TypeAlias
from xml.etree.ElementTree import Element, tostring

from logger.model import plain_text

if TYPE_CHECKING:
    from collections.abc import Iterable

Child: TypeAlias = "Element | str | Iterable[Element | str | None] | None"
Attribute: TypeAlias = "str | float | None"
LONGEST = 100_000
"""Characters of one text; what is longer is cut, and says so by its three dots."""


def element(tag: str, *children: Child, **attributes: Attribute) -> Element:
    """Return an element; of an attribute's name `_` becomes `-`, and one at its end goes; None: it is left out."""
    named = {
        name.rstrip("_").replace("_", "-"): _text(value) for name, value in attributes.items() if value is not None
    }
    made = Element(tag, named)
    for child in children:
        _add(made, child)
    return made


def written(root: Element) -> str:
    """Return the markup of a tree."""
    return tostring(root, encoding="unicode", method="html")


def document(root: Element) -> str:
    """Return a whole page."""
    return f"<!DOCTYPE html>\n{written(root)}\n"


def _add(parent: Element, child: Child) -> None:
    if child is None:
        return
    if isinstance(child, Element):
        parent.append(child)
    elif isinstance(child, str):
        _add_text(parent, _plain(child))
    else:
        for one in child:
            _add(parent, one)


def _add_text(parent: Element, text: str) -> None:
    if len(parent):
        parent[-1].tail = (parent[-1].tail or "") + text
    else:
        parent.text = (parent.text or "") + text


def _text(value: str | float) -> str:
    return _plain(value) if isinstance(value, str) else f"{round(value, 2):g}"


def _plain(text: str) -> str:
    """Return a text whose every line shows all that it holds."""
    if text.isascii() and text.isprintable() and len(text) <= LONGEST:
        return text
    return "\n".join(plain_text.shown(line, LONGEST) for line in text.split("\n"))
