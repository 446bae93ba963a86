"""Filters, spans and pieces."""

import re
from functools import partial
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, event

from logger.model import Answer, Block, Cause, Command, CommandKind, Measurements
from logger.store import Store, history, queries
from logger.structs import replace
from tests.store.factories import PERIOD_US, START_US, bits, entry, measurements, outcome
from tests.store.factories import event as made_event


@pytest.fixture
def filled(store: Store) -> Store:
    with store.begin() as unit:
        runs = [unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="") for _ in range(3)]
        unit.append(outcome(measurements(1, 25)), run=runs[0])
        unit.append(outcome(measurements(26, 5), vat="turnip"), run=runs[1])
        unit.append(outcome(measurements(31, 5)), run=runs[2])
        unit.append(outcome(measurements(1, 3), vat="turnip", probe="other-probe"), run=runs[0])
        unit.commit()
    return store


def test_spans_tell_what_each_probe_recorded_at_each_vat(filled: Store) -> None:
    marrow = history.RecordSpan(vat="marrow", probe="marrow-probe", first=1, last=35)
    turnip = [
        history.RecordSpan(vat="turnip", probe="marrow-probe", first=26, last=30),
        history.RecordSpan(vat="turnip", probe="other-probe", first=1, last=3),
    ]
    assert history.spans(filled) == [marrow, *turnip]
    assert history.spans(filled, vat="turnip") == turnip


def test_spans_can_be_cut_by_time_of_day(filled: Store) -> None:
    since, until = START_US + 3 * PERIOD_US, START_US + 7 * PERIOD_US
    expected = [history.RecordSpan(vat="marrow", probe="marrow-probe", first=3, last=6)]
    assert history.spans(filled, vat="marrow", since_at_us=since, until_at_us=until) == expected


@pytest.mark.parametrize("chunk", [1, 4, 25, 1000])
def test_pieces_put_together_are_the_log_of_the_vat(filled: Store, chunk: int) -> None:
    [span] = history.spans(filled, vat="marrow")
    pieces = list(history.measurements(filled, span, chunk=chunk))
    assert max(len(piece) for piece in pieces) <= chunk
    assert bits(Measurements.concatenate(pieces)) == bits(measurements(1, 25).then(measurements(31, 5)))
    blocks = Block.concatenate(list(history.indications(filled, span, chunk=chunk)))
    assert np.array_equal(blocks.potential_mv, Measurements.concatenate(pieces).potential_mv, equal_nan=True)


def test_a_night_is_found_whatever_was_done_to_the_clock(store: Store) -> None:
    rows, chunk = measurements(1, 900), 50
    at_us = rows.at_us.copy()
    at_us[300:420] -= 40 * 365 * 86_400 * 1_000_000  # the clock lost its battery for a while
    at_us[600:] -= 100 * PERIOD_US  # and was set back
    rows = replace(rows, at_us=at_us)
    with store.begin() as unit:
        run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
        unit.append(outcome(rows), run=run)
        unit.append(outcome(measurements(901, 30), vat="turnip"), run=run)
        unit.commit()
    for first, last in ((0, 900), (10, 40), (250, 450), (480, 620), (0, 1), (899, 5000)):
        since, until = START_US + first * PERIOD_US, START_US + last * PERIOD_US
        pieces = list(
            history.between(
                store, vat="marrow", probe="marrow-probe", since_at_us=since, until_at_us=until, chunk=chunk
            )
        )
        found = [seq for piece in pieces for seq in piece.seq.tolist()]
        assert found == rows.seq[(at_us >= since) & (at_us < until)].tolist()
        assert max(map(len, pieces), default=0) <= chunk
    ends = {"since_at_us": START_US, "until_at_us": START_US + PERIOD_US}
    assert list(history.between(store, vat="marrow", probe="no-such", **ends)) == []


def test_of_a_long_log_only_what_is_near_the_night_is_read(store: Store) -> None:
    with store.begin() as unit:
        run = unit.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
        unit.append(outcome(measurements(1, 20_000)), run=run)
        unit.commit()
    asked: list[Any] = []

    def listen(*given: object) -> None:
        asked.append((given[2], given[3]))

    event.listen(Engine, "before_cursor_execute", listen)
    try:
        since, until = START_US + 10_000 * PERIOD_US, START_US + 10_300 * PERIOD_US
        night = partial(history.between, store, vat="marrow", probe="marrow-probe", chunk=100)
        found = sum(len(piece) for piece in night(since_at_us=since, until_at_us=until))
    finally:
        event.remove(Engine, "before_cursor_execute", listen)
    assert found == 300
    ranges = [re.search(r"seq BETWEEN", statement) and given for statement, given in asked]
    numbers = [n for given in filter(None, ranges) for n in given if isinstance(n, int) and 100 < n <= 20_000]
    assert numbers
    assert all(9_900 <= n <= 10_401 for n in numbers)


