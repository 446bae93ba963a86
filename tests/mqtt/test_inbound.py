"""Which messages become commands, once each, and when the broker may forget them."""

from collections.abc import Mapping

import numpy as np
import pytest

from logger.model import (
    Carry,
    Check,
    Command,
    CommandKind,
    ElectrodeState,
    Entry,
    SuppressionState,
    WatchState,
    WindowState,
)
from logger.mqtt import commands
from logger.mqtt.inbound import MOST_LATE, REMEMBERED, Inbound
from logger.mqtt.messages import Incoming, Receipt
from logger.mqtt.payloads import rfc3339
from logger.mqtt.rate_limit import ANSWERS_A_MINUTE, OTHERS_AT_ONCE, OTHERS_WITHIN_US
from tests.mqtt.factories import AT_US, CONFIG, TOPICS, measurements
from tests.series import calibration

MARK, SPOT = TOPICS.mark("marrow"), TOPICS.spot("marrow")
DATED = f'{{"mark":"probe-out","at":"{rfc3339(AT_US)}"}}'.encode()
SECOND_US = 1_000_000


def states(**parts: object) -> Mapping[str, WatchState]:
    """Return a watch that read pH 4.70, 4.72, 4.74 in the last half minute."""
    line = calibration()
    recent = [
        measurements(ph=ph, at_us=AT_US - age_s * SECOND_US, calibration=line.id, elapsed_us=1000 * SECOND_US)
        for ph, age_s in ((4.70, 20), (4.72, 10), (4.74, 0))
    ]
    known = {"electrode": ElectrodeState(calibration=line), **parts}
    return {
        vat.id: WatchState.of(
            Carry(probe=vat.probe, **known),  # type: ignore[arg-type] # parts of Carry
            recent[0].concatenate(recent),
        )
        for vat in CONFIG.vats
    }


def sent(topic: str, payload: bytes, mid: int = 1, *, dup: bool = False) -> Incoming:
    return Incoming(topic, payload, receipt=Receipt(mid, 1), dup=dup)


def ear(*known: str) -> Inbound:
    made = Inbound(config=CONFIG, topics=TOPICS)
    made.remember(known)
    return made


def heard(by: Inbound, incoming: Incoming) -> Command | Entry | None:
    return next(iter(by.receive(incoming, states(), at_us=AT_US, now_us=0)), None)


def taken(by: Inbound, incoming: Incoming) -> Command:
    command = heard(by, incoming)
    assert isinstance(command, Command)
    return command


@pytest.mark.parametrize("payload", [b"probe-out", DATED], ids=["bare", "dated"])
@pytest.mark.parametrize("died", [False, True])
def test_what_the_broker_repeats_is_taken_once_also_over_a_restart(payload: bytes, *, died: bool) -> None:
    before = ear()
    command = taken(before, sent(MARK, payload))
    after = ear(command.delivery) if died else before
    after.connected(resumed=True)
    after.take_held()
    assert heard(after, sent(MARK, payload, dup=True)) is None
    assert (after.take_held(), after.take_free()) == ([Receipt(1, 1)], [])  # once that is stored, it may forget it


def test_what_was_not_taken_before_is_taken_though_the_broker_calls_it_a_repeat() -> None:
    assert taken(ear(), sent(MARK, b"probe-out", dup=True)).note == "probe-out"


def test_the_same_button_may_be_pressed_again() -> None:
    here = ear()
    for mid in (1, 2, 1):  # the broker gives a number again once it was acknowledged
        assert taken(here, sent(MARK, b"probe-out", mid)).note == "probe-out"


def test_numbers_of_a_session_that_the_broker_forgot_say_nothing() -> None:
    here = ear(taken(ear(), sent(MARK, b"probe-out")).delivery)
    here.connected(resumed=False)
    assert taken(here, sent(MARK, b"probe-out", dup=True)).note == "probe-out"


def test_a_dated_command_that_is_sent_anew_is_refused_also_in_another_session() -> None:
    here = ear(taken(ear(), sent(MARK, DATED)).delivery)
    here.connected(resumed=False)
    refusal = heard(here, sent(MARK, DATED, 9))
    assert isinstance(refusal, Entry)
    assert "it was taken before" in refusal.text


def test_names_are_remembered_in_bounds() -> None:
    here = ear(*(f"at-{number}" for number in range(REMEMBERED + 1)))
    here.remember([taken(here, sent(MARK, DATED)).delivery])
    assert heard(here, sent(MARK, DATED, dup=True)) is None


