"""Draw a curve as SVG: pH with its band and limits, what came above it, temperature below it.

Law: pure; draws what the curve holds and nothing else. No line runs across a gap. Everything has a shape of its own
besides its colour, so that black and white says the same; colours stand in the style sheet (`page_style.py`). What a
picture shows is said in words beside it (`figure.py`), for who cannot see it.

A picture has its size in the units of its text, so one for a telephone is drawn anew, not shrunk: `Size`.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from xml.etree.ElementTree import Element

from logger.report import scale
from logger.report.curve import AlarmMark, Curve, CurveForecast, CurveLine, CurvePoint, MomentKind, Setpoint, Stretch
from logger.report.local_time import LocalTime
from logger.report.markup import Child, element

LEFT, RIGHT, LANE, AXIS = 44.0, 10.0, 20.0, 22.0
"""Margins; the height of a lane of signs above the picture, and of the hours below it."""
CHARACTER = 7.0
"""About as wide is a character of the text in a picture."""
FORECAST_STEP = 9.0
MOST_LETTERS = 4
_WORD = {MomentKind.CLAIM: "claim", MomentKind.WITHDRAWN: "withdrawn"}
_ROW = {"claim": 14, "withdrawn": 29, "deadline": 44}
"""Where the word of an upright line stands, below the top: apart, for they may lie close together."""


@dataclass(frozen=True, slots=True)
class Size:
    """Width, and the heights of the two canvases."""

    width: float
    ph: float
    temperature: float


WIDE, NARROW = Size(940, 300, 90), Size(372, 250, 80)
"""For a sheet of paper or a screen, and for a telephone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Canvas:
    """A rectangle of a picture: the span across, a quantity up."""

    curve: Curve
    width: float
    top: float
    height: float
    low: float
    high: float

    @property
    def right(self) -> float:
        """Return its right end."""
        return self.width - RIGHT

    @property
    def bottom(self) -> float:
        """Return its lower end."""
        return self.top + self.height

    def x(self, at_us: int) -> float:
        """Return the place of a moment; what is outside the span is at its end."""
        frame = self.curve.frame
        part = (at_us - frame.since_us) / max(1, frame.until_us - frame.since_us)
        return LEFT + min(1.0, max(0.0, part)) * (self.right - LEFT)

    def y(self, value: float) -> float:
        """Return the place of a value; what is outside is at the end."""
        part = (value - self.low) / (self.high - self.low)
        return self.bottom - min(1.0, max(0.0, part)) * self.height

    def holds(self, value: float) -> bool:
        """Tell whether a value is within."""
        return self.low <= value <= self.high

    def spans(self, at_us: int) -> bool:
        """Tell whether a moment is within."""
        return self.curve.frame.since_us <= at_us <= self.curve.frame.until_us


def picture(curve: Curve, clock: LocalTime, size: Size, *, name: str, words: str) -> Element:
    """Return the picture; `name`: of its ids, one of its own on a page; `words`: what it shows."""
    low, high = _with_room(curve.ph, *scale.ends(curve.ph, scale.LEAST_PH))
    checks = [point.value + sign * point.expanded_u for point in curve.frame.checks for sign in (-1, 1)]
    ph = Canvas(curve=curve, width=size.width, top=2 * LANE + 4, height=size.ph, low=min([low, *checks]),
                high=max([high, *checks]))  # fmt: skip
    low, high = _with_room(curve.temperature, *scale.ends(curve.temperature, scale.LEAST_C))
    warm = Canvas(curve=curve, width=size.width, top=ph.bottom + AXIS, height=size.temperature, low=low, high=high)
    height = warm.bottom + AXIS
    return element(
        "svg",
        element("title", f"pH and temperature of {curve.frame.name}", id=f"{name}-title"),
        element("desc", words, id=f"{name}-desc"),
        element("defs", _hatch(name)),
        _canvas(ph, name, clock, "pH", _drawn_ph(ph)),
        _canvas(warm, name, clock, "°C", _lines(warm, curve.temperature)),
        _lanes(ph),
        viewBox=f"0 0 {size.width:g} {height:g}",
        role="img",
        aria_labelledby=f"{name}-title {name}-desc",
        class_="curve",
        xmlns="http://www.w3.org/2000/svg",
    )


