"""When the dead man's switch is fed, and by what it is kept from that; then real requests."""

import pytest

from logger.channels import DeadMansSwitch
from logger.channels.dead_man import trouble_of, unheard
from logger.config import AlarmKind, DeadManConfig, Priority, VatConfig, default_alarm
from logger.model import AlarmState, Carry, State
from logger.structs import replace
from tests.channels.factories import SECOND_US, event
from tests.parts.mosquitto import free_port
from tests.parts.receiver import Receiver
from tests.parts.waiting import wait_until

CONFIG = DeadManConfig(url="http://hall/medlar", every_s=300.0)


class Asked:
    """Stands in the place of the thread: counts the requests."""

    def __init__(self) -> None:
        self.number = 0
        self.is_busy = False

    def start(self) -> None:
        """Do nothing."""

    def ask(self) -> None:
        self.number += 1


def switch() -> tuple[DeadMansSwitch, Asked]:
    made, asked = DeadMansSwitch(config=CONFIG), Asked()
    made.requests = asked  # type: ignore[assignment] # has all that is used
    return made, asked


def fed(made: DeadMansSwitch, asked: Asked, *seconds: int, trouble: str = "") -> int:
    """Return how often it was fed in these seconds."""
    before = asked.number
    for second in seconds:
        made.feed(second * SECOND_US, lambda: trouble)
    return asked.number - before


def test_it_is_fed_every_so_often_and_not_before_a_whole_interval_has_passed() -> None:
    made, asked = switch()
    made.start(1000 * SECOND_US, [])
    assert fed(made, asked, *range(1000, 1300)) == 0
    assert fed(made, asked, *range(1300, 2200)) == 3


def test_trouble_keeps_it_from_that_and_its_end_lets_it_at_once(caplog: pytest.LogCaptureFixture) -> None:
    made, asked = switch()
    assert fed(made, asked, *range(1000, 1100)) == 1
    assert fed(made, asked, *range(1100, 5000), trouble="a probe is not read") == 0
    assert fed(made, asked, 5000) == 1
    assert [record.message for record in caplog.records] == [
        "The dead man's switch is not fed: a probe is not read",
        "The dead man's switch is fed again: all is well",
    ]


def test_trouble_between_two_times_is_none() -> None:
    made, asked = switch()
    assert fed(made, asked, 1000) == 1
    assert fed(made, asked, *range(1001, 1299), trouble="records wait for the store") == 0
    assert fed(made, asked, 1300) == 1


def test_an_urgent_event_that_nobody_was_told_of_keeps_it_from_that() -> None:
    made, asked = switch()
    made.offer([event(1, priority="medium")])
    assert fed(made, asked, 1000) == 1
    made.offer([event(2), event(3)])
    made.told(["of before", event(2).id])
    assert fed(made, asked, 2000) == 0
    made.told([event(3).id])
    assert fed(made, asked, 2001) == 1


def test_a_way_out_that_takes_a_newer_event_makes_up_for_those_before() -> None:
    made, asked = switch()
    made.offer([event(1), event(2), event(3)])
    made.told([event(2).id])
    assert fed(made, asked, 1000) == 0
    made.told([event(3).id])
    assert fed(made, asked, 1001) == 1


def test_a_request_under_way_is_not_asked_again() -> None:
    made, asked = switch()
    asked.is_busy = True
    assert fed(made, asked, *range(1000, 2000)) == 0
    asked.is_busy = False
    assert fed(made, asked, 2000) == 1


