"""Build tables and lists of facts for a page. Law: pure; an empty fact says NOT RECORDED, in letters that stand out."""

import re
from collections.abc import Iterable, Sequence
from xml.etree.ElementTree import Element

from logger.report.markup import element

NOT_RECORDED = "NOT RECORDED"
_TIME = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d(:\d\d \S+)?", re.ASCII)
"""A time as `LocalTime` shows it: its cell is not broken into lines."""


def fact_list(facts: Iterable[tuple[str, str]], *, kind: str = "facts", hashes: Sequence[str] = ()) -> Element:
    """Return labelled texts; an empty one was not recorded. `hashes`: labels of texts that no person reads."""
    rows = [
        part
        for label, text in facts
        for part in (
            element("dt", label),
            element("dd", text or missing(), class_="hash" if label in hashes else None),
        )
    ]
    return element("dl", rows, class_=kind)


def table(
    head: Sequence[str], rows: Iterable[Sequence[str]], *, numbers: Sequence[int] = (), hashes: Sequence[int] = ()
) -> Element:
    """Return a table; `numbers`: columns whose cells are numbers, `hashes`: of what no person reads.

    Without rows it says that nothing was recorded.
    """
    kinds = ["number" if place in numbers else "hash" if place in hashes else None for place in range(len(head))]
    lines = [element("tr", _cells("td", row, kinds)) for row in rows]
    if not lines:
        return element("p", missing())
    top = element("thead", element("tr", _cells("th", head, kinds)))
    return element("div", element("table", top, element("tbody", lines)), class_="wide")


def missing() -> Element:
    """Return what stands in the place of something that nobody recorded."""
    return element("strong", NOT_RECORDED, class_="missing")


def _cells(tag: str, row: Sequence[str], kinds: Sequence[str | None]) -> list[Element]:
    scope = "col" if tag == "th" else None
    return [
        element(tag, text, class_=kind or ("time" if _TIME.fullmatch(text) else None), scope=scope)
        for text, kind in zip(row, kinds, strict=True)
    ]
