"""Probes that speak in lines of text, asked and printing by themselves, on a real pseudo-terminal."""

import threading
import time
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.config import Protocol, TextConfig
from logger.model import Indication, Reason
from logger.structs import replace
from tests.probe.polled_probe import TIMEOUT_S, Ticks
from tests.probe.text_peer import TextPeer

PATTERN = r"(?P<mv>[-+]?\d+\.\d) mV (?P<temperature>\S+) C"
ASKED = TextConfig(pattern=PATTERN, example="171.2 mV 20.1 C", query="READ?")
PRINTING = replace(ASKED, query="", max_age_s=1.0)
LINE = b"171.2 mV 20.1 C\r\n"
GOOD = (171.2, 20.1, Reason.NONE)


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[TextPeer]:
    with TextPeer(tmp_path / "probe") as peer:
        yield peer


def ticks(peer: TextPeer, text: TextConfig, *, simulated: bool = False, **more: object) -> Ticks:
    return Ticks(str(peer.link), simulated=simulated, protocol=Protocol.TEXT, text=text, **more)


def values(indication: Indication) -> tuple[float | None, float | None, Reason]:
    return indication.potential_mv, indication.temperature_c, indication.reason


def missing(reason: Reason) -> tuple[None, None, Reason]:
    return None, None, reason


@pytest.fixture
def asked(peer: TextPeer) -> Iterator[Ticks]:
    peer.answer = lambda _: [(0.0, LINE)]
    tick = ticks(peer, ASKED)
    yield tick
    tick.reader.close()


def test_a_probe_that_is_asked_gives_both_values_and_is_asked_once_a_tick(asked: Ticks, peer: TextPeer) -> None:
    assert [values(asked()) for _ in range(3)] == [GOOD] * 3
    assert peer.asked == b"READ?\r\n" * 3


@pytest.mark.parametrize(
    ("changes", "reply"),
    [
        ({"terminator": "\r"}, LINE[:-1]),
        ({"terminator": "\n\r"}, LINE[:-2] + b"\n\r"),
        ({"terminator": "\x03", "query_end": ""}, LINE[:-2] + b"\x03"),
        ({"echo": True}, b"READ?\r\n" + LINE),
        ({"echo": True}, b"READ?\r" + LINE),
        ({"echo": True, "prompt": ">"}, b"READ?\r\n" + LINE + b"> "),
        ({"prompt": "ready>"}, b"ready> " + LINE + b"ready> "),
        ({}, b"\r\n" + LINE),
    ],
)
def test_terminators_echoes_and_prompts_are_told_from_the_line(
    peer: TextPeer, changes: dict[str, object], reply: bytes
) -> None:
    peer.answer = lambda _: [(0.0, reply)]
    tick = ticks(peer, replace(ASKED, **changes))  # type: ignore[arg-type]
    assert [values(tick()) for _ in range(3)] == [GOOD] * 3
    tick.reader.close()


@pytest.mark.parametrize(
    ("changes", "reply", "reason", "told"),
    [
        ({}, b"171.2 mV 20.1 C", Reason.GARBLED, "only part of a line came in time, '171.2 mV 20.1 C'"),
        ({}, b"171.2 mV 20.1 C\r", Reason.GARBLED, "'171.2 mV 20.1 C\\r'; it holds '\\r': is that the terminator?"),
        ({}, b"", Reason.TIMEOUT, "no reply to 'READ?' within 0.15 s; is the probe on?"),
        ({}, LINE * 2, Reason.GARBLED, "more than one line came for one query"),
        ({}, LINE + b"172.", Reason.GARBLED, "more than one line came for one query"),
        ({}, b"\xb1\xb7\xb1\n", Reason.GARBLED, "the pattern does not match the line '\\xb1\\xb7\\xb1'"),
        ({}, b"9" * 5000 + b"\n", Reason.GARBLED, "a line of more than 256 bytes came"),
        ({}, b"OVER\n", Reason.OVERRANGE, "the line 'OVER' says so"),
        ({}, b"READ?\r\n" + LINE, Reason.GARBLED, "the probe repeats the query 'READ?': write echo = true"),
        ({"echo": True}, LINE, Reason.GARBLED, "the probe did not repeat the query, it said '171.2 mV 20.1 C'"),
    ],
)
def test_a_bad_reply_makes_a_missing_record_with_a_sentence_and_the_next_tick_reads_again(
    peer: TextPeer, changes: dict[str, object], reply: bytes, reason: Reason, told: str
) -> None:
    peer.answer = lambda _: [(0.0, reply)]
    tick = ticks(peer, replace(ASKED, **changes))  # type: ignore[arg-type]
    assert values(tick()) == missing(reason)
    assert told in tick.reader.detail
    peer.answer = lambda _: [(0.0, b"READ?\r\n" + LINE if changes else LINE)]
    if not reply.endswith(b"\n"):
        time.sleep(5 * TIMEOUT_S)
    if not reply.endswith(b"\n") and reply:
        peer.say(b"\r\n")  # what is still owed of a line
    assert values(tick()) == GOOD
    tick.reader.close()


