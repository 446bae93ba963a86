"""The wall clock set ahead, back, to 1970, right after a boot behind the last record; both nights of summer time."""

import datetime as dt
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.campaign.bench import PATIENCE_S, Bench, bench
from tests.campaign.table import note, trials
from tests.parts.mosquitto import MakeMosquitto
from tests.parts.wall_clock import WallClock, wall_clock

pytestmark = [pytest.mark.slow, pytest.mark.timeout(7200)]
HOUR = 3600
NOW_S = dt.datetime.now(dt.UTC).timestamp()  # noqa: TID251 - what the machine's clock says
NEWEST = "SELECT at_us FROM measurement ORDER BY seq DESC LIMIT 1"
STEADY_S = time.monotonic()
BEFORE_S = 4
"""How long before a change of the time the clock is set."""
ZONE = "Europe/Lisbon"
Fault = Callable[[Bench, WallClock], None]


def stepped(ahead_s: float) -> Fault:
    def step(here: Bench, clock: WallClock) -> None:
        with here.witness.alarm_path_open():
            clock.set(ahead_s)
            here.watch(2)
            clock.set(0)
            here.watch(2)

    return step


def flapping(here: Bench, clock: WallClock) -> None:
    with here.witness.alarm_path_open():
        for n in range(6):
            clock.set(HOUR * (n % 2))
            time.sleep(1.5)
        clock.set(0)
        here.watch()


def no_clock_of_its_own(here: Bench, clock: WallClock) -> None:
    """Lose the power, boot a day behind the newest record, learn the time later."""
    here.look()
    here.end(signal.SIGKILL)
    clock.set(-24 * HOUR)
    here.start()
    here.watch()
    with here.witness.alarm_path_open():
        here.watch()
        clock.set(0)
        here.watch(2)


def night_of(day: str) -> Fault:
    """Go through 01:00 UTC, when all of the European Union changes (Directive 2000/84/EC, articles 2 and 3)."""
    change_s = dt.datetime.fromisoformat(f"{day}T01:00:00+00:00").timestamp()

    def ahead_s(here: Bench) -> float:
        """Return how far the newest record is from the change."""
        return float(here.select(NEWEST)[0][0]) / 1e6 - change_s

    def go_through(here: Bench, clock: WallClock) -> None:
        with here.witness.alarm_path_open():
            clock.set(change_s - NOW_S - (time.monotonic() - STEADY_S) - BEFORE_S)
            here.until(lambda: -BEFORE_S - 1 < ahead_s(here) < 0, "a record before the change")
            here.until(lambda: 1 < ahead_s(here) < PATIENCE_S, "a record after it")
            here.watch()
            clock.set(0)
            here.watch()

    return go_through


FAULTS: dict[str, Fault] = {
    "1970 and back": stepped(600 - NOW_S),
    "the night of autumn": night_of("2027-10-31"),
    "the night of spring": night_of("2027-03-28"),
    "an hour ahead and back": stepped(HOUR),
    "an hour back and ahead": stepped(-HOUR),
    "flapping by an hour": flapping,
    "none of its own, set after a boot": no_clock_of_its_own,
}
"""The boot comes last: a run that began behind its log lets no record be older than that log's end."""
IN_CI = ("1970 and back", "the night of autumn", "none of its own, set after a boot")
"""`tests/e2e/test_stepped_clock.py` steps by an hour."""
QUIET = '[quiet]\nfrom = "22:00"\nto = "07:00"\n'


def test_the_clock_set(tmp_path: Path, mosquitto: MakeMosquitto) -> None:
    number = trials(1, 4)
    with bench(tmp_path / "bench", mosquitto(), zone=ZONE, more=QUIET) as here:
        clock = wall_clock(here.folder, ZONE)
        here.environment = clock.environment
        here.start()
        here.watch()
        for name in FAULTS if trials(0, 1) else IN_CI:
            ended = here.unasked
            for _ in range(number):
                here.look()
                FAULTS[name](here, clock)
            note(f"clock: {name}", number, here.verdict_after_telling(), ended=here.unasked - ended)
