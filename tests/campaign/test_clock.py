"""The wall clock set ahead, back, to 1970, right after a boot behind the last record; both nights of summer time."""

import datetime as dt
import shutil
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.campaign.bench import Bench, bench
from tests.campaign.table import IS_LONG, note, trials
from tests.parts.mosquitto import MakeMosquitto

# Not in CI: under libfaketime (0.9.10, Python 3.11) a daemon with a broker stalls now and then, its timed waits too;
# whether that is the library's doing or ours is not settled.
__test__ = IS_LONG
LIBRARIES = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(7200),
    pytest.mark.skipif(not LIBRARIES or shutil.which("faketime") is None, reason="apt-get install faketime"),
]
HOUR = 3600


def set_clock(here: Bench, ahead_s: float) -> None:
    """Set the daemon's wall clock so far ahead of the true one; the steady clock is left alone (clock_settime(2))."""
    (here.folder / "offset").write_text(f"{ahead_s:+.0f}")


def stepped(ahead_s: float) -> Callable[[Bench], None]:
    def step(here: Bench) -> None:
        set_clock(here, ahead_s)
        here.watch(2)
        set_clock(here, 0)
        here.watch(2)

    return step


def in_1970(here: Bench) -> None:
    stepped(600 - time.mktime(time.localtime()))(here)


def flapping(here: Bench) -> None:
    for n in range(6):
        set_clock(here, HOUR * (n % 2))
        time.sleep(1.5)
    set_clock(here, 0)
    here.watch()


def no_clock_of_its_own(here: Bench) -> None:
    """Lose the power, boot a day behind the newest record, learn the time later."""
    here.look()
    here.end(signal.SIGKILL)
    set_clock(here, -24 * HOUR)
    here.start()
    here.watch(2)
    set_clock(here, 0)
    here.watch(2)


FAULTS: dict[str, Callable[[Bench], None]] = {
    "clock: an hour ahead and back": stepped(HOUR),
    "clock: an hour back and ahead": stepped(-HOUR),
    "clock: 1970 and back": in_1970,
    "clock: flapping by an hour": flapping,
    "clock: none of its own, set after a boot": no_clock_of_its_own,
}


@pytest.mark.parametrize("name", FAULTS)
def test_the_clock_set(tmp_path: Path, mosquitto: MakeMosquitto, name: str) -> None:
    number = trials(1, 4)
    with bench(tmp_path / "bench", mosquitto()) as here:
        fake(here)
        here.start()
        here.watch()
        for _ in range(number):
            with here.witness.alarm_path_open() if "boot" not in name else here.witness.excused():
                FAULTS[name](here)
        note(name, number, here.verdict_after_telling(), ended=here.unasked)


def fake(here: Bench) -> None:
    here.environment = {
        "LD_PRELOAD": str(LIBRARIES[0]),
        "DONT_FAKE_MONOTONIC": "1",
        "FAKETIME_TIMESTAMP_FILE": str(here.folder / "offset"),
        "FAKETIME_CACHE_DURATION": "1",
        "TZ": "Europe/Lisbon",
    }
    set_clock(here, 0)


@pytest.mark.parametrize(("night", "name"), [("2027-03-28", "spring"), ("2026-10-25", "autumn")])
def test_both_nights_of_summer_time(tmp_path: Path, mosquitto: MakeMosquitto, night: str, name: str) -> None:
    """Run through 01:00 UTC, when all of the European Union changes (Directive 2000/84/EC, articles 2 and 3)."""
    people = '[quiet]\nfrom = "22:00"\nto = "07:00"\n'
    with bench(tmp_path / "bench", mosquitto(), zone="Europe/Lisbon", more=people) as here:
        fake(here)
        change = dt.datetime.fromisoformat(f"{night}T01:00:00+00:00").timestamp()
        now = dt.datetime.now(dt.UTC).timestamp()  # noqa: TID251 - what the machine's clock says
        set_clock(here, change - now - 9)
        here.start()
        with here.witness.excused():
            here.watch(8)
        note(f"clock: the night of {name}", 1, here.verdict_after_telling(), ended=here.unasked)
