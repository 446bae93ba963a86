"""One transaction: all of it or nothing, in order, once."""

import pytest

from logger.errors import RefusedError, StoreBusyError, StoreError
from logger.model import (
    Answer,
    BatchState,
    Carry,
    CommandKind,
    ElectrodeState,
    SuppressionState,
    TargetProgress,
    TrustState,
    WindowState,
)
from logger.store import Store, history, queries
from logger.structs import replace
from tests.store.conftest import Opener
from tests.store.factories import START_US, bits, calibration, carry, command, entry, event, measurements, outcome


def start(store: Store) -> int:
    with store.begin() as unit:
        run = unit.start_run(at_us=START_US, elapsed_us=5, version="0.1", config_hash="abc")
        unit.commit()
    return run


def test_nothing_is_kept_without_commit(store: Store) -> None:
    run = start(store)
    with store.begin() as unit:
        unit.append(outcome(measurements(1, 3), entries=[entry()]), run=run)
        unit.add_events([event("a")])
        unit.add_command(command())
    assert queries.last_position(store, "marrow-probe") is None
    assert queries.entries(store, limit=9) == []
    assert queries.unsent_events(store, 9) == []
    assert queries.pending_commands(store) == []
    assert queries.load_watch(store, "marrow", "marrow-probe", recent=9) is None


def test_an_exception_in_the_block_undoes_everything(store: Store) -> None:
    def work() -> None:
        with store.begin() as unit:
            unit.add_events([event("a")])
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        work()
    assert queries.unsent_events(store, 9) == []


def test_a_watch_goes_on_with_what_was_in_memory(store: Store) -> None:
    run = start(store)
    records = measurements(1, 30)
    for first in range(0, 30, 10):
        with store.begin() as unit:
            unit.append(outcome(records[first : first + 10], carry=carry(windows=WindowState(fresh_us=first))), run=run)
            unit.commit()
    found = queries.load_watch(store, "marrow", "marrow-probe", recent=12)
    assert found is not None
    assert bits(found.recent) == bits(records[18:])
    assert found.carry == carry(windows=WindowState(fresh_us=20))


def test_a_vat_with_another_probe_keeps_alarms_batch_and_work_but_not_the_calibration(store: Store) -> None:
    run = start(store)
    began = BatchState(started_us=5, started_at_us=START_US)
    shown = replace(began, progress=TargetProgress(started_us=5, reads=3))
    electrode, work = ElectrodeState(calibration=replace(calibration(), id=1)), SuppressionState(not_back_us=7)
    kept = carry(electrode=electrode, batch=shown, suppression=work, trust=TrustState(still=4))
    with store.begin() as unit:
        unit.append(outcome(measurements(1, 3), carry=kept), run=run)
        unit.commit()
    found = queries.load_watch(store, "marrow", "new-probe", recent=9)
    assert found is not None
    assert found.carry == Carry(probe="new-probe", alarms=kept.alarms, batch=began, suppression=work)
    assert len(found.recent) == 0


def test_a_probe_moved_to_another_vat_brings_no_records_into_its_windows(store: Store) -> None:
    run = start(store)
    with store.begin() as unit:
        unit.append(outcome(measurements(1, 3)), run=run)
        unit.append(outcome(measurements(4, 2), vat="turnip"), run=run)
        unit.commit()
    found = queries.load_watch(store, "turnip", "marrow-probe", recent=9)
    assert found is not None
    assert found.recent.seq.tolist() == [4, 5]
    assert queries.last_position(store, "marrow-probe") == queries.Position(
        seq=5, elapsed_us=50_000_000, at_us=START_US + 50_000_000
    )


