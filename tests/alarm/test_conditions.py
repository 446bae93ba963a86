"""What is abnormal and for how long, just inside, on and just outside. Values are halves and quarters, exact."""

import numpy as np
import pytest

from logger.alarm.conditions import Code, Turn, detect, threshold_codes
from logger.config import AlarmConfig, AlarmKind
from logger.model import AlarmState
from logger.structs import replace

SECOND_US = 1_000_000
HIGH = AlarmConfig(id="a", kind=AlarmKind.PH_HIGH, setpoint=4.5, deadband=0.25, on_delay_s=60.0, off_delay_s=30.0)
LOW = replace(HIGH, kind=AlarmKind.PH_LOW)
FAULT = AlarmConfig(id="f", kind=AlarmKind.NO_DATA, on_delay_s=60.0)
NAN = float("nan")
ABNORMAL, BETWEEN, PAST, SILENT = Code.ABNORMAL, Code.IN_DEADBAND, Code.PAST_DEADBAND, Code.SILENT


def code(alarm: AlarmConfig, value: float, *, doubtful: bool = False, silent: bool = False) -> Code:
    found = threshold_codes(alarm, np.array([value]), doubtful=np.array([doubtful]), silent=np.array([silent]))
    return Code(int(found.item()))


def turns(
    alarm: AlarmConfig, said: dict[float, Code], *, state: AlarmState | None = None, max_gap_s: float = 100.0
) -> tuple[AlarmState, list[tuple[float, Turn]]]:
    """Run codes said at these seconds; return the state after, and at which second the condition turned how."""
    times = list(said)
    after, changes = detect(
        state or AlarmState(),
        alarm,
        elapsed_us=np.array([round(t * SECOND_US) for t in times], dtype=np.int64),
        codes=np.array([int(c) for c in said.values()], dtype=np.int64),
        max_gap_us=round(max_gap_s * SECOND_US),
    )
    return after, [(times[change.index], change.turn) for change in changes]


def every(step_s: float, codes: str, start_s: float = 0.0) -> dict[float, Code]:
    """Spell codes: `A`bnormal, `-` in the deadband, `p`ast it, `_` silent."""
    words = {"A": ABNORMAL, "-": BETWEEN, "p": PAST, "_": SILENT}
    return {start_s + step_s * i: words[c] for i, c in enumerate(codes)}


ACTIVE = AlarmState(abnormal=True, seen_us=0)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (4.75, ABNORMAL),
        (4.5, ABNORMAL),
        (4.4375, BETWEEN),
        (4.2578125, BETWEEN),
        (4.25, PAST),
        (4.0, PAST),
        (NAN, SILENT),
    ],
)
def test_a_high_alarm_is_abnormal_at_its_setpoint_and_past_the_deadband_at_its_end(
    value: float, expected: Code
) -> None:
    assert code(HIGH, value) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (4.25, ABNORMAL),
        (4.5, ABNORMAL),
        (4.5625, BETWEEN),
        (4.7421875, BETWEEN),
        (4.75, PAST),
        (5.0, PAST),
        (NAN, SILENT),
    ],
)
def test_a_low_alarm_is_its_mirror_image(value: float, expected: Code) -> None:
    assert code(LOW, value) == expected


@pytest.mark.parametrize("kind", AlarmKind)
def test_each_kind_looks_to_its_side(kind: AlarmKind) -> None:
    above, below = (code(replace(HIGH, kind=kind), value) for value in (9.0, 1.0))
    is_low = kind in (AlarmKind.PH_LOW, AlarmKind.TEMPERATURE_LOW, AlarmKind.STALL, AlarmKind.FALL_BROKE_OFF)
    assert (above, below) == ((PAST, ABNORMAL) if is_low else (ABNORMAL, PAST))


def test_without_a_deadband_there_is_nothing_between() -> None:
    plain = replace(HIGH, deadband=0.0)
    assert [code(plain, v) for v in (4.5, 4.4990234375)] == [ABNORMAL, PAST]


@pytest.mark.parametrize("value", [4.75, 4.4375, 4.0, NAN])
def test_a_doubtful_value_may_raise_but_never_clears(value: float) -> None:
    assert code(HIGH, value, doubtful=True) == (ABNORMAL if value >= 4.5 else SILENT)


@pytest.mark.parametrize("value", [4.75, 4.4375, 4.0])
def test_a_value_that_is_not_believed_says_nothing(value: float) -> None:
    assert code(HIGH, value, silent=True) == SILENT
    assert code(HIGH, value, silent=True, doubtful=True) == SILENT


@pytest.mark.parametrize(("value", "expected"), [(1.0, ABNORMAL), (0.5, ABNORMAL), (0.0, PAST)])
def test_a_fault_needs_no_setpoint(value: float, expected: Code) -> None:
    assert code(FAULT, value) == expected


@pytest.mark.parametrize(("last_s", "active"), [(59.999999, False), (60.0, True), (60.000001, True)])
def test_an_on_delay_needs_its_whole_length(last_s: float, *, active: bool) -> None:
    after, turned = turns(HIGH, {0.0: ABNORMAL, 30.0: ABNORMAL, last_s: ABNORMAL})
    assert turned == ([(last_s, Turn.ACTIVE)] if active else [])
    assert (after.abnormal, after.pending_us) == (active, None if active else 0)