def test_a_late_reply_is_never_taken_for_a_newer_one(asked: Ticks, peer: TextPeer) -> None:
    numbers = count()
    asked()
    peer.answer = lambda _: [(TIMEOUT_S * 1.5, b"%d.0 mV 20.1 C\n" % next(numbers))]
    got = [values(asked()) for _ in range(4)]
    assert {each[0] for each in got} == {None}


@pytest.mark.slow
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(delays=st.lists(st.sampled_from([0.0, 0.5, 1.2, 2.2, 3.3]), min_size=6, max_size=6))
def test_whatever_is_late_a_value_is_the_reply_to_the_query_of_its_tick(
    asked: Ticks, peer: TextPeer, delays: list[float]
) -> None:
    check_that_no_value_is_old(asked, peer, delays)


def test_after_a_late_reply_a_value_is_the_reply_to_the_query_of_its_tick(asked: Ticks, peer: TextPeer) -> None:
    check_that_no_value_is_old(asked, peer, [0.0, 1.2, 2.2, 0.0])


def check_that_no_value_is_old(asked: Ticks, peer: TextPeer, delays: list[float]) -> None:
    wanted = iter(delays)
    number = [0]

    def answer(heard: bytes) -> list[tuple[float, bytes]]:
        number[0] += heard.count(b"\n")
        return [(next(wanted, 0.0) * TIMEOUT_S, b"%d.0 mV 20.1 C\n" % number[0])]

    peer.answer = answer
    for _ in delays:
        got = asked()
        assert got.potential_mv in (None, float(number[0]))


def test_what_comes_unasked_is_thrown_away_until_the_probe_is_quiet(asked: Ticks, peer: TextPeer) -> None:
    asked()
    peer.say(b"9.9 mV 9.9 C\n1")
    peer.wait_for_arrival()
    assert values(asked()) == GOOD


def test_a_probe_that_talks_all_the_time_is_not_believed_to_answer(asked: Ticks, peer: TextPeer) -> None:
    asked()
    stop = threading.Event()

    def babble() -> None:
        while not stop.wait(0.01):
            peer.say(LINE)

    babbler = threading.Thread(target=babble)
    babbler.start()
    peer.wait_for_arrival()
    try:
        assert values(asked()) == missing(Reason.GARBLED)
        assert "the probe talks without being asked; if it always does, remove `query`" in asked.reader.detail
    finally:
        stop.set()
        babbler.join()


@pytest.mark.parametrize(("line", "simulated"), [(b"SIMULATED " + LINE, False), (LINE, True)])
def test_simulated_and_real_probes_are_never_taken_for_each_other(
    peer: TextPeer, line: bytes, *, simulated: bool
) -> None:
    peer.answer = lambda _: [(0.0, line)]
    tick = ticks(peer, replace(ASKED, pattern=f"(?:SIMULATED )?{PATTERN}"), simulated=simulated)
    assert values(tick()) == missing(Reason.WRONG_INSTRUMENT)
    tick.reader.close()


