"""Which curve is given to who asks."""

import threading
from collections.abc import Iterator

import pytest

from logger.page import curves as module
from logger.page.curves import Curves
from logger.report.curve import Curve, CurveFrame
from logger.units import SECOND_US
from tests.parts.waiting import wait_until

NAME = ("north", "12h")


def curve(number: int, span_s: int = 43_200) -> Curve:
    frame = CurveFrame(
        vat="north",
        name=str(number),
        probe="p",
        simulated=False,
        since_us=0,
        until_us=span_s * SECOND_US,
        max_gap_s=300,
    )
    return Curve(frame=frame)


class Steady:
    """A steady clock that a test moves."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic(self) -> float:
        return self.now_s


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Steady:
    steady = Steady()
    monkeypatch.setattr(module, "time", steady)
    return steady


@pytest.fixture
def curves() -> Iterator[Curves]:
    kept = Curves()
    yield kept
    kept.close()


def test_a_curve_is_made_once_for_all_who_ask_meanwhile(curves: Curves, clock: Steady) -> None:
    made: list[int] = []

    def make() -> Curve:
        made.append(1)
        return curve(len(made))

    first = curves.get(NAME, make)
    clock.now_s += 5
    assert curves.get(NAME, make) is first
    assert len(made) == 1


def test_an_older_one_is_given_while_a_newer_is_made(curves: Curves, clock: Steady) -> None:
    first = curves.get(NAME, lambda: curve(1))
    clock.now_s += 30
    go_on = threading.Event()

    def slowly() -> Curve:
        assert go_on.wait(20)
        return curve(2)

    assert curves.get(NAME, slowly) is first
    go_on.set()
    wait_until(lambda: curves.get(NAME, lambda: curve(3)).frame.name == "2", 20)


def test_one_that_is_too_old_for_its_span_is_waited_for(curves: Curves, clock: Steady) -> None:
    curves.get(NAME, lambda: curve(1))
    clock.now_s += 43_200 / 200 + 1
    assert curves.get(NAME, lambda: curve(2)).frame.name == "2"


def test_what_could_not_be_made_is_tried_again(curves: Curves, clock: Steady) -> None:
    def fail() -> Curve:
        raise OSError("away")

    with pytest.raises(OSError, match="away"):
        curves.get(NAME, fail)
    clock.now_s += 1
    assert curves.get(NAME, lambda: curve(2)).frame.name == "2"
