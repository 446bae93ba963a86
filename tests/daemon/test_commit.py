"""The commit: in order, whole, whatever the store does meanwhile; the queue is bounded and says what it dropped."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path

import pytest

from logger.daemon.commit import Commit
from logger.daemon.cycle import Acquisition, CycleResult, WatchedProbe
from logger.model import Cause, Command, CommandKind, Entry, State
from logger.mqtt.event import event_of
from logger.store import Store, history, queries
from logger.structs import replace
from logger.watch.pipeline import Watch, fresh
from tests.daemon.factories import HIGH, SECOND_US, calibrated, config_of, indication
from tests.series import EPOCH_US

BUSY_S = 0.05


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    config = calibrated(config_of(tmp_path, HIGH))
    with Store.open(config.store_url, simulated=False, busy_s=BUSY_S) as opened:
        yield opened


@pytest.fixture
def commit(store: Store) -> Commit:
    with store.begin() as work:
        run = work.start_run(at_us=0, elapsed_us=0, version="0", config_hash="")
        work.commit()
    return Commit(store=store, run=run, event_of=partial(event_of, simulated=False), most_waiting=5)


@pytest.fixture
def acquisition(store: Store, tmp_path: Path) -> Acquisition:
    config = config_of(tmp_path, HIGH)
    watch = Watch(vat=config.vats[0], probe=config.probes[0])
    return Acquisition(store, {"probe": WatchedProbe(watch, fresh(watch), 0)})


@contextmanager
def locked(store: Store) -> Iterator[None]:
    with closing(sqlite3.connect(store.path, isolation_level=None)) as other:  # type: ignore[arg-type] # an SQLite store
        other.execute("BEGIN EXCLUSIVE")
        yield
        other.execute("ROLLBACK")


def cycle(acquisition: Acquisition, minute: int, ph: float = 4.7) -> CycleResult:
    """Return what one record a minute makes; 600 s at 4.7 make an alarm."""
    at = minute * 60 * SECOND_US
    return acquisition.evaluate([indication(ph, at_us=EPOCH_US + at, elapsed_us=at)])


def at_us(minute: int) -> int:
    return EPOCH_US + minute * 60 * SECOND_US


def seqs(store: Store) -> list[int]:
    (span,) = history.spans(store)
    return [int(seq) for piece in history.indications(store, span) for seq in piece.seq]


def causes(store: Store) -> list[Cause]:
    return [entry.cause for entry in queries.entries(store, limit=1000)]


def test_what_waits_while_the_store_is_locked_is_committed_in_order(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    commit.most_waiting = 100
    heard = commit.add(cycle(acquisition, 0), at_us=at_us(0))
    with locked(store):
        for minute in range(1, 13):
            heard += commit.add(cycle(acquisition, minute), at_us=at_us(minute))
        assert [Cause(e.payload.split('"cause":"')[1].split('"')[0]) for e in heard] == [
            Cause.CALIBRATED,
            Cause.ANNUNCIATED,
        ]
        assert seqs(store) == [1]
    heard += commit.add(cycle(acquisition, 13), at_us=at_us(13))
    assert seqs(store) == list(range(1, 15))
    assert causes(store) == [Cause.CALIBRATED, Cause.ANNUNCIATED]
    assert [event.id for event in queries.unsent_events(store, limit=99)] == [event.id for event in heard]
    assert not commit.trouble


def test_readings_alone_wait_so_long_to_be_stored_together(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    commit.every_us = 60 * SECOND_US
    commit.add(cycle(acquisition, 0, 4.5), at_us=at_us(0))  # with the entry of the calibration
    for minute in range(1, 4):
        assert commit.add(cycle(acquisition, minute, 4.5), at_us=at_us(minute), now_us=minute) == []
    assert (seqs(store), commit.is_behind, commit.is_due(60 * SECOND_US)) == ([1], False, False)
    assert commit.is_due(1 + 60 * SECOND_US)
    commit.add(cycle(acquisition, 4, 4.5), at_us=at_us(4), now_us=1 + 60 * SECOND_US)
    assert seqs(store) == [1, 2, 3, 4, 5]


def test_without_that_setting_each_reading_is_stored_at_once(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    for minute in range(3):
        commit.add(cycle(acquisition, minute, 4.5), at_us=at_us(minute))
        assert seqs(store)[-1] == minute + 1


@pytest.mark.parametrize("what", ["an entry", "a command", "an alarm whose delay runs"])
def test_what_somebody_may_be_told_of_is_stored_at_once_with_the_readings_before(
    store: Store, commit: Commit, acquisition: Acquisition, what: str
) -> None:
    commit.every_us = 60 * SECOND_US
    for minute in range(3):
        commit.add(cycle(acquisition, minute, 4.5), at_us=at_us(minute))
    assert seqs(store) == [1]
    batch = CycleResult(entries=[Entry(seq=0, at_us=0, vat="", cause=Cause.RUN_STARTED)])
    if what == "a command":
        with store.begin() as work:
            work.add_command(Command(id=0, at_us=EPOCH_US, kind=CommandKind.NOTE, vat="vat", note="stirred"))
            work.commit()
        batch = cycle(acquisition, 3, 4.5)
    elif what == "an alarm whose delay runs":
        batch = cycle(acquisition, 3, 4.7)
    commit.add(batch, at_us=at_us(3))
    assert (seqs(store)[:3], len(commit.waiting)) == ([1, 2, 3], 0)


def test_past_its_bound_the_queue_keeps_alarms_and_counts_lost_records(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    commit.add(cycle(acquisition, 0), at_us=at_us(0))
    with locked(store):
        for minute in range(1, 21):
            commit.add(cycle(acquisition, minute), at_us=at_us(minute))
        assert len(commit.waiting) == commit.most_waiting
        assert [e.seq for e in commit.waiting[-1].entries if e.cause is Cause.ANNUNCIATED] == [11]
    commit.flush(at_us=at_us(21))
    kept = seqs(store)
    assert kept == [1, 2, 3, 4, 5, 6]
    (lost,) = queries.entries(store, limit=9, cause=Cause.RECORDS_LOST)
    assert lost.text.startswith(f"{21 - len(kept)} records were evaluated but not kept")
    assert [e.seq for e in queries.entries(store, limit=9, cause=Cause.ANNUNCIATED)] == [11]
    assert queries.watches(store)["vat"] == acquisition.watched["probe"].state.carry
    commit.add(cycle(acquisition, 21), at_us=at_us(21))
    assert seqs(store) == [*kept, 22]


def test_past_its_bound_the_queue_keeps_the_order_of_what_happened(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    commit.most_waiting = 12  # the eleventh record, which annunciates, is the last that is kept whole
    with locked(store):
        for minute, ph in enumerate([4.7] * 11 + [4.5] * 2):
            commit.add(cycle(acquisition, minute, ph), at_us=at_us(minute))
        assert len(commit.waiting[-1].outcomes[0].measurements) == 1
    commit.flush(at_us=at_us(21))
    expected = [Cause.ANNUNCIATED, Cause.RETURNED]
    sent = [json.loads(event.payload) for event in queries.unsent_events(store, limit=99)]
    assert [event["cause"] for event in sent if event["alarm"]] == expected
    assert [e.cause for e in queries.entries(store, limit=99, alarm="ph-high")] == expected


def test_commands_are_consumed_once_although_their_answers_wait_for_the_store(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    note = Command(id=0, at_us=EPOCH_US, kind=CommandKind.NOTE, vat="vat", note="all is well")
    with store.begin() as work:
        number = work.add_command(note)
        work.commit()
    with locked(store):
        batches = [cycle(acquisition, minute) for minute in range(3)]
        for minute, batch in enumerate(batches):
            commit.add(batch, at_us=at_us(minute))
    commit.flush(at_us=at_us(4))
    answer = queries.answer(store, number)
    assert answer is not None
    assert (answer.seq, answer.applied, answer.text) == (1, True, "noted")
    assert causes(store).count(Cause.NOTED) == 1


def test_a_command_for_what_is_not_watched_is_refused_with_a_sentence(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    with store.begin() as work:
        number = work.add_command(Command(id=0, at_us=EPOCH_US, kind=CommandKind.NOTE, vat="cellar"))
        work.commit()
    commit.add(cycle(acquisition, 0), at_us=at_us(0))
    answer = queries.answer(store, number)
    assert answer is not None
    assert (answer.applied, answer.text) == (False, "vat cellar is not in the daemon's configuration")


def test_an_event_delivered_from_memory_is_stored_as_delivered(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    with locked(store):
        (calibrated_event,) = commit.add(cycle(acquisition, 0), at_us=at_us(0))
        commit.delivered[calibrated_event.id] = at_us(1)
        commit.flush(at_us=at_us(1))
        assert commit.trouble
    assert commit.flush(at_us=at_us(2)) == []
    assert queries.unsent_events(store, limit=9) == []
    assert commit.delivered == {}


def test_the_same_words_twice_at_one_moment_are_two_journal_rows_and_one_event(store: Store, commit: Commit) -> None:
    entry = Entry(seq=0, at_us=EPOCH_US, vat="", cause=Cause.REFUSED, by="mqtt", text="no such vat")
    assert len(commit.add(CycleResult(entries=[entry, entry]), at_us=EPOCH_US)) == 1
    assert queries.entries(store, limit=9) == [entry, entry]
    assert len(queries.unsent_events(store, limit=9)) == 1


def test_a_command_that_this_version_cannot_read_is_refused_and_ends_nothing(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    with store.begin() as work:
        numbers = [
            work.add_command(Command(id=0, at_us=EPOCH_US, kind=kind, vat="vat", note="x"))  # type: ignore[arg-type] # of another version
            for kind in ("brew", CommandKind.NOTE)
        ]
        work.commit()
    for minute in range(2):
        commit.add(cycle(acquisition, minute), at_us=at_us(minute))
    answers = [queries.answer(store, number) for number in numbers]
    assert [answer and answer.applied for answer in answers] == [False, True]
    (refused,) = queries.entries(store, limit=9, cause=Cause.REFUSED)
    assert refused.text.startswith(
        f"Command {numbers[0]} of the inbox refused: this version of vatvigil cannot read it"
    )
    assert queries.pending(store) == []


def test_a_figure_that_came_into_the_inbox_by_hand_is_refused_and_ends_nothing(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    commit.add(cycle(acquisition, 0), at_us=at_us(0))
    columns = "id, at_us, kind, vat, probe, alarm, duration_s, by, note, delivery"
    values = (number := 99, at_us(0), "mark", "vat", "", "", float("inf"), "", "started", "")
    with closing(sqlite3.connect(store.path)) as other:  # type: ignore[arg-type] # an SQLite store
        other.execute(f"INSERT INTO inbox ({columns}) VALUES ({', '.join('?' * len(values))})", values)  # noqa: S608 - names
        other.commit()
    commit.add(cycle(acquisition, 1), at_us=at_us(1))
    answer = queries.answer(store, number)
    assert answer is not None
    assert (answer.applied, answer.text) == (False, "a start must lie at most 1440 h back, not inf")
    assert (commit.trouble, causes(store)[-1]) == ("", Cause.REFUSED)


def test_what_cannot_be_stored_is_refused_before_it_waits_for_the_store() -> None:
    good = Command(id=0, at_us=EPOCH_US, kind=CommandKind.NOTE, vat="vat", note="skimmed")
    batch = CycleResult()
    assert batch.keep_storable([replace(good, duration_s=float("inf")), good, replace(good, note="a\0b")]) == [good]
    assert [(entry.cause, entry.vat) for entry in batch.entries] == [(Cause.REFUSED, "vat")] * 2
    assert "The duration_s of this command is not a finite number" in batch.entries[0].text


def test_once_all_is_stored_again_no_row_is_looked_for_any_more(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    writer = store._writer  # noqa: SLF001 - no user sees it, but for the time that it takes
    assert writer is not None
    writer.in_doubt = True
    with locked(store):
        commit.add(cycle(acquisition, 0), at_us=at_us(0))
        assert writer.in_doubt
    commit.add(cycle(acquisition, 1), at_us=at_us(1))
    assert not writer.in_doubt
    assert seqs(store) == [1, 2]


def test_an_acknowledgement_takes_effect_while_the_store_takes_nothing_and_is_stored_once_it_does(
    store: Store, commit: Commit, acquisition: Acquisition
) -> None:
    acquisition.numbers = commit.numbers
    commit.most_waiting = 100
    for minute in range(12):  # 600 s at 4.7: it annunciates
        commit.add(cycle(acquisition, minute), at_us=at_us(minute))
    acknowledge = Command(id=0, at_us=at_us(12), kind=CommandKind.ACKNOWLEDGE, vat="vat", alarm="ph-high", by="mqtt")
    note = replace(acknowledge, kind=CommandKind.NOTE, alarm="", note="on my way")
    with locked(store):
        commit.add(cycle(acquisition, 12), at_us=at_us(12))
        commit.add(CycleResult(commands=acquisition.apply_from_memory([acknowledge])), at_us=at_us(12))
        commit.add(CycleResult(commands=acquisition.apply_from_memory([note])), at_us=at_us(12))
        commit.add(cycle(acquisition, 13), at_us=at_us(13))
        state = acquisition.watched["probe"].state.carry.alarms["ph-high"]
        assert state.shown is State.ACKNOWLEDGED
    for minute in (14, 15):
        commit.add(cycle(acquisition, minute), at_us=at_us(minute))
    assert causes(store).count(Cause.ACKNOWLEDGED) == causes(store).count(Cause.NOTED) == 1
    (span,) = history.spans(store)
    asked = history.consumed_commands(store, span)
    assert [(c.kind, c.seq) for c in asked if c.by == "mqtt"] == [("acknowledge", 14), ("note", 14)]
    assert queries.pending(store) == []