def test_which_way_events_went_is_told_by_their_ids(store: Store) -> None:
    with store.begin() as unit:
        unit.add_events([made_event("a"), made_event("b"), made_event("c")], {"a": 5})
        unit.mark_taken({("hook", "a"): 7, ("push-1", "b"): 6, ("hook", "b"): 8})
        unit.commit()
    told = queries.sent(store, ["a", "b", "c", "none"])
    assert told == {
        "a": [queries.Sent(way="broker", at_us=5), queries.Sent(way="hook", at_us=7)],
        "b": [queries.Sent(way="hook", at_us=8), queries.Sent(way="push-1", at_us=6)],
        "c": [],
        "none": [],
    }


def test_an_export_sees_records_stored_meanwhile_only_if_its_span_does(filled: Store) -> None:
    [span] = history.spans(filled, vat="marrow")
    pieces = history.indications(filled, span, chunk=20)
    first = next(pieces)
    with filled.begin() as unit:
        unit.append(outcome(measurements(36, 5)), run=1)
        unit.commit()
    assert [*first.seq, *next(pieces).seq] == [*range(1, 26), *range(31, 36)]
    assert list(pieces) == []


def test_the_journal_can_be_asked_by_vat_alarm_cause_and_time(store: Store) -> None:
    made = [
        entry(1),
        entry(2, vat="turnip"),
        entry(3, alarm="ph-low"),
        replace(entry(4), cause=Cause.RETURNED, annunciates=False),
    ]
    with store.begin() as unit:
        unit.add_entries(made)
        unit.commit()
    assert queries.entries(store, limit=2) == made[2:]
    assert queries.entries(store, limit=9, vat="turnip") == [made[1]]
    assert queries.entries(store, limit=9, alarm="ph-low") == [made[2]]
    assert queries.entries(store, limit=9, cause=Cause.RETURNED) == [made[3]]
    since, until = made[1].at_us, made[3].at_us
    assert queries.entries(store, limit=9, since_at_us=since, until_at_us=until) == made[1:3]


def test_minutes_with_an_indication_are_counted_however_often_the_probe_was_read(filled: Store) -> None:
    # Records 1 to 35 stand 10 s apart from 10 s on: minutes 0 to 5 of the watch time; every tenth has no indication.
    assert queries.minutes_read(filled, "marrow-probe", since_at_us=0, until_at_us=None) == 6
    since, until = START_US + 10 * PERIOD_US, START_US + 12 * PERIOD_US
    assert queries.minutes_read(filled, "marrow-probe", since_at_us=since, until_at_us=until) == 1
    assert queries.minutes_read(filled, "nobody", since_at_us=0, until_at_us=None) == 0


def test_a_look_at_the_inbox_sees_a_command_as_soon_as_it_is_stored(store: Store) -> None:
    assert queries.pending_now(store) == []
    with store.begin() as unit:
        number = unit.add_command(Command(id=0, at_us=START_US, kind=CommandKind.NOTE, vat="vat", note="stirred"))
        unit.commit()
    assert [row.id for row in queries.pending_now(store)] == [number]
    with store.begin() as unit:
        unit.consume([Answer(command=number, seq=1, applied=True)])
        unit.commit()
    assert queries.pending_now(store) == []


def test_an_empty_store_answers_every_question(store: Store) -> None:
    assert queries.last_position(store, "nobody") is None
    assert len(queries.latest(store, "nobody")) == 0
    assert queries.watches(store) == {}
    assert queries.answer(store, 1) is None
    assert queries.calibrations(store, "nobody") == []
    assert queries.runs(store) == []
    assert history.spans(store) == []


def test_the_newest_record_and_the_size_are_told(filled: Store) -> None:
    assert bits(queries.latest(filled, "marrow-probe")) == bits(measurements(35, 1))
    size = queries.size_bytes(filled)
    if filled.path is None:
        assert size > 1_000_000  # an empty database of PostgreSQL has some megabytes of catalogue
    else:
        filled.close()
        assert size == filled.path.stat().st_size
