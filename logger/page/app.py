"""Answer what browsers ask: the overview, one vat, and the two files that both use.

Law: GET only. What goes into a page passes through a template that escapes it. A store that is away is answered with
503 and with the newest that was read, said to be so.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from logger.config import VatConfig
from logger.errors import StoreError
from logger.page import views
from logger.page.curves import Curves
from logger.page.guard import Guard
from logger.page.source import Look, Source
from logger.report.curve import Curve
from logger.report.local_time import LocalTime
from logger.report.night import curve_of
from logger.report.night_page import NightPage
from logger.report.overview import VatStatus
from logger.store import Store, queries
from logger.units import HOUR_US, SECOND_US

ENTRIES = 40
"""Of the journal on a page. Common practice, no source."""
SPANS = {"12h": ("12 h", 12 * HOUR_US), "3d": ("3 days", 72 * HOUR_US)}
BATCH = "batch"
LONGEST_US = 366 * 24 * HOUR_US
"""A batch that nobody ended is shown from no longer ago."""
_FILES = {"style.css": "text/css", "page.js": "text/javascript", "icon.svg": "image/svg+xml"}


def application(source: Source, *, caution: str, names: Iterable[str] = (), token: str = "") -> ASGIApp:
    """Return the page over a store, guarded; `names`, `token`: as in `Guard`."""
    page = Page(source=source, curves=Curves(), caution=caution)
    routes = [
        Route("/", page.all_vats, methods=["GET"]),
        Route("/vat/{vat}", page.one_vat, methods=["GET"]),
        *(Route(f"/{name}", partial(_file, name), methods=["GET"]) for name in _FILES),
    ]
    app = Starlette(routes=routes, exception_handlers={404: page.not_found})
    return Guard(app, names=names, token=token)


def _file(name: str, _request: Request) -> Response:
    content = (resources.files(__package__ or "logger.page") / "web" / name).read_bytes()
    return Response(content, media_type=_FILES[name])


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
            autoescape=select_autoescape(default=True, default_for_string=True),
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
        span = self._span(request.query_params.get("span", ""), status)
        content = self._read(vat, span, status, look)
        return self._shown("one_vat.html", look, vat=vat, shown=shown, spans=_links(span, status), span=span, **content)

    def not_found(self, _request: Request, error: Exception) -> Response:
        """Say that there is no such page."""
        detail = error.detail if isinstance(error, HTTPException) else ""
        return self._shown("not_found.html", self._source.look(), detail=detail, status=404)

    def _vat_of(self, vat: str) -> VatConfig:
        found = next((one for one in self._config.vats if one.id == vat), None)
        if found is None:
            raise HTTPException(404, "There is no such vat.")
        return found

    def _span(self, wanted: str, status: VatStatus | None) -> str:
        if wanted == BATCH and status is not None and status.started is not None:
            return BATCH
        return wanted if wanted in SPANS else "12h"

    def _read(self, vat: VatConfig, span: str, status: VatStatus | None, look: Look) -> dict[str, object]:
        """Return curve and journal of a vat; none of them while the store is away."""
        nothing: dict[str, object] = {"curve": None, "facts": (), "journal": None}
        if look.trouble or status is None:
            return nothing
        try:
            curve = self._curves.get((vat.id, span), partial(self._curve, vat, span, status))
            with self._source.reading() as store:
                journal = self._journal(store, vat)
        except StoreError:
            return nothing
        facts = NightPage(clock=self._clock, width=1000, has_days=span != "12h").facts(curve)
        return {"curve": curve, "facts": [(label, [*texts]) for label, texts in facts], "journal": journal}

    def _curve(self, vat: VatConfig, span: str, status: VatStatus) -> Curve:
        """Read the curve of a span that ends now."""
        until_us = 1 + (self._source.now_us() if self._is_clock_known() else _newest_us(status))
        since_us = until_us - SPANS[span][1] if span in SPANS else _us(status.started or "")
        since_us = max(since_us, until_us - LONGEST_US)
        with self._source.reading() as store:
            return curve_of(self._config, store, vat, since_us=since_us, until_us=max(until_us, since_us + SECOND_US))

    def _is_clock_known(self) -> bool:
        overview = self._source.look().overview
        return overview is None or overview.clock_known

    def _journal(self, store: Store, vat: VatConfig) -> list[views.JournalRow]:
        entries = [queries.entries(store, limit=ENTRIES, vat=of) for of in (vat.id, "")]
        return views.journal_rows([entry for some in entries for entry in some], self._clock)[:ENTRIES]

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


def _links(span: str, status: VatStatus | None) -> list[SpanLink]:
    titles = {name: title for name, (title, _) in SPANS.items()}
    titles |= {BATCH: "Batch"} if status is not None and status.started is not None else {}
    return [SpanLink(name, title, name == span) for name, title in titles.items()]


def _us(rfc3339: str) -> int:
    return round(datetime.fromisoformat(rfc3339).timestamp()) * SECOND_US


def _newest_us(status: VatStatus) -> int:
    return 0 if status.newest is None else _us(status.newest.at)