def test_a_line_without_the_configured_identity_is_another_probe(peer: TextPeer) -> None:
    peer.answer = lambda _: [(0.0, b"N7 " + LINE)]
    text = replace(ASKED, pattern=rf"N\d {PATTERN}")
    right, wrong = ticks(peer, text, identity="N7"), ticks(peer, text, identity="N8")
    assert values(right()) == GOOD
    right.reader.close()
    assert values(wrong()) == missing(Reason.WRONG_INSTRUMENT)
    wrong.reader.close()


class Printer(threading.Thread):
    """Prints numbered lines; counts those it has printed."""

    def __init__(self, peer: TextPeer, *, every_s: float) -> None:
        super().__init__()
        self.printed, self._peer, self._every_s = 0, peer, every_s
        self._stop_it = threading.Event()

    def run(self) -> None:
        while not self._stop_it.wait(self._every_s):
            self._peer.say(b"%d.0 mV 20.1 C\r\n" % (self.printed + 1))
            self.printed += 1

    def stop(self) -> None:
        self._stop_it.set()
        self.join()


@pytest.fixture
def printing(peer: TextPeer) -> Iterator[Ticks]:
    tick = ticks(peer, PRINTING)
    yield tick
    tick.reader.close()


def test_of_a_probe_that_prints_the_newest_whole_line_counts(printing: Ticks, peer: TextPeer) -> None:
    printer = Printer(peer, every_s=0.03)
    printer.start()
    try:
        for _ in range(5):
            before = printer.printed
            got = printing().potential_mv
            assert got is not None
            assert before <= got <= printer.printed + 1
            peer.wait_for_arrival(3 * len(LINE))
    finally:
        printer.stop()


def test_the_first_line_after_opening_may_have_lost_its_beginning_and_is_not_read(
    printing: Ticks, peer: TextPeer
) -> None:
    printing()
    peer.say(b"1.2 mV 20.1 C\n")  # the end of 171.2
    assert values(printing()) == missing(Reason.TIMEOUT)
    peer.say(LINE)
    assert values(printing()) == GOOD


def test_a_probe_that_stopped_printing_is_missing_once_its_line_is_too_old(printing: Ticks, peer: TextPeer) -> None:
    printing()
    peer.say(b"\n" + LINE)
    assert values(printing()) == GOOD
    time.sleep(PRINTING.max_age_s)
    assert values(printing()) == missing(Reason.TIMEOUT)
    assert "has the probe stopped printing" in printing.reader.detail


def test_a_line_that_waited_while_nobody_read_is_as_old_as_the_last_look(printing: Ticks, peer: TextPeer) -> None:
    printing()
    peer.say(b"\n" + LINE)
    time.sleep(PRINTING.max_age_s)
    assert values(printing()) == missing(Reason.TIMEOUT)


def test_a_buffer_that_has_overflowed_is_thrown_away_whole(printing: Ticks, peer: TextPeer) -> None:
    printing()
    peer.say(b"\n" + LINE * 400)  # some 6 kB
    peer.wait_for_arrival(4000)
    assert values(printing()) == missing(Reason.TIMEOUT)


def test_a_partial_line_is_never_a_value(printing: Ticks, peer: TextPeer) -> None:
    printing()
    peer.say(b"\n171.2 mV 20.1 C")
    assert values(printing()) == missing(Reason.GARBLED)
    peer.say(b"\r\n")
    assert values(printing()) == GOOD


# With the standard `re` this line would hold the interpreter for longer than the universe is old.
def test_a_pattern_that_backtracks_for_ever_elsewhere_delays_nobody_here(peer: TextPeer) -> None:
    pattern = r"(?P<mv>\d+)(?: |\d+|\d\d+|(?:\d|\d\d)*)*mV"
    peer.answer = lambda _: [(0.0, b"1" * 256 + b"\r\n")]
    tick = ticks(peer, replace(ASKED, pattern=pattern, example="171 mV"))
    late_s, stop = [0.0], threading.Event()

    def poll() -> None:
        due = time.monotonic()
        while not stop.wait(max(0.0, due - time.monotonic())):
            late_s.append(time.monotonic() - due)
            due += 0.01

    other = threading.Thread(target=poll)
    other.start()
    got = {values(tick()) for _ in range(20)}
    stop.set()
    other.join()
    tick.reader.close()
    assert got == {missing(Reason.GARBLED)}
    assert max(late_s) < 1.0
