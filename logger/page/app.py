"""Answer what browsers ask: the overview, one vat, and the two files that both use.

Law: GET only. What goes into a page passes through a template that escapes it. A store that is away is answered with
503 and with the newest that was read, said to be so.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from importlib import resources
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from logger.config import VatConfig
from logger.errors import StoreError
from logger.model import BatchRecord, plain_text
from logger.page import views
from logger.page.batch_view import batch_view
from logger.page.curves import Curves, Drawn
from logger.page.guard import Guard
from logger.page.source import Look, Source
from logger.report.figure import figure
from logger.report.local_time import LocalTime
from logger.report.markup import LONGEST, written
from logger.report.night import curve_of
from logger.report.night_page import NightPage
from logger.report.overview import VatStatus
from logger.report.page_style import STYLE
from logger.store import Store, batches, queries
from logger.units import HOUR_US, SECOND_US

ENTRIES = 60
"""Of the journal on a page. Common practice, no source."""
SPANS = {"12h": ("12 h", 12 * HOUR_US), "3d": ("3 days", 72 * HOUR_US)}
BATCH = "batch"
LONGEST_US = 366 * 24 * HOUR_US
"""A batch that nobody ended is shown from no longer ago."""
_FILES = {"style.css": "text/css", "page.js": "text/javascript", "icon.svg": "image/svg+xml"}
"""Beside the templates; the style of the figures, which reports have too, stands before our own."""


def application(source: Source, *, caution: str, names: Iterable[str] = (), token: str = "") -> ASGIApp:
    """Return the page over a store, guarded; `names`, `token`: as in `Guard`."""
    page = Page(source=source, curves=Curves(), caution=caution)
    routes = [
        Route("/", page.all_vats, methods=["GET"]),
        Route("/vat/{vat}", page.one_vat, methods=["GET"]),
        *(Route(f"/{name}", partial(_file, name), methods=["GET"]) for name in _FILES),
    ]
    small = Middleware(GZipMiddleware)  # a telephone asks every 10 s
    app = Starlette(routes=routes, middleware=[small], exception_handlers={404: page.not_found})
    return Guard(app, names=names, token=token)


def _file(name: str, _request: Request) -> Response:
    content = (resources.files("logger.page") / "web" / name).read_text(encoding="utf-8")
    return Response(STYLE + content if name == "style.css" else content, media_type=_FILES[name])


def _plain(value: object) -> object:
    """Return what is put into a page so that each of its lines shows all that it holds: no mark of direction turns it.

    What a template or `report/markup.py` made is left as it is.
    """
    if not isinstance(value, str) or isinstance(value, Markup):
        return value
    return "\n".join(plain_text.shown(line, LONGEST) for line in value.split("\n"))


@dataclass(frozen=True, slots=True)
class SpanLink:
    """A span of a vat that can be chosen."""

    id: str
    title: str
    is_shown: bool


class Page:
    """Makes the pages. Threads may share it."""

    def __init__(self, *, source: Source, curves: Curves, caution: str) -> None:
        """Prepare; nothing is read yet."""
        self._source, self._curves, self._caution = source, curves, caution
        self._config = source.config
        self._clock = LocalTime.of(self._config.people)
        self._templates = Environment(
            loader=PackageLoader("logger.page", "web"),
            autoescape=True,
            finalize=_plain,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def all_vats(self, _request: Request) -> Response:
        """Show every vat at a glance."""
        look = self._source.look()
        overview = look.overview
        return self._shown(
            "all_vats.html",
            look,
            vats=views.vat_views(look, self._clock),
            system=views.alarm_views(overview.system if overview else (), self._clock),
            attention=overview.attention if overview else (),
        )

    def one_vat(self, request: Request) -> Response:
        """Show one vat: now, its curve, its alarms, its journal."""
        vat = self._vat_of(request.path_params["vat"])
        look = self._source.look()
        shown = next((one for one in views.vat_views(look, self._clock) if one.id == vat.id), None)
        status = next((one for one in (look.overview.vats if look.overview else ()) if one.vat == vat.id), None)
        content = self._read(vat, request.query_params.get("span", ""), status, look)
        return self._shown("one_vat.html", look, vat=vat, shown=shown, **content)

    def not_found(self, _request: Request, error: Exception) -> Response:
        """Say that there is no such page."""
        detail = error.detail if isinstance(error, HTTPException) else ""
        return self._shown("not_found.html", self._source.look(), detail=detail, status=404)

    def _vat_of(self, vat: str) -> VatConfig:
        found = next((one for one in self._config.vats if one.id == vat), None)
        if found is None:
            raise HTTPException(404, "There is no such vat.")
        return found

    def _read(self, vat: VatConfig, wanted: str, status: VatStatus | None, look: Look) -> dict[str, Any]:
        """Return curve, journal and batch of a vat; none of them while the store is away."""
        nothing: dict[str, Any] = {
            "curve": None,
            "is_drawing": False,
            "journal": None,
            "batch": None,
            **_spans(wanted, has_batch=wanted == BATCH),
        }
        if look.trouble or status is None:
            return nothing
        try:
            with self._source.reading() as store:
                batch = batches.open_batch(store, vat.id) or next(iter(batches.records(store, vat=vat.id)[-1:]), None)
                journal = self._journal(store, vat)
            spans = _spans(wanted, has_batch=batch is not None or status.started is not None)
            curve = self._curves.get((vat.id, spans["span"]), partial(self._curve, vat, spans["span"], status, batch))
        except StoreError:
            return nothing
        return {
            "curve": curve,
            "is_drawing": curve is None,
            "journal": journal,
            "batch": None if batch is None else batch_view(batch, self._clock),
            **spans,
        }

    def _curve(self, vat: VatConfig, span: str, status: VatStatus, batch: BatchRecord | None) -> Drawn:
        """Draw the curve of a span that ends now, or of the batch."""
        until_us = 1 + (self._source.now_us() if self._is_clock_known() else _newest_us(status))
        since_us = until_us - SPANS[span][1] if span in SPANS else _us(status.started or "")
        if batch is not None and span == BATCH:
            since_us, until_us = batch.started_at_us, batch.ended_at_us or until_us
        since_us = max(since_us, until_us - LONGEST_US)
        with self._source.reading() as store:
            end_us = max(until_us, since_us + SECOND_US)
            curve = curve_of(self._config, store, vat, since_us=since_us, until_us=end_us)
        facts = NightPage(clock=self._clock, width=1000, has_days=span != "12h").facts(curve)
        return Drawn(
            span_s=(end_us - since_us) / SECOND_US,
            figure=Markup(written(figure(curve, self._clock))),  # noqa: S704 - a tree whose texts were escaped
            facts=tuple((label, tuple(texts)) for label, texts in facts),
        )

    def _is_clock_known(self) -> bool:
        overview = self._source.look().overview
        return overview is None or overview.clock_known

    def _journal(self, store: Store, vat: VatConfig) -> list[views.JournalRow]:
        entries = [queries.entries(store, limit=ENTRIES, vat=of) for of in (vat.id, "")]
        return views.journal_rows([entry for some in entries for entry in some], self._clock)

    def _shown(self, template: str, look: Look, *, status: int = 200, **content: object) -> Response:
        now_us = self._source.now_us()
        text = self._templates.get_template(template).render(
            look=look,
            now=self._clock.shown(now_us),
            trouble_for=views.how_long(look.trouble_since_us, now_us),
            read_for=views.how_long(look.read_us, now_us),
            read_at="" if look.read_us is None else self._clock.shown(look.read_us),
            simulated=self._config.simulated,
            caution=self._caution,
            **content,
        )
        return HTMLResponse(text, 503 if look.trouble and status == 200 else status)  # noqa: PLR2004 - HTTP's "fine"


def _spans(wanted: str, *, has_batch: bool) -> dict[str, Any]:
    """Return the span that is shown, and those that can be chosen."""
    titles = {name: title for name, (title, _) in SPANS.items()}
    titles |= {BATCH: "Batch"} if has_batch else {}
    span = wanted if wanted in titles else next(iter(titles))
    return {"span": span, "spans": [SpanLink(name, title, name == span) for name, title in titles.items()]}


def _us(rfc3339: str) -> int:
    return round(datetime.fromisoformat(rfc3339).timestamp()) * SECOND_US


def _newest_us(status: VatStatus) -> int:
    return 0 if status.newest is None else _us(status.newest.at)
