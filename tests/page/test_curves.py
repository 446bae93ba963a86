"""Which curve is given to who asks."""

import threading
from collections.abc import Iterator

import pytest

from logger.page import curves as module
from logger.page.curves import Curves, Drawn
from tests.parts.waiting import wait_until

NAME = ("north", "12h")


def curve(number: int) -> Drawn:
    return Drawn(span_s=43_200.0, figure=str(number), facts=())


def made(curve: Drawn | None) -> str:
    return "" if curve is None else curve.figure


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
    times: list[int] = []

    def make() -> Drawn:
        times.append(1)
        return curve(len(times))

    first = curves.get(NAME, make)
    clock.now_s += 5
    assert curves.get(NAME, make) is first
    assert len(times) == 1


def test_an_older_one_is_given_while_a_newer_is_made(curves: Curves, clock: Steady) -> None:
    first = curves.get(NAME, lambda: curve(1))
    clock.now_s += 30
    go_on = threading.Event()

    def slowly() -> Drawn:
        assert go_on.wait(20)
        return curve(2)

    assert curves.get(NAME, slowly) is first
    go_on.set()
    wait_until(lambda: made(curves.get(NAME, lambda: curve(3))) == "2", 20)


def test_one_that_is_too_old_for_its_span_is_waited_for(curves: Curves, clock: Steady) -> None:
    curves.get(NAME, lambda: curve(1))
    clock.now_s += 43_200 / 200 + 1
    assert made(curves.get(NAME, lambda: curve(2))) == "2"


def test_what_could_not_be_made_is_tried_again(curves: Curves, clock: Steady) -> None:
    def fail() -> Drawn:
        raise OSError("away")

    with pytest.raises(OSError, match="away"):
        curves.get(NAME, fail)
    clock.now_s += 1
    assert made(curves.get(NAME, lambda: curve(2))) == "2"


def test_who_asks_for_a_long_one_is_told_that_it_is_being_made(curves: Curves, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "PATIENCE_S", 0.01)
    go_on = threading.Event()

    def slowly() -> Drawn:
        assert go_on.wait(20)
        return curve(1)

    assert curves.get(NAME, slowly) is None
    go_on.set()
    wait_until(lambda: made(curves.get(NAME, slowly)) == "1", 20)