def test_without_an_on_delay_the_first_abnormal_value_turns_it() -> None:
    _, turned = turns(replace(HIGH, on_delay_s=0.0), every(10.0, "pA"))
    assert turned == [(10.0, Turn.ACTIVE)]


@pytest.mark.parametrize("other", ["-", "p"])
def test_anything_but_abnormal_restarts_the_on_delay_without_a_word(other: str) -> None:
    _, turned = turns(HIGH, every(30.0, f"AA{other}AAA"))
    assert turned == [(150.0, Turn.ACTIVE)]


def test_the_deadband_counts_only_on_the_way_back() -> None:
    codes = [code(HIGH, v) for v in (4.5, 4.4375, 4.5, 4.4375, 4.25)]
    quick = replace(HIGH, on_delay_s=0.0, off_delay_s=0.0)
    _, turned = turns(quick, {10.0 * i: c for i, c in enumerate(codes)})
    assert turned == [(0.0, Turn.ACTIVE), (40.0, Turn.CLEARED)]


@pytest.mark.parametrize(("last_s", "cleared"), [(29.999999, False), (30.0, True), (30.000001, True)])
def test_an_off_delay_needs_its_whole_length(last_s: float, *, cleared: bool) -> None:
    after, turned = turns(HIGH, {0.0: PAST, last_s: PAST}, state=ACTIVE)
    assert turned == ([(last_s, Turn.CLEARED)] if cleared else [])
    assert after.abnormal != cleared


@pytest.mark.parametrize("other", ["-", "A"])
def test_anything_but_past_the_deadband_restarts_the_off_delay(other: str) -> None:
    _, turned = turns(HIGH, every(20.0, f"pp{other}ppp"), state=ACTIVE)
    assert turned == [(100.0, Turn.CLEARED)]


def test_silence_neither_advances_nor_resets_a_delay() -> None:
    after, turned = turns(HIGH, every(20.0, "AA__"))
    assert turned == []
    assert (after.pending_us, after.seen_us) == (0, 20 * SECOND_US)
    _, turned = turns(HIGH, every(20.0, "A", start_s=80.0), state=after)
    assert turned == [(80.0, Turn.ACTIVE)]


def test_silence_clears_nothing() -> None:
    after, turned = turns(HIGH, every(20.0, "_" * 50), state=ACTIVE)
    assert turned == []
    assert after == ACTIVE


@pytest.mark.parametrize(("gap_s", "restarted"), [(99.999999, False), (100.0, False), (100.000001, True)])
def test_an_on_delay_over_a_gap_longer_than_the_limit_starts_anew_and_says_so(gap_s: float, *, restarted: bool) -> None:
    after, turned = turns(HIGH, {0.0: ABNORMAL, gap_s: ABNORMAL})
    if restarted:
        assert turned == [(gap_s, Turn.DELAY_RESTARTED)]
        assert after.pending_us == round(gap_s * SECOND_US)
        assert turns(HIGH, {gap_s + 60.0: ABNORMAL}, state=after)[1] == [(gap_s + 60.0, Turn.ACTIVE)]
    else:
        assert turned == [(gap_s, Turn.ACTIVE)]


def test_an_off_delay_over_a_gap_starts_anew_without_a_word() -> None:
    after, turned = turns(HIGH, {0.0: PAST, 200.0: PAST}, state=ACTIVE)
    assert turned == []
    assert after.pending_us == 200 * SECOND_US


def test_silence_longer_than_the_limit_is_a_gap_too() -> None:
    _, turned = turns(HIGH, every(20.0, "AA______A"))
    assert turned == [(160.0, Turn.DELAY_RESTARTED)]


def test_a_gap_while_no_delay_runs_is_not_worth_a_word() -> None:
    after, turned = turns(HIGH, {0.0: PAST, 500.0: ABNORMAL})
    assert turned == []
    assert after.pending_us == 500 * SECOND_US


def test_without_a_delay_nothing_moves_from_value_to_value() -> None:
    after, _ = turns(HIGH, every(20.0, "AAp"))
    assert after == AlarmState()
    assert turns(HIGH, every(20.0, "p-p", start_s=60.0), state=after)[0] is after


def test_the_first_value_ever_has_no_gap_before_it() -> None:
    after, turned = turns(HIGH, {1e6: ABNORMAL})
    assert turned == []
    assert (after.pending_us, after.seen_us) == (10**12, 10**12)


def test_a_condition_turns_to_and_fro_within_one_block() -> None:
    quick = replace(HIGH, on_delay_s=20.0, off_delay_s=10.0)
    _, turned = turns(quick, every(10.0, "AAAA--ppAAAp"))
    assert turned == [(20.0, Turn.ACTIVE), (70.0, Turn.CLEARED), (100.0, Turn.ACTIVE)]


def test_no_values_change_nothing() -> None:
    assert turns(HIGH, {}, state=ACTIVE) == (ACTIVE, [])
