"""The records of a span of UTC, found by their numbers whatever was done to the clock."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, event

from logger.config import PeopleConfig
from logger.model import Ints, Measurements
from logger.report.night import night_of
from logger.store import Store, history, time_search
from logger.structs import replace
from tests.store.factories import START_US, entry, measurements, outcome

POLL_US, DAY_US, YEAR_US = 10_000_000, 86_400_000_000, 365 * 86_400_000_000
RUNS = 5
EACH = 120
FINEST = 12


def offsets(rng: np.random.Generator, count: int) -> tuple[Ints, list[int]]:
    """Return UTC minus watch time of each record of a run, and at which of them the clock was stepped."""
    steps = sorted(rng.choice(np.arange(1, count), size=int(rng.integers(0, 4)), replace=False).tolist())
    found, at = np.zeros(count, np.int64), 0
    for row in steps:
        # Away, often back to just where it was, or a little.
        at = int(rng.choice([0, YEAR_US, -YEAR_US, 3_600_000_000, -40_000_000, int(rng.integers(-DAY_US, DAY_US))]))
        found[row:] = at
    return found, steps


def with_clock(rng: np.random.Generator) -> tuple[list[Measurements], list[int]]:
    """Return the records of some runs, and the UTC after each step of the clock, as the daemon would make them.

    Watch time goes on over a restart by the wall clock, and by a day if that ran back (`daemon/clock.py`).
    """
    made, steps, elapsed_us, at_us = [], [], 0, START_US
    for run in range(RUNS):
        rows = measurements(1 + run * EACH, EACH)
        begins_us = at_us + int(rng.choice([30_000_000, 3 * DAY_US, -7_200_000_000, YEAR_US, -YEAR_US]))
        elapsed_us += begins_us - at_us if begins_us >= at_us else DAY_US
        steady = np.arange(EACH, dtype=np.int64) * POLL_US
        offset, stepped = offsets(rng, EACH)
        rows = replace(rows, elapsed_us=elapsed_us + steady, at_us=begins_us + steady + offset)
        steps += rows.at_us[stepped].tolist()
        made.append(rows)
        elapsed_us, at_us = int(rows.elapsed_us[-1]), int(rows.at_us[-1])
    return made, steps


def fill(store: Store, runs: list[Measurements], steps: list[int], vats: list[str]) -> None:
    with store.begin() as unit:
        for rows, vat in zip(runs, vats, strict=True):
            run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
            unit.append(outcome(rows, vat=vat), run=run)
        unit.add_entries(replace(entry(), seq=0, vat="", alarm="clock-stepped", at_us=at_us) for at_us in steps)
        unit.commit()


def asked(rng: np.random.Generator, rows: Measurements) -> Iterator[tuple[int, int]]:
    """Yield spans of UTC: about single records, between two of them, and nowhere."""
    for row in rng.integers(0, len(rows), size=5):
        at_us = int(rows.at_us[row])
        yield at_us, at_us + 1
        yield at_us - 5 * POLL_US, at_us + int(rng.choice([POLL_US, 300 * POLL_US]))
    for one, other in rng.integers(0, len(rows), size=(3, 2)):
        begin, end = sorted([int(rows.at_us[one]), int(rows.at_us[other])])
        yield begin, end
    yield START_US - 20 * YEAR_US, START_US - 19 * YEAR_US


def test_no_record_of_a_span_is_left_out_whatever_was_done_to_the_clock(store: Store) -> None:
    rng = np.random.default_rng(7)
    for number in range(2):
        runs, steps = with_clock(rng)
        vat = f"vat-{number}"
        vats = [vat if rng.random() < 0.7 else f"other-{number}" for _ in runs]
        named = [replace(one, seq=one.seq + number * RUNS * EACH) for one in runs]
        fill(store, named, steps, vats)
        rows = Measurements.concatenate(named)
        is_mine = np.repeat([name == vat for name in vats], EACH)
        for since, until in asked(rng, rows):
            wanted = rows.seq[(rows.at_us >= since) & (rows.at_us < until) & is_mine].tolist()
            span: dict[str, Any] = {"since_at_us": since, "until_at_us": until, "vat": vat}
            pieces = history.between(store, probe="marrow-probe", chunk=FINEST, **span)
            assert [seq for piece in pieces for seq in piece.seq.tolist()] == wanted
            ends = time_search.first_and_last(store, "marrow-probe", finest=FINEST, **span)
            assert ends == ((wanted[0], wanted[-1]) if wanted else None)


def test_a_clock_that_went_away_for_minutes_and_came_back_hides_nothing(store: Store) -> None:
    rows, away = measurements(1, 1200), slice(400, 440)
    at_us = rows.at_us.copy()
    at_us[away] += YEAR_US
    steps = [int(at_us[400]), int(at_us[440])]
    fill(store, [replace(rows, at_us=at_us)], steps, ["marrow"])
    since = START_US + YEAR_US
    (span,) = history.spans(store, vat="marrow", since_at_us=since, until_at_us=since + DAY_US)
    assert (span.first, span.last) == (401, 440)
    ranges = time_search.near(
        store, "marrow-probe", vat="marrow", since_at_us=since, until_at_us=since + DAY_US, finest=40
    )
    assert all(390 - 80 < first < last < 440 + 80 for first, last in ranges)
    assert ranges


@pytest.mark.parametrize(
    ("evening", "hours"),
    # https://eur-lex.europa.eu/eli/dir/2000/84/oj: the last Sundays of March and October, at 1:00 UTC.
    [(date(2026, 3, 28), 13), (date(2026, 10, 24), 15), (date(2026, 10, 25), 14)],
    ids=["summer time begins", "summer time ends", "plain"],
)
def test_a_night_of_daylight_saving_is_found_whole(store: Store, evening: date, hours: int) -> None:
    since, until = night_of(PeopleConfig(zone="Europe/Paris"), at_us=START_US, evening=evening)
    assert until - since == hours * 3600 * 1_000_000
    rows = measurements(1, 3000)
    poll_us = 60_000_000
    times = since - 500 * poll_us + np.arange(3000, dtype=np.int64) * poll_us
    fill(store, [replace(rows, at_us=times, elapsed_us=times)], [], ["marrow"])
    (span,) = history.spans(store, vat="marrow", since_at_us=since, until_at_us=until)
    assert (span.first, span.last) == (501, 500 + 60 * hours)


@contextmanager
def statements() -> Iterator[list[Any]]:
    found: list[Any] = []

    def listen(*given: object) -> None:
        found.append(given[2])

    event.listen(Engine, "before_cursor_execute", listen)
    try:
        yield found
    finally:
        event.remove(Engine, "before_cursor_execute", listen)


def test_a_log_ten_times_as_long_is_asked_hardly_more_often(store: Store) -> None:
    counts = []
    for probe, length in (("short", 1000), ("long", 10_000)):
        rows = measurements(1, length)
        with store.begin() as unit:
            run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
            unit.append(outcome(rows, probe=probe), run=run)
            unit.commit()
        since = int(rows.at_us[length // 2])
        with statements() as made:
            ends = time_search.first_and_last(
                store, probe, vat="marrow", since_at_us=since, until_at_us=since + 100 * POLL_US, finest=30
            )
        assert ends == (length // 2 + 1, length // 2 + 100)
        counts.append(len(made))
    assert counts[1] <= counts[0] + 4


def test_a_vat_of_which_a_probe_told_nothing_is_in_no_range(store: Store) -> None:
    fill(store, [measurements(1, 200), measurements(201, 50), measurements(251, 200)], [], ["a", "b", "a"])
    ranges = {
        vat: time_search.near(store, "marrow-probe", vat=vat, since_at_us=None, until_at_us=None, finest=10)
        for vat in ("a", "b", "c")
    }
    assert ranges["c"] == []
    ((first, last),) = ranges["b"]
    assert 190 < first <= 201
    assert 250 <= last < 262
    assert time_search.first_and_last(
        store, "marrow-probe", vat="b", since_at_us=None, until_at_us=None, finest=10
    ) == (201, 250)
    assert time_search.probes(store) == ["marrow-probe"]
    assert time_search.near(store, "none", vat="a", since_at_us=None, until_at_us=None, finest=10) == []
