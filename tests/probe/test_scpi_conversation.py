"""SCPI over a real pseudo-terminal with a scripted instrument at the far end."""

import threading
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.config import ScpiConfig
from logger.model import Reason
from tests.probe.peer import HEALTHY, Peer, Reply
from tests.probe.polled_probe import GOOD, TIMEOUT_S, Ticks, missing, values

VOLT, TEMP, ERROR, IDENTITY = b"MEAS:VOLT:DC?", b"MEAS:TEMP?", b"SYST:ERR?", b"*IDN?"


def test_a_healthy_instrument_gives_both_values_and_the_times_it_was_asked_at(tick: Ticks) -> None:
    got = tick()
    assert values(got) == GOOD
    assert (got.probe, got.at_us, got.elapsed_us) == ("p1", 10_001_000, 10_000_000)
    assert tick.reader.detail == ""
    assert tick.reader.identity == "Acorn Benchworks,VAT-1,0007,1.0"


def test_the_identity_is_asked_once_an_opening(tick: Ticks, peer: Peer) -> None:
    assert [values(tick()) for _ in range(3)] == [GOOD] * 3
    assert peer.asked == [IDENTITY, b"*CLS", *[VOLT, TEMP] * 3]


def test_carriage_returns_are_tolerated(tick: Ticks, peer: Peer) -> None:
    peer.standing |= {q: Reply((r.data or b"").replace(b"\n", b"\r\n")) for q, r in HEALTHY.items() if r.data}
    assert values(tick()) == GOOD


def test_bytes_that_wait_at_opening_are_not_taken_for_a_reply(tick: Ticks, peer: Peer) -> None:
    peer.say(b'9.9\n1.5\n0,"No error"\n3.')
    assert values(tick()) == GOOD


def test_an_unknown_query_without_reply_is_a_timeout(tick: Ticks, peer: Peer) -> None:
    tick()
    peer.once(TEMP, Reply(None))
    assert values(tick()) == missing(Reason.TIMEOUT)
    assert tick.reader.detail == (f"{peer.link}: no reply to MEAS:TEMP? within 0.15 s; is the instrument on?")
    assert values(tick()) == GOOD


def test_a_queued_error_explains_the_silence_and_the_queue_is_cleared(tick: Ticks, peer: Peer) -> None:
    tick()
    peer.once(TEMP, Reply(None))
    peer.once(ERROR, Reply(b'-113,"Undefined header"\n'))
    assert values(tick()) == missing(Reason.INSTRUMENT_ERROR)
    assert "the instrument reports -113, Undefined header" in tick.reader.detail
    assert values(tick()) == GOOD
    assert peer.asked[4:] == [VOLT, TEMP, ERROR, ERROR, b"*CLS", VOLT, TEMP]


@pytest.mark.parametrize("query", [VOLT, TEMP])
@pytest.mark.parametrize(
    ("reply", "reason"),
    [
        (b"3.4", Reason.GARBLED),
        (b"\xff\xfe#!\n", Reason.GARBLED),
        (b"0.1712 V\n", Reason.GARBLED),
        (b"\n", Reason.GARBLED),
        (b"1" * 5000 + b"\n", Reason.GARBLED),
        (None, Reason.TIMEOUT),
    ],
)
def test_a_bad_reply_makes_a_missing_record_and_the_next_tick_reads_again(
    tick: Ticks, peer: Peer, query: bytes, reply: bytes | None, reason: Reason
) -> None:
    tick()
    peer.once(query, Reply(reply))
    assert values(tick()) == missing(reason)
    assert tick.reader.detail.startswith(f"{peer.link}: ")
    assert values(tick()) == GOOD


@pytest.mark.parametrize(("reply", "reason"), [(b"9.9E37\n", Reason.OVERRANGE), (b"9.91E37\n", Reason.NOT_A_NUMBER)])
def test_a_potential_without_a_value_makes_a_missing_record(
    tick: Ticks, peer: Peer, reply: bytes, reason: Reason
) -> None:
    peer.once(VOLT, Reply(reply))
    assert values(tick()) == missing(reason)
    assert values(tick()) == GOOD


