"""Which events a channel brings out and when: time is an argument, nothing is run."""

from collections.abc import Sequence

from logger.channels import Channel, RunResult
from logger.channels.channel import LONGEST_RETRY_US
from logger.model import Cause, Event
from tests.channels.factories import SECOND_US, Post, event, hook_channel

AFTER_US = 60 * SECOND_US


class RecordingRunner:
    """Stands in the place of the thread: keeps the ids of the events that are submitted."""

    def __init__(self, ours: Channel) -> None:
        self.ids: list[str] = []
        ours.runner = self  # type: ignore[assignment] # `submit` is all that is used

    def submit(self, event: Event) -> None:
        self.ids.append(event.id)


def channel_and_runner(*, after_s: float = 60.0, retries: int = 2) -> tuple[Channel, RecordingRunner]:
    ours = hook_channel(Post(), "/bin/true", after_s=after_s, retries=retries)
    return ours, RecordingRunner(ours)


def ran(ours: Channel, number: int, trouble: str = "", *, now_us: int = 0) -> str:
    """Let a run end; return what is journalled."""
    entry = ours.on_result(RunResult("hook", event(number).id, trouble), now_us, at_us=7)
    return entry.text if entry else ""


def taken(ours: Channel) -> list[str]:
    return [event.id for event in ours.take_taken()]


def ids(numbers: Sequence[int]) -> list[str]:
    return [event(number).id for number in numbers]


def test_an_event_waits_for_the_broker_first() -> None:
    ours, runner = channel_and_runner()
    ours.offer([event(1)], 5)
    ours.pump(AFTER_US + 4)
    assert (runner.ids, ours.next_due_us) == ([], AFTER_US + 5)
    ours.pump(AFTER_US + 5)
    assert (runner.ids, ours.next_due_us) == (ids([1]), None)


def test_what_the_broker_took_in_time_goes_no_second_way() -> None:
    ours, runner = channel_and_runner()
    ours.offer([event(1), event(2)], 0)
    ours.forget(ids([1]))
    ours.pump(AFTER_US)
    assert runner.ids == ids([2])


def test_only_what_is_urgent_and_no_person_did_goes_out() -> None:
    ours, runner = channel_and_runner(after_s=0)
    ours.offer([event(1, priority="medium"), event(2, priority=""), event(3, by="kim"), event(4)], 0)
    ours.pump(0)
    assert runner.ids == ids([4])
    ran(ours, 4)
    ours.pump(0)
    assert runner.ids == ids([4])


def test_an_event_offered_twice_goes_out_once() -> None:
    ours, runner = channel_and_runner(after_s=0)
    ours.offer([event(1)], 0)
    ours.pump(0)
    ran(ours, 1)
    ours.offer([event(1)], 0)
    ours.pump(0)
    assert (runner.ids, taken(ours), taken(ours)) == (ids([1]), ids([1]), [])


def test_what_waited_before_a_restart_waits_only_the_rest() -> None:
    ours, _ = channel_and_runner()
    ours.offer([event(1)], 0, waited_s=45)
    assert ours.next_due_us == 15 * SECOND_US
    late, _ = channel_and_runner()
    late.offer([event(1)], 3, waited_s=1e9)
    assert late.next_due_us == 3
    stepped, _ = channel_and_runner()  # the wall clock ran back meanwhile
    stepped.offer([event(1)], 0, waited_s=-1e9)
    assert stepped.next_due_us == AFTER_US


def test_failures_are_tried_again_ever_later_and_events_keep_their_order() -> None:
    ours, runner = channel_and_runner(after_s=0, retries=6)
    ours.offer([event(1), event(2)], 0)
    waits_s, now_us = [], 0
    for _ in range(6):
        ours.pump(now_us)
        assert ran(ours, 1, "no", now_us=now_us) == ""
        assert ours.next_due_us is not None
        waits_s.append((ours.next_due_us - now_us) / SECOND_US)
        ours.pump(ours.next_due_us - 1)
        now_us = ours.next_due_us
    assert waits_s == [5, 10, 20, 40, LONGEST_RETRY_US / SECOND_US, 60]
    ours.pump(now_us)
    ran(ours, 1)
    ours.pump(now_us)
    assert runner.ids == ids([1] * 7 + [2])


def test_giving_up_is_journalled_once_until_a_run_ends_well() -> None:
    ours, runner = channel_and_runner(after_s=0, retries=1)
    ours.offer([event(number) for number in range(1, 6)], 0)
    said = []
    for number, trouble in [(1, "no"), (1, "no"), (2, "no"), (2, "no"), (3, ""), (4, "no"), (4, "never"), (5, "")]:
        ours.pump(ours.next_due_us or 0)
        said.append(ran(ours, number, trouble))
    text = "The second way out (/bin/true) was tried 2 times in vain: {}. Try it by hand"
    assert said == ["", text.format("no"), "", "", "", "", text.format("never"), ""]
    assert taken(ours) == ids([3, 5])
    assert runner.ids == ids([1, 1, 2, 2, 3, 4, 4, 5])


def test_what_is_journalled_of_a_failure_goes_no_second_way_itself() -> None:
    ours, _ = channel_and_runner(after_s=0, retries=0)
    ours.offer([event(1)], 0)
    ours.pump(0)
    entry = ours.on_result(RunResult("hook", event(1).id, "no"), 0, at_us=7)
    assert entry is not None
    assert (entry.cause, entry.priority, entry.at_us, entry.vat) == (Cause.HOOK_FAILED, "medium", 7, "")
    assert "was tried once in vain" in entry.text


def test_a_run_that_ends_after_the_broker_took_its_event_is_known_all_the_same() -> None:
    ours, runner = channel_and_runner(after_s=0)
    ours.offer([event(1), event(2)], 0)
    ours.pump(0)
    ours.forget(ids([1]))
    ours.pump(0)
    assert runner.ids == ids([1])
    ran(ours, 1)
    assert taken(ours) == ids([1])
    ours.pump(0)
    ours.forget(ids([2]))
    assert ran(ours, 2, "no") == ""
    assert ours.next_due_us is None
