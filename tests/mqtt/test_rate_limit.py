"""What a flood of commands costs, minute by minute; time is an argument."""

from hypothesis import given
from hypothesis import strategies as st

from logger.model import Cause, Command, CommandKind, Entry
from logger.mqtt.rate_limit import ANSWERS_A_MINUTE, REFUSALS_A_MINUTE, RateLimit
from logger.units import MINUTE_US

REFUSAL = Entry(seq=0, at_us=1, vat="", cause=Cause.REFUSED, by="mqtt", text="no such vat")
COMMAND = Command(id=0, at_us=1, kind=CommandKind.ACKNOWLEDGE, vat="marrow", alarm="ph-high", occurrence=1)


def counted(entry: Entry | None) -> int:
    return int(entry.text.split()[0]) if entry else 0


def test_what_is_within_the_allowance_passes_unchanged_and_nothing_is_counted() -> None:
    gate = RateLimit()
    passed: list[Entry | Command | None] = [gate.admit(REFUSAL, 0) for _ in range(REFUSALS_A_MINUTE)]
    passed += [gate.admit(COMMAND, 0) for _ in range(ANSWERS_A_MINUTE)]
    assert passed == [REFUSAL] * REFUSALS_A_MINUTE + [COMMAND] * ANSWERS_A_MINUTE
    assert gate.tally(2 * MINUTE_US, at_us=7, last=True) is None


def test_that_there_is_more_is_told_at_once_and_how_much_a_minute_later_once() -> None:
    gate = RateLimit()
    passed = [gate.admit(REFUSAL, 10) for _ in range(REFUSALS_A_MINUTE + 1)]
    assert counted(gate.tally(10, at_us=6)) == 1
    passed += [gate.admit(REFUSAL, 10) for _ in range(10_000)]
    assert sum(entry is not None for entry in passed) == REFUSALS_A_MINUTE
    assert gate.tally(MINUTE_US + 9, at_us=7) is None
    told = gate.tally(MINUTE_US + 10, at_us=7)
    assert told is not None
    assert (told.cause, told.by, told.at_us, counted(told)) == (Cause.REFUSED, "mqtt", 7, 10_000)
    assert gate.tally(2 * MINUTE_US, at_us=8, last=True) is None
    assert gate.admit(REFUSAL, MINUTE_US + 10) == REFUSAL


def test_at_the_end_the_count_is_told_at_once() -> None:
    gate = RateLimit()
    for _ in range(REFUSALS_A_MINUTE + 3):
        gate.admit(REFUSAL, 0)
    assert counted(gate.tally(1, at_us=7, last=True)) == 3


def test_rubbish_shuts_no_well_formed_command_out_and_the_other_way_round() -> None:
    gate = RateLimit()
    for _ in range(10_000):
        gate.admit(REFUSAL, 0)
    assert [gate.admit(COMMAND, 0) for _ in range(ANSWERS_A_MINUTE + 1)][-2:] == [COMMAND, None]
    other = RateLimit()
    for _ in range(10_000):
        other.admit(COMMAND, 0)
    assert other.admit(REFUSAL, 0) == REFUSAL


steps = st.lists(st.tuples(st.integers(0, MINUTE_US // 5), st.sampled_from([REFUSAL, COMMAND])), max_size=400)


@given(steps)
def test_no_minute_ever_has_more_than_the_allowance_and_none_is_lost_from_the_count(
    steps: list[tuple[int, Entry | Command]],
) -> None:
    gate, now_us, told = RateLimit(), 0, 0
    passed: list[tuple[int, Entry | Command]] = []
    for step_us, asked in steps:
        now_us += step_us
        admitted = gate.admit(asked, now_us)
        passed += [] if admitted is None else [(now_us, admitted)]
        told += counted(gate.tally(now_us, at_us=now_us))
    told += counted(gate.tally(now_us, at_us=now_us, last=True))
    assert len(passed) + told == len(steps)
    for kind, most in ((Entry, REFUSALS_A_MINUTE), (Command, ANSWERS_A_MINUTE)):
        times = [at for at, each in passed if isinstance(each, kind)]
        assert max([sum(at - MINUTE_US < other <= at for other in times) for at in times], default=0) <= most