@pytest.mark.parametrize("reply", [b"9.9E37\n", b"9.91E37\n"])
def test_a_thermometer_without_a_value_does_not_take_the_potential_away(tick: Ticks, peer: Peer, reply: bytes) -> None:
    peer.once(TEMP, Reply(reply))
    assert values(tick()) == (171.2, None, Reason.NONE)
    assert tick.reader.detail.endswith("(temperature)")
    assert values(tick()) == GOOD
    assert tick.reader.detail == ""


def test_the_rest_of_a_partial_reply_is_not_taken_for_the_next_one(tick: Ticks, peer: Peer) -> None:
    tick()
    peer.once(TEMP, Reply(b"3.4"))
    assert values(tick()) == missing(Reason.GARBLED)
    peer.say(b"56\n")
    peer.wait_for_arrival()
    assert values(tick()) == GOOD


def test_a_slow_reply_within_the_limit_is_read(tick: Ticks, peer: Peer) -> None:
    peer.standing[TEMP] = Reply(b"20.10\n", delay_s=TIMEOUT_S / 2)
    assert values(tick()) == GOOD


def test_a_late_potential_is_never_read_as_the_temperature(tick: Ticks, peer: Peer) -> None:
    tick()
    peer.once(VOLT, Reply(b"0.2\n", delay_s=TIMEOUT_S * 1.5))
    assert values(tick()) == missing(Reason.TIMEOUT)
    assert values(tick()) == GOOD


def test_a_potential_later_than_the_settling_query_is_not_read_as_the_temperature_either(
    tick: Ticks, peer: Peer
) -> None:
    tick()
    peer.once(VOLT, Reply(b"0.2\n", delay_s=TIMEOUT_S * 2.5))
    assert values(tick()) == missing(Reason.TIMEOUT)
    assert values(tick()) == GOOD
    assert values(tick()) == GOOD


@settings(max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    delays=st.lists(st.sampled_from([0.0, 0.8, 1.2, 2.2, 3.3]), min_size=4, max_size=4),
    queries=st.lists(st.sampled_from([VOLT, TEMP, ERROR, IDENTITY]), min_size=4, max_size=4),
)
def test_whatever_is_late_the_two_values_are_never_mixed_up(
    tick: Ticks, peer: Peer, delays: list[float], queries: list[bytes]
) -> None:
    for query, delay in zip(queries, delays, strict=True):
        peer.once(query, Reply(HEALTHY[query].data, delay_s=delay * TIMEOUT_S))
    assert {values(tick()) for _ in range(5)} <= {GOOD, missing(Reason.TIMEOUT), missing(Reason.GARBLED)}


def test_an_instrument_that_is_always_too_slow_never_gives_a_value(tick: Ticks, peer: Peer) -> None:
    for query in (VOLT, TEMP, ERROR):
        peer.standing[query] = Reply(HEALTHY[query].data, delay_s=TIMEOUT_S * 1.3)
    assert {values(tick()) for _ in range(8)} == {missing(Reason.TIMEOUT)}


def test_two_replies_to_one_query_are_not_believed(tick: Ticks, peer: Peer) -> None:
    tick()
    peer.once(VOLT, Reply(b"0.2\n0.3\n"))
    assert values(tick()) == missing(Reason.GARBLED)
    assert values(tick()) == GOOD


def test_lines_that_nobody_asked_for_are_thrown_away_before_the_next_request(tick: Ticks, peer: Peer) -> None:
    tick()
    peer.say(b"0.5\n0.6\n7")
    peer.wait_for_arrival()
    assert values(tick()) == GOOD
    assert peer.asked[4:] == [ERROR, VOLT, TEMP]


def test_a_tick_ends_in_time_however_much_an_instrument_talks(tick: Ticks, peer: Peer) -> None:
    stop = threading.Event()

    def babble() -> None:
        while not stop.is_set():
            peer.say(b'0,"No error"\n')

    tick()
    babbler = threading.Thread(target=babble)
    babbler.start()
    try:
        start = time.monotonic()
        got = [values(tick()) for _ in range(3)]
        took_s = time.monotonic() - start
    finally:
        stop.set()
        tick.reader.close()  # its closing empties the pseudo-terminal, so that the babbler is not stuck in a full one
        babbler.join()
    assert (took_s < 3 * 6 * TIMEOUT_S + 2, len(got)) == (True, 3)