def _with_room(line: CurveLine, low: float, high: float) -> tuple[float, float]:
    """Return the ends of an axis with room above a limit at the very top: its name is written over the line."""
    room = 0.07 * (high - low)
    return low, high + room * any(high - room < limit.value <= high for limit in line.setpoints)


def _hatch(name: str) -> Element:
    stripe = element("path", d="M0 0 V7", class_="hatch")
    return element("pattern", stripe, id=f"{name}-gap", width=7, height=7, patternUnits="userSpaceOnUse",
                   patternTransform="rotate(45)")  # fmt: skip


def _canvas(canvas: Canvas, name: str, clock: LocalTime, unit: str, drawn: Iterable[Element]) -> Element:
    """Return one canvas: what was not known below everything, then its grid, then what is drawn."""
    curve = canvas.curve
    return element(
        "g",
        (_box(canvas, one, "not-believed") for one in curve.not_believed),
        (_box(canvas, one, "gap", fill=f"url(#{name}-gap)") for one in curve.gaps),
        _grid(canvas, unit),
        _hours(canvas, clock),
        drawn,
        element("rect", x=LEFT, y=canvas.top, width=canvas.right - LEFT, height=canvas.height, class_="frame"),
    )


def _box(canvas: Canvas, one: Stretch, kind: str, fill: str | None = None) -> Element:
    left, right = canvas.x(one.since_us), canvas.x(one.until_us)
    title = element("title", "no reading" if kind == "gap" else one.why)
    return element("rect", title, x=left, y=canvas.top, width=max(1.0, right - left), height=canvas.height,
                   class_=kind, fill=fill)  # fmt: skip