def test_commands_wait_in_order_until_a_step_consumes_them(store: Store) -> None:
    run = start(store)
    with store.begin() as unit:
        numbers = [unit.add_command(command(note=note)) for note in ("first", "second", "third")]
        unit.commit()
    assert [waiting.note for waiting in queries.pending_commands(store)] == ["first", "second", "third"]
    answers = [Answer(command=number, seq=1, applied=number != numbers[1], text="so") for number in numbers[:2]]
    with store.begin() as unit:
        unit.append(outcome(measurements(1, 1), answers=answers), run=run)
        unit.commit()
    assert [waiting.id for waiting in queries.pending_commands(store)] == numbers[2:]
    assert [queries.answer(store, number) for number in numbers] == [*answers, None]


def test_a_command_is_consumed_once(store: Store) -> None:
    run = start(store)
    with store.begin() as unit:
        answer = Answer(command=unit.add_command(command()), seq=1, applied=True)
        unit.append(outcome(measurements(1, 1), answers=[answer]), run=run)
        unit.commit()
    with store.begin() as unit, pytest.raises(LookupError, match=r"command \d+ is not pending"):
        unit.append(outcome(measurements(2, 1), answers=[replace(answer, seq=2)]), run=run)
    assert queries.answer(store, answer.command) == answer


def test_consumed_commands_come_back_with_the_record_they_precede(store: Store) -> None:
    run = start(store)
    with store.begin() as unit:
        made = unit.add_calibration(calibration())
        calibrate = command(CommandKind.CALIBRATE, vat="", probe="marrow-probe", calibration=made)
        ours = [unit.add_command(c) for c in (calibrate, command(note="stirred"), command(note="late"))]
        unit.add_command(command(vat="turnip"))
        seqs = dict(zip(ours, (1, 3, 99), strict=True))
        answers = [Answer(command=n, seq=seq, applied=True, probe="marrow-probe") for n, seq in seqs.items()]
        unit.append(outcome(measurements(1, 3, calibration=made.id), answers=answers), run=run)
        unit.commit()
    [span] = history.spans(store)
    assert history.consumed_commands(store, span) == [
        replace(calibrate, id=ours[0], seq=1),
        replace(command(note="stirred"), id=ours[1], seq=3),
    ]


def test_events_leave_in_order_and_only_once(store: Store) -> None:
    with store.begin() as unit:
        unit.add_events([event("c"), event("a"), event("b")], {"a": START_US})
        unit.commit()
    assert [waiting.id for waiting in queries.unsent_events(store, 9)] == ["c", "b"]
    assert queries.unsent_events(store, 1) == [event("c")]
    assert queries.outbox_waiting(store) == queries.Waiting(count=2, oldest_at_us=START_US)
    with store.begin() as unit:
        unit.mark_delivered(["c", "a", "unknown"], START_US + 1)
        unit.commit()
    assert queries.unsent_events(store, 9) == [event("b")]
    with store.begin() as unit:
        unit.mark_delivered(["b"], START_US + 2)
        unit.commit()
    assert queries.outbox_waiting(store) == queries.Waiting(count=0, oldest_at_us=None)


def test_what_a_channel_took_it_takes_once_and_it_waits_for_the_broker(store: Store) -> None:
    with store.begin() as unit:
        unit.add_events([event("c"), event("a"), event("b")], {"b": START_US})
        unit.begin_channels(["push-1"], START_US)
        unit.commit()
    assert waiting(store, "push-1") == ["c", "a", "b"]
    for at_us in (START_US, START_US + 1):  # told twice: the first time stands
        with store.begin() as unit:
            unit.mark_taken({("push-1", "c"): at_us, ("push-1", "not stored yet"): at_us})
            unit.commit()
    assert waiting(store, "push-1") == ["a", "b"]
    assert waiting(store, "push-1", undelivered=True) == ["a"]
    assert waiting(store, "hook", undelivered=True) == ["c", "a"]
    assert [untold.id for untold in queries.untold_events(store)] == ["a"]
    assert [unsent.id for unsent in queries.unsent_events(store, 9)] == ["c", "a"]