def test_an_instrument_switched_off_is_silence_and_its_identity_is_asked_when_it_is_back(
    tick: Ticks, peer: Peer
) -> None:
    tick()
    peer.standing = {}
    assert [values(tick()) for _ in range(3)] == [missing(Reason.TIMEOUT)] * 3
    peer.standing = dict(HEALTHY)
    time.sleep(5 * TIMEOUT_S)
    assert values(tick()) == GOOD
    assert peer.asked[-4:] == [IDENTITY, b"*CLS", VOLT, TEMP]


def test_an_instrument_exchanged_behind_its_adapter_is_noticed(peer: Peer) -> None:
    tick = Ticks(str(peer.link), identity="0007")
    tick()
    peer.standing = {}
    tick()
    peer.standing = HEALTHY | {IDENTITY: Reply(b"Acorn Benchworks,VAT-1,0008,1.0\n")}
    assert values(tick()) == missing(Reason.WRONG_INSTRUMENT)
    peer.standing = dict(HEALTHY)
    assert values(tick()) == GOOD
    tick.reader.close()


def test_another_instrument_than_the_one_configured_is_refused_until_the_right_one_answers(peer: Peer) -> None:
    tick = Ticks(str(peer.link), identity="0042")
    assert [values(tick()) for _ in range(2)] == [missing(Reason.WRONG_INSTRUMENT)] * 2
    assert tick.reader.detail == (
        f"{peer.link}: the instrument says it is 'Acorn Benchworks,VAT-1,0007,1.0', "
        "which does not contain the configured identity '0042'; check the port and the cable"
    )
    assert VOLT not in peer.asked
    peer.standing[IDENTITY] = Reply(b"Acorn Benchworks,VAT-1,0042,1.0\n")
    assert values(tick()) == GOOD
    tick.reader.close()


@pytest.mark.parametrize(("name", "simulated"), [(b"SIMULATED", False), (b"VAT-1", True)])
def test_simulated_and_real_instruments_are_never_taken_for_each_other(
    peer: Peer, name: bytes, *, simulated: bool
) -> None:
    peer.standing[IDENTITY] = Reply(b"Acorn Benchworks," + name + b",0007,1.0\n")
    tick = Ticks(str(peer.link), simulated=simulated)
    assert values(tick()) == missing(Reason.WRONG_INSTRUMENT)
    tick.reader.close()


def test_the_queries_are_the_user_s_and_an_instrument_may_have_no_thermometer(peer: Peer) -> None:
    peer.standing[b"READ:CH2?"] = Reply(b"0.1712\n")
    tick = Ticks(str(peer.link), scpi=ScpiConfig(potential="READ:CH2?", temperature=""))
    assert [values(tick()) for _ in range(2)] == [(171.2, None, Reason.NONE)] * 2
    assert peer.asked == [IDENTITY, b"*CLS", *[b"READ:CH2?"] * 2]
    tick.reader.close()


def test_an_instrument_that_reports_its_own_ph_is_read_as_an_ideal_electrode(peer: Peer) -> None:
    peer.standing[b"MEAS:PH?"] = Reply(b"6.000\n")
    tick = Ticks(str(peer.link), scpi=ScpiConfig(ph="MEAS:PH?"))
    # R T ln10 / F (CODATA 2018) at 20.1 C, a pH below 7
    got = tick()
    assert got.potential_mv == pytest.approx(58.187, abs=1e-3)
    assert values(got)[1:] == (20.1, Reason.NONE)
    tick.reader.close()


def test_all_that_the_instrument_has_queued_is_told(tick: Ticks, peer: Peer) -> None:
    tick()
    peer.once(TEMP, Reply(None))
    peer.once(ERROR, Reply(b'-240,"Hardware error"\n'), Reply(b'-350,"Queue overflow"\n'))
    assert values(tick()) == missing(Reason.INSTRUMENT_ERROR)
    assert tick.reader.detail.endswith("the instrument reports -240, Hardware error; -350, Queue overflow")
    assert values(tick()) == GOOD
