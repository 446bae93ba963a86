"""Pictures in a terminal: as wide as asked for, in the characters that it knows, each row under its hour."""

from datetime import UTC

import pytest

from logger.report.curve import AlarmMark, Curve, CurveLine, CurvePoint, Setpoint, Stretch
from logger.report.local_time import LocalTime
from logger.report.terminal_plot import MARGIN, PH_ROWS, PlotStyle, lines
from logger.structs import replace
from logger.units import HOUR_US, MINUTE_US
from tests.report.test_reduction import FRAME

SINCE_US = 1_795_543_200_000_000
"""2026-11-24T18:00:00Z."""
NIGHT = replace(
    FRAME,
    since_us=SINCE_US,
    until_us=SINCE_US + 14 * HOUR_US,
    alarms=(
        AlarmMark(SINCE_US + 2 * HOUR_US, "ph-high", "annunciated"),
        AlarmMark(SINCE_US + 9 * HOUR_US, "ph-high", "returned"),
    ),
)


def point(hour: float, value: float) -> CurvePoint:
    return CurvePoint(SINCE_US + round(hour * HOUR_US), value, 0.1)


CURVE = Curve(
    frame=NIGHT,
    ph=CurveLine(
        pieces=(
            tuple(point(h / 10, 5.2 - h / 200) for h in range(50)),
            tuple(point(h / 10, 5.2 - h / 200) for h in range(70, 140)),
        ),
        setpoints=(Setpoint("target", 4.6), Setpoint("ph-high", 9.0)),
    ),
    temperature=CurveLine(pieces=(tuple(replace(point(h, 20.0 - h / 10), expanded_u=0.0) for h in range(14)),)),
    gaps=(Stretch(SINCE_US + 5 * HOUR_US, SINCE_US + 7 * HOUR_US),),
    not_believed=(Stretch(SINCE_US + 12 * HOUR_US, SINCE_US + 14 * HOUR_US, "the reading is frozen"),),
)


def drawn(width: int, curve: Curve = CURVE, *, is_ascii: bool = True) -> list[str]:
    return [*lines(curve, PlotStyle(width=width, clock=LocalTime(UTC), is_ascii=is_ascii))]


def strip(picture: list[str], label: str, width: int) -> str:
    (row,) = [line for line in picture if line.startswith(label)]
    return row.ljust(width)[MARGIN:]


@pytest.mark.parametrize("width", [40, 60, 80, 120])
@pytest.mark.parametrize("is_ascii", [True, False])
def test_it_is_no_wider_than_the_terminal_and_speaks_its_characters(width: int, *, is_ascii: bool) -> None:
    picture = drawn(width, is_ascii=is_ascii)
    assert max(map(len, picture)) <= width
    assert "\x1b" not in "\n".join(picture)
    assert "\n".join(picture).isascii() == is_ascii


@pytest.mark.parametrize("width", [60, 80, 120])
def test_what_was_believed_and_what_came_stands_under_its_hour(width: int) -> None:
    picture, columns = drawn(width), width - MARGIN - 1

    def column(hour: float) -> int:
        return int(hour * columns / 14)

    belief, alarms = strip(picture, "belief", width), strip(picture, "alarms", width)
    assert [belief[column(h)] for h in (1, 4, 5.5, 8, 11, 13)] == ["=", "=", " ", "=", "=", "x"]
    assert (alarms.index("A"), alarms.index("a")) == (column(2), column(9))
    hours = next(line for line in picture if "|18:00" in line)
    assert hours.index("|18:00") == MARGIN
    for hour, label in ((6, "|00:00"), (12, "|06:00")):
        assert label not in hours or hours.index(label) == MARGIN + column(hour)


def test_no_line_is_drawn_in_a_gap() -> None:
    rows = drawn(80)[1 : PH_ROWS + 1]
    first, last = (MARGIN + int(hour * 72 / 14) for hour in (5.3, 6.7))
    assert {char for row in rows for char in row.ljust(80)[first:last]} <= set(" -")


def test_a_limit_in_reach_is_drawn_with_its_value_and_one_far_away_only_named() -> None:
    picture = drawn(80)
    (limit,) = [line for line in picture if line.startswith("  4.60+")]
    assert "-----" in limit
    assert not any(line.startswith("  9.00") for line in picture)
    assert "Limits: target 4.6, ph-high 9." in picture


def test_a_curve_of_nothing_is_drawn_too() -> None:
    nothing = Curve(frame=NIGHT, gaps=(Stretch(NIGHT.since_us, NIGHT.until_us),))
    picture = drawn(60, nothing)
    assert max(map(len, picture)) <= 60
    assert strip(picture, "belief", 60).strip() == ""


@pytest.mark.parametrize(
    ("minutes", "label"), [(30, "|18:05"), (14 * 60, "|20:00"), (3 * 1440, "|25 Nov"), (60 * 1440, "|")]
)
def test_the_hours_or_days_below_fit_the_span(minutes: int, label: str) -> None:
    span = replace(NIGHT, until_us=SINCE_US + minutes * MINUTE_US)
    assert any(label in line for line in drawn(80, Curve(frame=span)))