def test_a_channel_gets_nothing_that_is_older_than_itself_or_than_asked_for(store: Store) -> None:
    with store.begin() as unit:
        unit.add_events([event("a"), event("b", at_us=START_US + 2), event("c", at_us=START_US + 3)])
        unit.begin_channels(["push-1"], START_US + 1)
        unit.begin_channels(["push-1"], START_US + 3)  # a later start changes nothing
        unit.commit()
    assert waiting(store, "push-1") == ["b", "c"]
    assert waiting(store, "push-1", since_us=START_US + 3) == ["c"]
    assert waiting(store, "push-2") == []


def waiting(store: Store, channel: str, *, since_us: int = 0, undelivered: bool = False) -> list[str]:
    found = queries.untaken_events(store, channel, since_us=since_us, undelivered=undelivered)
    return [event.id for event in found]


def test_an_event_id_is_there_once(store: Store) -> None:
    with store.begin() as unit:
        unit.add_events([event("a"), event("a", payload='{"other":1}')])
        unit.add_events([event("a")])
        unit.commit()
    assert queries.unsent_events(store, 9) == [event("a")]


def test_a_record_number_is_there_once(store: Store) -> None:
    run = start(store)
    with store.begin() as unit:
        unit.append(outcome(measurements(1, 3)), run=run)
        with pytest.raises(Exception, match=r"(?i)unique"):  # the driver's own: each database has another
            unit.append(outcome(measurements(3, 1)), run=run)


def test_a_record_names_a_calibration_that_exists(store: Store) -> None:
    run = start(store)
    with store.begin() as unit, pytest.raises(Exception, match=r"(?i)foreign key"):
        unit.append(outcome(measurements(1, 3, calibration=7)), run=run)


def test_a_second_writer_in_the_program_waits_its_turn(store: Store) -> None:
    with store.begin() as unit:
        unit.add_events([event("a")])
        with pytest.raises(StoreBusyError, match="Another thread"), store.begin():
            pass
        unit.commit()
    assert queries.unsent_events(store, 9) == [event("a")]


def test_runs_are_listed_as_they_started(store: Store) -> None:
    runs = [start(store), start(store)]
    expected = [
        queries.Run(id=run, started_at_us=START_US, elapsed_us=5, version="0.1", config_hash="abc") for run in runs
    ]
    assert queries.runs(store) == expected


def test_reading_sees_committed_work_only_and_does_not_wait(store: Store, store_url: str) -> None:
    with store.begin() as unit:
        unit.add_events([event("a")])
        with Store.open(store_url, simulated=False, read_only=True) as status:
            assert queries.unsent_events(status, 9) == []
            unit.commit()
            assert queries.unsent_events(status, 9) == [event("a")]


@pytest.mark.usefixtures("store")
def test_a_store_opened_for_reading_takes_no_writes(store_url: str) -> None:
    with Store.open(store_url, simulated=False, read_only=True) as status:
        with pytest.raises(StoreError, match="was opened for reading only"):
            status.begin()
        with status.reading() as connection, pytest.raises(StoreBusyError, match=r"written|takes no writes"):
            connection.exec_driver_sql("INSERT INTO meta VALUES ('a', 'b')")


def test_the_whole_state_survives_closing(store_url: str, opened: Opener) -> None:
    first = opened(store_url)
    run = start(first)
    with first.begin() as unit:
        unit.append(outcome(measurements(1, 5), entries=[entry()], carry=carry()), run=run)
        unit.commit()
    first.close()
    second = opened(store_url, migrate=False)
    found = queries.load_watch(second, "marrow", "marrow-probe", recent=9)
    assert found is not None
    assert (bits(found.recent), found.carry) == (bits(measurements(1, 5)), carry())
    assert queries.watches(second) == {"marrow": carry()}
    assert isinstance(found.carry, Carry)


@pytest.mark.parametrize("by", ["tova\x1b[2J", "to\nva", "to\u202eva", "t" * 300])
def test_what_a_person_wrote_that_hides_something_is_not_stored(store: Store, by: str) -> None:
    with store.begin() as unit, pytest.raises(RefusedError, match=r"by (holds the character|has 300 characters)"):
        unit.add_calibration(replace(calibration(), by=by))
