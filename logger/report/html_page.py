"""Make whole pages: one file that needs nothing else, as `night --html` writes it.

Law: pure; no script, no address, nothing from outside but text. What a night page says are the lines of
`night_page.py`, so that screen and page never differ.
"""

from collections.abc import Iterable, Sequence
from xml.etree.ElementTree import Element

from logger.report.figure import figure
from logger.report.local_time import LocalTime
from logger.report.markup import Child, document, element
from logger.report.night import Night
from logger.report.night_page import NightPage
from logger.report.page_style import STYLE

SIMULATED = "SIMULATED: nothing here is a measurement of a real vat."
POLICY = "default-src 'none'; style-src 'unsafe-inline'"
"""What a browser may load for a page: nothing; its style is within."""


def page(
    title: str, *body: Child, simulated: bool, policy: str = POLICY, metadata: Iterable[tuple[str, str]] = ()
) -> str:
    """Return a whole page; `metadata`: what programs read of it, by name."""
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", http_equiv="Content-Security-Policy", content=policy),
        (element("meta", name=name, content=content) for name, content in metadata),
        element("title", title),
        element("style", STYLE),
    )
    banner = element("p", SIMULATED, class_="simulated") if simulated else None
    return document(element("html", head, element("body", element("main", banner, *body)), lang="en"))


def facts(rows: Iterable[tuple[str, Sequence[str]]]) -> Element:
    """Return labelled texts; of each label all texts below each other."""
    return element("dl", ((element("dt", label), element("dd", "\n".join(texts)))[place] for label, texts in rows
                          for place in (0, 1)), class_="facts")  # fmt: skip


def nights(told: Iterable[tuple[Night, LocalTime, bool]], *, caution: str) -> str:
    """Return a page of nights; of each with its clock, and whether it is over."""
    found = list(told)
    body = [part for number, one in enumerate(found) for part in _night(*one, number=number)]
    simulated = any(night.curve.frame.simulated for night, _, _ in found)
    return page("What happened in the night", *body, element("p", caution, class_="caution"), simulated=simulated)


def _night(night: Night, clock: LocalTime, is_over: bool, *, number: int) -> list[Element]:  # noqa: FBT001 - a pair
    said = NightPage(clock=clock, width=0)
    title = f"{said.title(night.curve)}{'' if is_over else ', so far'}"
    return [element("h1", title), facts(said.rows_of(night)), figure(night.curve, clock, name=f"night-{number}")]