def _grid(canvas: Canvas, unit: str) -> Iterator[Element]:
    places = scale.values(canvas.low, canvas.high, most=max(3, int(canvas.height // 32)))
    for value in places:
        y = canvas.y(value)
        yield element("path", d=f"M{LEFT:g} {y:.1f} H{canvas.right:g}", class_="grid")
        yield _label(LEFT - 5, y + 4, f"{value:g}", anchor="end")
    yield _label(4, canvas.top - 6, unit)


def _hours(canvas: Canvas, clock: LocalTime) -> Iterator[Element]:
    most = int((canvas.right - LEFT) // 64)
    for at_us, label in scale.times(canvas.curve.frame, clock, most=most):
        x = canvas.x(at_us)
        yield element("path", d=f"M{x:.1f} {canvas.top:g} V{canvas.bottom + 4:g}", class_="grid")
        if x + len(label) * CHARACTER / 2 < canvas.width:
            yield _label(x, canvas.bottom + 16, label, anchor="middle")


def _drawn_ph(canvas: Canvas) -> Iterator[Element]:
    frame = canvas.curve.frame
    for piece in canvas.curve.ph.pieces:
        yield _band(canvas, piece)
    yield from _setpoints(canvas, canvas.curve.ph.setpoints)
    yield from (_course(canvas, piece) for piece in canvas.curve.ph.pieces)
    yield from (_check(canvas, one) for one in frame.checks if canvas.spans(one.at_us))
    drawn = [_forecast(canvas, one, place) for place, one in enumerate(frame.forecasts)]
    yield from (one for one in drawn if one is not None)
    for moment in frame.moments:
        if moment.kind in (MomentKind.CLAIM, MomentKind.WITHDRAWN):
            yield _upright(canvas, moment.at_us, _WORD[moment.kind], _WORD[moment.kind])
    if frame.deadline_us is not None and canvas.spans(frame.deadline_us):
        yield _upright(canvas, frame.deadline_us, "deadline", "deadline")


def _lines(canvas: Canvas, line: CurveLine) -> Iterator[Element]:
    yield from _setpoints(canvas, line.setpoints)
    yield from (_course(canvas, piece) for piece in line.pieces)


def _setpoints(canvas: Canvas, setpoints: Sequence[Setpoint]) -> Iterator[Element]:
    """Yield the limits within the canvas, each named at its right end where there is room."""
    named: list[float] = []
    for value in sorted({one.value for one in setpoints if canvas.holds(one.value)}):
        names = [one.name for one in setpoints if one.value == value]
        y, kind = canvas.y(value), "target" if "target" in names else "limit"
        yield element("path", d=f"M{LEFT:g} {y:.1f} H{canvas.right:g}", class_=kind)
        if all(abs(y - other) > 2 * CHARACTER for other in named):
            named.append(y)
            yield _label(canvas.right - 4, y - 4, f"{', '.join(names)} {value:g}", anchor="end", kind="halo")


def _band(canvas: Canvas, piece: Sequence[CurvePoint]) -> Element:
    """Return the band of one piece; where nothing is known of the uncertainty it has no width."""
    upper = [(canvas.x(point.at_us), canvas.y(point.value + point.expanded_u)) for point in piece]
    lower = [(canvas.x(point.at_us), canvas.y(point.value - point.expanded_u)) for point in reversed(piece)]
    return element("path", d=f"{_path([*upper, *lower])} Z", class_="band")


def _course(canvas: Canvas, piece: Sequence[CurvePoint]) -> Element:
    places = [(canvas.x(point.at_us), canvas.y(point.value)) for point in piece]
    return element("path", d=_path(places if len(places) > 1 else places * 2), class_="course")


def _path(places: Sequence[tuple[float, float]]) -> str:
    """Return a path through places; those at the same place are one."""
    shown = [f"{x:.1f} {y:.1f}" for x, y in places]
    kept = [shown[0], *(after for before, after in pairwise(shown) if after != before)]
    return "M" + " L".join(kept if len(kept) > 1 else kept * 2)


def _check(canvas: Canvas, one: CurvePoint) -> Element:
    """Return a reading of another instrument: a diamond, and its own uncertainty."""
    x, y = canvas.x(one.at_us), canvas.y(one.value)
    low, high = canvas.y(one.value - one.expanded_u), canvas.y(one.value + one.expanded_u)
    bar = f"M{x:.1f} {low:.1f} V{high:.1f} M{x - 4:.1f} {low:.1f} h8 M{x - 4:.1f} {high:.1f} h8"
    return element(
        "g",
        element("title", f"another instrument read {one.value:.2f}"),
        element("path", d=bar, class_="check-bar"),
        element("path", d=f"M{x:.1f} {y - 5:.1f} l5 5 l-5 5 l-5 -5 Z", class_="check"),
    )


def _forecast(canvas: Canvas, one: CurveForecast, place: int) -> Element | None:
    """Return what was forecast: a bracket from the earliest to the latest time, its middle, and when it was made."""
    if one.low_us is None or not canvas.spans(one.made_us):
        return None
    y = canvas.y(one.ph) + 12 + FORECAST_STEP * place
    y = min(y, canvas.bottom - 6)
    left, made = canvas.x(one.low_us), canvas.x(one.made_us)
    right = canvas.right if one.high_us is None else canvas.x(one.high_us)
    is_whole = one.high_us is not None and canvas.spans(one.high_us)
    end = f"M{right:.1f} {y - 4:.1f} v8" if is_whole else f"M{right - 5:.1f} {y - 4:.1f} l5 4 l-5 4"
    middle = "" if one.middle_us is None or not canvas.spans(one.middle_us) else (
        f" M{canvas.x(one.middle_us) - 3:.1f} {y:.1f} l3 -3 l3 3 l-3 3 Z"
    )  # fmt: skip
    return element(
        "g",
        element("title", "a forecast: from its earliest to its latest time"),
        element("path", d=f"M{made:.1f} {y:.1f} H{left:.1f}", class_="forecast-lead"),
        element("path", d=f"M{made - 2:.1f} {y:.1f} h4", class_="forecast-made"),
        element("path", d=f"M{left:.1f} {y - 4:.1f} v8 m0 -4 H{right:.1f} {end}{middle}", class_="forecast"),
    )


def _upright(canvas: Canvas, at_us: int, word: str, kind: str) -> Element:
    """Return a line across the canvas with its word, on the side where there is room."""
    x = canvas.x(at_us)
    is_left = x + 6 + len(word) * CHARACTER > canvas.right
    place = _ROW[word]
    return element(
        "g",
        element("path", d=f"M{x:.1f} {canvas.top:g} V{canvas.bottom:g}", class_=kind),
        _label(x + (-5 if is_left else 5), canvas.top + place, word, anchor="end" if is_left else None, kind="halo"),
    )


def _lanes(canvas: Canvas) -> Element:
    """Return the lanes above the picture: what people did by number, alarms by letter."""
    frame = canvas.curve.frame
    numbers = [(canvas.x(one.at_us), str(number)) for number, one in enumerate(frame.moments, 1)]
    top = LANE - 5
    return element(
        "g",
        (_label(x, top, text, anchor="middle", kind="sign") for x, text in _apart(numbers)),
        _alarms(canvas, frame.alarms, 2 * LANE - 4),
    )


Sign = tuple[float, str]


def _groups(signs: Sequence[Sign], room: float) -> list[list[Sign]]:
    """Return signs in groups of those that have no room between them."""
    groups: list[list[Sign]] = []
    for sign in signs:
        if groups and sign[0] - groups[-1][0][0] < room:
            groups[-1].append(sign)
        else:
            groups.append([sign])
    return groups


def _apart(signs: Sequence[Sign]) -> Iterator[Sign]:
    """Yield numbers; those with no room between them as one, from the first to the last."""
    for group in _groups(signs, CHARACTER * 3.5):
        first, last = group[0], group[-1]
        text = first[1] if len(group) == 1 else f"{first[1]}-{last[1]}"
        yield (first[0] + last[0]) / 2, text


def _alarms(canvas: Canvas, marks: Sequence[AlarmMark], y: float) -> Iterator[Element]:
    """Yield a bar for each time an alarm stood, and the letters of those that came."""
    letters, signs = canvas.curve.frame.letters, []
    for mark, until_us in _stood(marks, canvas.curve.frame.until_us):
        left, right = canvas.x(mark.at_us), canvas.x(until_us)
        bar = f"M{left:.1f} {y + 3:g} H{max(left + 2, right):.1f}"
        yield element("path", element("title", mark.alarm), d=bar, class_="alarm")
        signs.append((left, letters.get(mark.alarm, "?")))
    for group in _groups(signs, CHARACTER * 1.6):
        together = "".join(dict.fromkeys(letter for _, letter in group))
        yield _label(group[0][0], y, together if len(together) <= MOST_LETTERS else f"{together[:2]}+", kind="sign")


def _stood(marks: Sequence[AlarmMark], end_us: int) -> Iterator[tuple[AlarmMark, int]]:
    """Yield when an alarm came, and when it returned (the end of the span: it did not)."""
    for place, mark in enumerate(marks):
        later = (other for other in marks[place + 1 :] if other.alarm == mark.alarm and other.what == "returned")
        if mark.what != "returned":
            yield mark, next((other.at_us for other in later), end_us)


def _label(x: float, y: float, text: Child, *, anchor: str | None = None, kind: str | None = None) -> Element:
    return element("text", text, x=x, y=y, text_anchor=anchor, class_=kind)
