"""Draw a curve in a terminal: pH with its band and limits, what came and what was believed below it, temperature last.

Law: pure; draws what the curve holds and nothing else. Every line is `width` columns wide at most, without colour, and
says the same in a terminal that knows only ASCII, where dots are coarser. Nothing is interpolated across a gap.

plotext draws the canvas: of those that are kept up it needs nothing beside itself, makes text without a terminal, and
takes a size and ticks of ours, so that the rows below stand under their hours. It has one figure for the whole process.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from textwrap import wrap

import plotext

from logger.measure.windows import COVERAGE
from logger.report import scale
from logger.report.curve import Curve, CurveLine, CurvePoint
from logger.report.local_time import LocalTime
from logger.units import SECOND_US

PH_ROWS, TEMPERATURE_ROWS = 13, 5
MARGIN = 7
"""Columns before the canvas: a label of six, and the axis."""
SHORTEST = 30
"""Columns of the narrowest picture that says something."""
_TO_ASCII = str.maketrans("─│┌┐└┘┤├┬┴┼", "-|+++++++++")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlotStyle:
    """How wide, by which clock, with which characters."""

    width: int
    clock: LocalTime
    is_ascii: bool = False

    @property
    def columns(self) -> int:
        """Return the columns of the canvas."""
        return max(SHORTEST, self.width - MARGIN - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Axis:
    """One quantity: its line, how many rows it gets, the least it shows, and its name."""

    line: CurveLine
    rows: int
    least: float
    title: str


def lines(curve: Curve, style: PlotStyle) -> Iterator[str]:
    """Yield the picture, line by line."""
    ph = _Axis(line=curve.ph, rows=PH_ROWS, least=scale.LEAST_PH, title="pH")
    warmth = _Axis(line=curve.temperature, rows=TEMPERATURE_ROWS, least=scale.LEAST_C, title="Celsius")
    yield from _canvas(curve, ph, style)
    yield _strip("alarms", _alarm_letters(curve, style))
    yield _strip("belief", _belief_row(curve, style))
    yield from _canvas(curve, warmth, style)
    yield _ticks_row(curve, style)
    for text in _legend(curve, style):
        yield from wrap(text, style.width, subsequent_indent="  ", break_on_hyphens=False)


def _canvas(curve: Curve, axis: _Axis, style: PlotStyle) -> Iterator[str]:
    low, high = scale.ends(axis.line, axis.least)
    figure = _figure(style, axis.rows)
    figure.ruler("x").lim(curve.frame.since_us / SECOND_US, curve.frame.until_us / SECOND_US)
    figure.ruler("y").lim(low, high)
    positions = _y_ticks(axis, low, high)
    figure.ruler("y").ticks(positions, [f"{value:6.2f}" for value in positions])
    band, dot = (".", "*") if style.is_ascii else ("·", "braille")
    for sign in (-1, 1):
        edge = [(point, point.value + sign * point.expanded_u) for point in axis.line.points if point.expanded_u]
        _draw(figure, edge, band)
    for setpoint in axis.line.setpoints:
        if low <= setpoint.value <= high:
            figure.line(setpoint.value, "h")
    for piece in axis.line.pieces:
        _draw(figure, [(point, point.value) for point in piece], dot, joined=True)
    text = plotext.uncolorize(str(figure.build()))
    drawn = text.translate(_TO_ASCII) if style.is_ascii else text
    rows = drawn.split("\n")[: axis.rows]
    yield f"{axis.title:<{MARGIN - 1}}"
    yield from (row.rstrip() for row in rows)


def _figure(style: PlotStyle, rows: int) -> "plotext.figure":
    """Return plotext's figure, emptied and of a size of ours, whatever the terminal is."""
    plotext.terminal.limit(width=False, height=False)
    figure = plotext.figure
    figure.clear()
    figure.theme("colorless")
    figure.plot_size(style.columns + MARGIN, rows)
    figure.axes(active=False)
    figure.axes(active=True, axis="y", side="left")
    figure.ruler("both").alignment(lim="edge")
    figure.ruler("x").frequency(0)
    return figure


def _draw(
    figure: "plotext.figure", places: Iterable[tuple[CurvePoint, float]], marker: str, *, joined: bool = False
) -> None:
    x, y = [], []
    for point, value in places:
        x.append(point.at_us / SECOND_US)
        y.append(value)
    if x:
        signal = figure.signal(x, y, marker=marker)
        figure.draw(signal.lines() if joined else signal)


def _y_ticks(axis: _Axis, low: float, high: float) -> list[float]:
    """Return the ends of an axis and the limits on it; of two that would stand in one row the first."""
    chosen: list[float] = []
    row = (high - low) / axis.rows
    for value in (low, high, *(one.value for one in axis.line.setpoints), (low + high) / 2):
        if low <= value <= high and all(abs(value - other) > row for other in chosen):
            chosen.append(value)
    return chosen


def _column(curve: Curve, at_us: int, style: PlotStyle) -> int:
    span_us = max(1, curve.frame.until_us - curve.frame.since_us)
    return min(style.columns - 1, max(0, (at_us - curve.frame.since_us) * style.columns // span_us))


def _strip(label: str, cells: str) -> str:
    return f"{label:>{MARGIN - 1}} {cells}".rstrip()


def _alarm_letters(curve: Curve, style: PlotStyle) -> str:
    """Return the row of alarms: a capital where one came, its small letter where it returned, + where several did."""
    cells = [" "] * style.columns
    letters = curve.frame.letters
    for mark in curve.frame.alarms:
        letter = letters.get(mark.alarm, "?")
        shown = letter.lower() if mark.what == "returned" else letter
        at = _column(curve, mark.at_us, style)
        cells[at] = shown if cells[at] in (" ", shown) else "+"
    return "".join(cells)


def _belief_row(curve: Curve, style: PlotStyle) -> str:
    cells = ["="] * style.columns
    for stretches, sign in ((curve.not_believed, "x"), (curve.gaps, " ")):
        for one in stretches:
            first, last = (_column(curve, at_us, style) for at_us in (one.since_us, one.until_us - 1))
            cells[first : last + 1] = sign * (last + 1 - first)
    return "".join(cells)


def _ticks_row(curve: Curve, style: PlotStyle) -> str:
    """Return the hours below the canvas, each beginning under its moment."""
    cells = [" "] * (style.columns + MARGIN)
    most = style.columns // 8
    for at_us, label in scale.times(curve.frame, style.clock, most=most):
        at = MARGIN + _column(curve, at_us, style)
        shown = f"|{label}"
        if at + len(shown) <= style.width and set(cells[max(0, at - 1) : at + len(shown)]) <= {" "}:
            cells[at : at + len(shown)] = shown
    return "".join(cells).rstrip()


def _legend(curve: Curve, style: PlotStyle) -> Iterator[str]:
    line = "*" if style.is_ascii else "line"
    dots = f"{line}: believed readings; {'.' if style.is_ascii else '·'}: their uncertainty (k = {COVERAGE:g})"
    zone = style.clock.moment(curve.frame.until_us).tzname()
    yield f"{dots}; belief: = believed, x not, blank no reading. Times: {zone}."
    limits = [f"{one.name} {one.value:g}" for one in (*curve.ph.setpoints, *curve.temperature.setpoints)]
    if limits:
        yield f"Limits: {', '.join(limits)}."
    letters = curve.frame.letters
    if letters:
        yield f"Alarms: {', '.join(f'{letter} {name}' for name, letter in letters.items())} (small letter: over)."
