"""Show a curve on a page: the picture, its legend, and in words all that is numbered or lettered in it.

Law: pure; the one way in which a report, the page and `night --html` show a curve. Who cannot see the picture hears
what it shows (`words`), and finds each sign again in the list below it.
"""

from collections.abc import Iterator
from xml.etree.ElementTree import Element

from logger.measure.windows import COVERAGE
from logger.report import svg_curve
from logger.report.curve import Curve, CurveMoment, CurvePoint
from logger.report.local_time import LocalTime
from logger.report.markup import element
from logger.report.words import age, counted, first_sentence
from logger.units import SECOND_US


def figure(curve: Curve, clock: LocalTime, *, name: str = "curve") -> Element:
    """Return the figure of a curve; `name`: of its ids, one of its own on a page."""
    said = " ".join(words(curve, clock))
    wide = svg_curve.picture(curve, clock, svg_curve.WIDE, name=f"{name}-wide", words=said)
    narrow = svg_curve.picture(curve, clock, svg_curve.NARROW, name=f"{name}-narrow", words=said)
    return element(
        "figure",
        element("div", wide, class_="for-wide"),
        element("div", narrow, class_="for-narrow"),
        element("figcaption", element("p", " ".join(_legend(curve, clock)), class_="legend"), _key(curve, clock)),
    )


def words(curve: Curve, clock: LocalTime) -> Iterator[str]:
    """Yield in sentences what a picture shows."""
    frame, counts = curve.frame, curve.counts
    yield f"From {clock.shown(frame.since_us)} to {clock.shown(frame.until_us)}."
    if not counts.records:
        yield "There is no record of this time."
        return
    yield f"{counts.believed} of {counts.records} readings are believed."
    if curve.lowest is not None and curve.highest is not None:
        yield f"Highest pH {_at(curve.highest, clock)}, lowest {_at(curve.lowest, clock)}."
    if curve.newest is not None:
        yield f"Last {_at(curve.newest, clock)}."
    celsius = [point.value for point in curve.temperature.points]
    yield f"Temperature {min(celsius):.1f} to {max(celsius):.1f} °C." if celsius else "No temperature is known."
    total_s = sum(one.until_us - one.since_us for one in curve.gaps) / SECOND_US
    yield f"{counted(len(curve.gaps), 'gap')} without a reading, {age(total_s)} in all." if curve.gaps else "No gaps."
    yield from (f"Not believed {clock.shown(one.since_us)} to {clock.shown(one.until_us)}: {one.why}."
                for one in curve.not_believed[:6])  # fmt: skip


def _at(point: CurvePoint, clock: LocalTime) -> str:
    u = f" ± {point.expanded_u:.2f}" if point.expanded_u else ""
    return f"{point.value:.2f}{u} at {clock.shown(point.at_us)}"


def _legend(curve: Curve, clock: LocalTime) -> Iterator[str]:
    """Yield what the signs mean that are in the picture."""
    frame = curve.frame
    yield f"Line: readings that are believed. Band: their uncertainty (k = {COVERAGE:g})."
    yield "Grey: not believed." if curve.not_believed else ""
    yield "Hatched: no reading." if curve.gaps else ""
    yield "Long dashes: the target; short dashes: limits of alarms." if curve.ph.setpoints else ""
    yield "Diamond: another instrument, with its uncertainty." if frame.checks else ""
    yield "Bracket: a forecast, earliest to latest time, dotted from when it was made." if frame.forecasts else ""
    yield "Numbers: what was done or claimed. " if frame.moments else ""
    yield "Letters and bars: alarms, while they stood." if frame.alarms else ""
    yield f"Times: {clock.moment(frame.until_us).tzname()}."


def _key(curve: Curve, clock: LocalTime) -> Element | None:
    frame = curve.frame
    numbers = [(str(number), _moment(one, clock)) for number, one in enumerate(frame.moments, 1)]
    letters = [(letter, f"alarm {name}") for name, letter in frame.letters.items()]
    rows = [element("li", element("b", sign), text) for sign, text in (*numbers, *letters)]
    return element("ul", rows, class_="key") if rows else None


def _moment(one: CurveMoment, clock: LocalTime) -> str:
    return f"{_short(one.at_us, clock)} {one.kind}: {first_sentence(one.what)}{f' ({one.by})' if one.by else ''}"


def _short(at_us: int, clock: LocalTime) -> str:
    return f"{clock.moment(at_us):%d %b %H:%M}"
