"""A curve on a page: every sign has its words, no text from outside is markup, nothing is drawn in a gap."""

import re
from datetime import UTC
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from logger.report import html_page
from logger.report.curve import Curve, CurveForecast, CurveLine, CurveMoment, CurvePoint, MomentKind, Setpoint, Stretch
from logger.report.figure import figure
from logger.report.local_time import LocalTime
from logger.report.markup import element, written
from logger.structs import replace
from logger.units import HOUR_US
from tests.report.test_terminal_plot import CURVE, NIGHT, SINCE_US

CLOCK = LocalTime(UTC)
EVIL = "</text><script>alert(1)</script> \u202egnp.exe \x1b[2J"


class Markup(HTMLParser):
    """Counts the tags of a page and gathers what a reader sees."""

    def __init__(self, markup: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[dict[str, str | None]] = []
        self.texts: list[str] = []
        self.feed(markup)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes.append(dict(attrs))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def happened(hour: float, kind: MomentKind, what: str, by: str = "") -> CurveMoment:
    return CurveMoment(at_us=SINCE_US + round(hour * HOUR_US), kind=kind, what=what, by=by)


FRAME = replace(
    NIGHT,
    moments=(happened(1, MomentKind.MARK, "stirred", "tova"), happened(9, MomentKind.CLAIM, "at or below pH 4.60")),
    checks=(CurvePoint(SINCE_US + 8 * HOUR_US, 4.7, 0.1),),
    forecasts=(
        CurveForecast(
            made_us=SINCE_US + 3 * HOUR_US,
            ph=4.6,
            low_us=SINCE_US + 8 * HOUR_US,
            middle_us=SINCE_US + 10 * HOUR_US,
            high_us=None,
        ),
    ),
    deadline_us=SINCE_US + 13 * HOUR_US,
)
FULL = replace(CURVE, frame=FRAME)


def shown(curve: Curve) -> Markup:
    return Markup(written(figure(curve, CLOCK)))


def test_all_that_a_picture_shows_is_said_too() -> None:
    text = " ".join("".join(shown(FULL).texts).split())
    for words in ("Hatched: no reading.", "Grey: not believed.", "Bracket: a forecast", "Diamond: another instrument",
                  "deadline", "claim", "target 4.6", "alarm ph-high", "mark: stirred (tova)",
                  "claim: at or below pH 4.60"):  # fmt: skip
        assert words in text, words


def test_a_screen_reader_gets_a_name_and_a_description_and_every_id_is_its_own() -> None:
    page = Markup(html_page.page("Two", figure(FULL, CLOCK, name="a"), figure(FULL, CLOCK, name="b"), simulated=False))
    pictures = [dict(one) for tag, one in zip(page.tags, page.attributes, strict=True) if tag == "svg"]
    ids = [one["id"] for one in page.attributes if "id" in one]
    assert len(ids) == len(set(ids))
    assert {one["role"] for one in pictures} == {"img"}
    assert set(ids) >= {name for one in pictures for name in (one["aria-labelledby"] or "").split()}


def named(name: str) -> str:
    """Return a page on which everything from outside is this text."""
    curve = replace(
        FULL,
        frame=replace(FRAME, name=name, moments=(happened(1, MomentKind.NOTE, name * 200, name),)),
        not_believed=(Stretch(SINCE_US, SINCE_US + HOUR_US, name),),
        ph=replace(FULL.ph, setpoints=(Setpoint(name, 4.6),)),
    )
    return html_page.page(name, element("h1", name), figure(curve, CLOCK), simulated=False)


def test_text_from_outside_never_becomes_markup_and_hides_nothing() -> None:
    page, plain = Markup(named(EVIL)), Markup(named("x"))
    assert page.tags == plain.tags
    assert "alert(1)" in "".join(page.texts)
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x0b-\x1f]", named(EVIL))
    assert "\\u202egnp.exe \\x1b[2J" in "".join(page.texts)


def test_a_page_loads_nothing_and_its_links_lead_nowhere() -> None:
    markup = html_page.page("One", figure(FULL, CLOCK), simulated=True)
    page = Markup(markup)
    assert not {"link", "img", "script", "iframe", "object"} & set(page.tags)
    assert not [one for one in page.attributes if {"src", "href", "style"} & set(one)]
    assert re.findall(r"url\(([^)]*)\)", markup) == ["#curve-wide-gap"] * 2 + ["#curve-narrow-gap"] * 2
    assert "default-src 'none'" in markup
    assert "SIMULATED" in "".join(page.texts)


EMPTY = Curve(frame=FRAME, gaps=(Stretch(NIGHT.since_us, NIGHT.until_us),))
ONE_POINT = replace(FULL, ph=CurveLine(pieces=((CurvePoint(SINCE_US, 4.6, 0.1),),)))


@pytest.mark.parametrize("curve", [FULL, EMPTY, ONE_POINT])
def test_every_figure_is_within_its_picture(curve: Curve) -> None:
    markup = written(figure(curve, CLOCK))
    for width, drawing in zip((940, 372), markup.split("<svg")[1:], strict=True):
        paths = " ".join(re.findall(r' d="([^"]*)"', drawing))
        xs = [float(x) for x in re.findall(r"[ML]([-\d.]+) ", paths)]
        xs += [float(x) for x in re.findall(r' x="([-\d.]+)"', drawing)]
        assert min(xs) >= 0
        assert max(xs) <= width


def test_no_course_is_drawn_in_a_gap() -> None:
    markup = written(figure(FULL, CLOCK))
    drawing = markup.split("<svg")[1]
    left, right = 44 + 5 / 14 * 886, 44 + 7 / 14 * 886  # the gap of `CURVE`, hours 5 to 7 of 14
    paths = re.findall(r'<path d="M([^"]*)" class="course"', drawing)
    xs = [[float(place.split()[0]) for place in path.split(" L")] for path in paths]
    for before, after in (pair for path in xs for pair in pairwise(path)):
        assert not (before < left + 1 and after > right - 1)