@pytest.mark.parametrize(
    ("kind", "state", "is_unheard"),
    [
        (AlarmKind.NO_DATA, AlarmState(base=State.UNACKNOWLEDGED, abnormal=True), True),
        (AlarmKind.TRUST_LOST, AlarmState(base=State.LATCHED_UNACKNOWLEDGED, abnormal=True), True),
        (AlarmKind.BROKER_AWAY, AlarmState(base=State.UNACKNOWLEDGED, abnormal=True), True),
        (AlarmKind.REHEARSAL_FAILED, AlarmState(base=State.UNACKNOWLEDGED, abnormal=True), True),
        (AlarmKind.REHEARSAL, AlarmState(base=State.UNACKNOWLEDGED, abnormal=True), False),
        (AlarmKind.NO_DATA, AlarmState(base=State.ACKNOWLEDGED, abnormal=True), False),
        (AlarmKind.NO_DATA, AlarmState(base=State.RETURNED), False),
        (AlarmKind.NO_DATA, AlarmState(base=State.UNACKNOWLEDGED, shelved_until_us=9), False),
        (AlarmKind.NO_DATA, AlarmState(base=State.UNACKNOWLEDGED, suppressed_until_us=9), False),
        (AlarmKind.PH_HIGH, AlarmState(base=State.UNACKNOWLEDGED, abnormal=True), False),
        (AlarmKind.CLAIM_WITHDRAWN, AlarmState(base=State.UNACKNOWLEDGED, abnormal=True), False),
    ],
)
def test_a_high_alarm_on_watch_or_instrument_must_be_acknowledged(
    kind: AlarmKind, state: AlarmState, *, is_unheard: bool
) -> None:
    assert bool(heard(kind, state, Priority.HIGH)) is is_unheard
    assert heard(kind, state, Priority.LOW) == ""
    assert bool(heard(kind, replace(state, raised=True), Priority.MEDIUM)) is is_unheard


def heard(kind: AlarmKind, state: AlarmState, priority: Priority) -> str:
    alarm = default_alarm(kind, priority=priority, setpoint=4.6 if kind is AlarmKind.PH_HIGH else None)
    vat = VatConfig(id="marrow", name="Marrow", probe="probe", alarms=(alarm,))
    return unheard([vat], {"marrow": Carry(probe="probe", alarms={alarm.id: state})})


def test_its_address_is_asked_for(receiver: Receiver) -> None:
    made = DeadMansSwitch(config=DeadManConfig(url=f"http://127.0.0.1:{receiver.port}/medlar?a=b"))
    made.start(0, [])
    made.feed(300 * SECOND_US, str)
    wait_until(lambda: not made.requests.is_busy, 30)
    assert receiver.asked == ["/medlar?a=b"]


def test_a_failure_is_told_once_until_it_works_and_never_with_a_word_of_the_address(
    receiver: Receiver, caplog: pytest.LogCaptureFixture
) -> None:
    made = DeadMansSwitch(config=DeadManConfig(url=f"http://127.0.0.1:{receiver.port}/medlar", every_s=10.0))
    made.start(0, [])
    for number, status in enumerate((404, 404, 200, 503)):
        receiver.status = status
        made.feed((number + 1) * 10 * SECOND_US, str)
        wait_until(lambda: not made.requests.is_busy, 30)
    assert [record.message for record in caplog.records] == [
        "The dead man's switch could not be fed: the answer was HTTP status 404",
        "The dead man's switch could be fed again",
        "The dead man's switch could not be fed: the answer was HTTP status 503",
    ]
    assert "medlar" not in caplog.text


@pytest.mark.parametrize(
    ("url", "why"),
    [
        (f"http://127.0.0.1:{free_port()}/medlar", "Connection refused"),
        ("http://127.0.0.1/med lar\n", "InvalidURL"),
    ],
    ids=["refused", "no address"],
)
def test_why_it_failed_is_told_without_the_address(url: str, why: str) -> None:
    assert trouble_of(DeadManConfig(url=url)) == why


def test_an_answer_that_does_not_come_is_not_waited_for_for_ever(receiver: Receiver) -> None:
    receiver.silent = True
    assert trouble_of(DeadManConfig(url=f"http://127.0.0.1:{receiver.port}/medlar", timeout_s=0.2)) == "TimeoutError"