def test_the_broker_may_forget_at_once_what_asks_for_nothing_or_is_one_too_many() -> None:
    here = ear()
    assert heard(here, sent("homeassistant/status", b"online", 7)) is None
    assert here.take_free() == [Receipt(7, 1)]
    for mid in range(1, OTHERS_AT_ONCE + MOST_LATE + 2):
        heard(here, sent(MARK, b"probe-out", mid))
    assert [receipt.mid for receipt in here.take_held()] == list(range(1, OTHERS_AT_ONCE + 1))
    assert here.take_free() == [Receipt(OTHERS_AT_ONCE + MOST_LATE + 1, 1)]


def late(by: Inbound, now_us: int) -> list[Command | Entry]:
    return [*by.receive_late(states(), at_us=AT_US, now_us=now_us)]


def test_what_is_one_too_many_waits_for_room_and_is_then_taken_in_order() -> None:
    here = ear()
    for mid in range(1, OTHERS_AT_ONCE + 4):
        heard(here, sent(TOPICS.note("marrow"), b"note %d" % mid, mid))
    here.take_held()
    assert late(here, OTHERS_WITHIN_US - 1) == []
    notes = [asked.note for asked in late(here, OTHERS_WITHIN_US + SECOND_US) if isinstance(asked, Command)]
    assert notes == [f"note {number}" for number in range(OTHERS_AT_ONCE + 1, OTHERS_AT_ONCE + 4)]
    assert len(here.take_held()) == 3
    assert here.rate_limit.tally(0, at_us=0, last=True) is None


def test_what_waits_for_room_comes_again_after_a_new_connection() -> None:
    here = ear()
    for mid in range(1, OTHERS_AT_ONCE + 2):
        heard(here, sent(MARK, b"probe-out", mid))
    here.connected(resumed=True)
    assert late(here, OTHERS_WITHIN_US + SECOND_US) == []


def test_neither_notes_nor_rubbish_shut_an_acknowledgement_out() -> None:
    here = ear()
    for mid in range(1, OTHERS_AT_ONCE + 100):
        heard(here, sent(TOPICS.note("marrow"), b"note %d" % mid, mid))
        heard(here, sent(TOPICS.note("marrow"), b"\xff", 1000 + mid))
    vat = CONFIG.vats[0]
    acknowledge = TOPICS.acknowledge(vat.id, vat.alarms[0].id)
    for mid in range(ANSWERS_A_MINUTE):
        assert taken(here, sent(acknowledge, b"%d" % mid, 5000 + mid)).occurrence == mid


def test_a_refusal_is_held_until_it_is_journalled() -> None:
    here = ear()
    assert isinstance(heard(here, sent(MARK, b"\xff")), Entry)
    assert (here.take_held(), here.take_free()) == ([Receipt(1, 1)], [])


def test_a_spot_measurement_becomes_a_check_beside_what_the_probe_reads_now() -> None:
    command = taken(ear(), sent(SPOT, b'{"ph":4.60,"u":0.05,"instrument":"hand meter"}'))
    check = command.check
    assert isinstance(check, Check)
    assert (command.kind, command.vat, command.probe, command.by) == (CommandKind.CHECK, "", "marrow-probe", "mqtt")
    assert (check.reference_ph, check.u_reference_ph, check.instrument) == (4.60, 0.05, "hand meter")
    assert (check.reading_ph, check.vat, check.calibration) == (4.72, "marrow", calibration().id)
    assert check.deviation_ph == pytest.approx(0.12)
    assert not check.passed  # within 0.1 (`judge_tolerance_ph`)


@pytest.mark.parametrize(
    ("carry", "says"),
    [
        ({"electrode": ElectrodeState()}, "no calibration of marrow-probe is in force"),
        ({"suppression": SuppressionState(attended_until_us=1)}, "somebody works on the probe"),
        ({"suppression": SuppressionState(out_until_us=1)}, "the probe is marked out: put it back, mark it `probe-in`"),
        ({"windows": WindowState(fresh_us=2000 * SECOND_US)}, "not made 3 readings in the vat"),
    ],
)
def test_a_spot_measurement_that_cannot_be_compared_is_refused_with_the_reason(
    carry: dict[str, object], says: str
) -> None:
    (refusal,) = ear().receive(sent(SPOT, b"4.7"), states(**carry), at_us=AT_US, now_us=0)
    assert isinstance(refusal, Entry)
    assert says in refusal.text
    assert (refusal.vat, refusal.by) == ("marrow", "mqtt")
    assert np.isfinite(refusal.at_us)


def test_what_meets_a_fault_of_ours_is_refused_once_and_the_broker_forgets_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> Command:
        raise OverflowError("a bug")

    monkeypatch.setattr(commands, "command_of", broken)
    by = ear()
    refused = heard(by, sent(MARK, b"probe-out", mid=3))
    assert isinstance(refused, Entry)
    assert "refused: this version of vatvigil cannot carry it out (OverflowError)" in refused.text
    assert by.take_held() == [Receipt(3, 1)]
