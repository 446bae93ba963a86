"""Write the report of a batch: a first page in plain words with the curve, then annexes with all that is stored.

Law: pure; one file that needs nothing else, made for an auditor who reads or prints it. A page made of a simulation
says so and is no record.
"""

from collections.abc import Iterable, Iterator
from xml.etree.ElementTree import Element

from logger.report import batch_annexes, batch_summary
from logger.report.batch_annexes import entered
from logger.report.batch_facts import BatchFacts
from logger.report.figure import figure
from logger.report.html_page import page
from logger.report.local_time import LocalTime
from logger.report.markup import Child, element
from logger.report.tables import fact_list, table

DIGEST, HEAD = "batch-digest", "batch-digest-head"
"""Names of the page's metadata: the digest, and the first line of what it seals."""
_NO_RECORD = "SIMULATED: nothing here is a measurement of a real vat, and this is no record of a batch."
_LINES = ("Made by, date", "Reviewed by, date", "Process authority, date", "Disposition approved by, date")


def write(facts: BatchFacts, clock: LocalTime, *, caution: str) -> str:
    """Return the report."""
    title = f"Batch record {facts.record.header.lot or facts.record.id}, {facts.vat.name}"
    body = [*_first_page(facts, clock, title, caution), *batch_annexes.annexes(facts, clock)]
    return page(title, *body, simulated=False, metadata=((DIGEST, facts.seal.digest), (HEAD, _head(facts))))


def _head(facts: BatchFacts) -> str:
    return facts.head.line.decode().strip()


def _first_page(facts: BatchFacts, clock: LocalTime, title: str, caution: str) -> Iterator[Child]:
    if facts.simulated:
        yield element("div", "SIMULATED", class_="watermark", aria_hidden="true")
        yield element("p", _NO_RECORD, class_="simulated")
    yield element("h1", title)
    yield fact_list(_identity(facts, clock), kind="facts identity", hashes=("Digest (SHA-256)",))
    yield element("h2", "What was shown")
    yield _sentences(batch_summary.shown(facts, clock))
    yield element("p", caution, class_="caution")
    yield element("h2", "Hours")
    rows = [(row.what, row.hours, row.remark) for row in batch_summary.hours(facts)]
    yield table(("Time with", "How long", ""), rows, numbers=(1,))
    yield element("h2", "Departures")
    yield _sentences(batch_summary.departures(facts, clock)) or element("p", "None was entered.")
    yield element("h2", "Standing doubts")
    yield _sentences(batch_summary.doubts(facts, clock)) or element("p", "None is known to this program.")
    yield element("h2", "The course")
    yield figure(facts.curve, clock, name="batch")
    yield element("h2", "Signatures")
    yield element("div", (element("div", line) for line in _LINES), class_="sign-here")


def _identity(facts: BatchFacts, clock: LocalTime) -> Iterator[tuple[str, str]]:
    record = facts.record
    end = record.end
    yield "Facility", record.header.facility
    yield "Product", record.header.product
    yield "Lot", record.header.lot
    yield "Vat", f"{facts.vat.name} ({record.vat})"
    yield "Started", f"{clock.shown(record.started_at_us)}{entered(record.start, clock)}"
    yield "Ended", "not yet" if end is None else f"{clock.shown(end.happened_at_us)}{entered(end, clock)}"
    yield "Disposition", "" if end is None else end.content.disposition
    yield "Keep until", record.header.retention
    yield "Digest (SHA-256)", facts.seal.digest
    yield "Made", f"{clock.shown(facts.made_at_us)} by vatvigil {facts.version}"


def _sentences(told: Iterable[str]) -> Element | None:
    rows = [element("li", sentence) for sentence in told]
    return element("ul", rows) if rows else None
