"""The series behind every picture: nothing lost, nothing made up, whatever the pieces it came in."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.alarm import belief_words
from logger.alarm.belief_words import Evidence
from logger.model import LEADING, Belief, Measurements, QualityTests, Reason
from logger.report.curve import Curve, CurveFrame, Stretch
from logger.report.reduction import reduce
from logger.structs import replace
from tests.store.factories import PERIOD_US, START_US, measurements

COUNT = 2000
FRAME = CurveFrame(
    vat="marrow",
    name="Marrow",
    probe="marrow-probe",
    simulated=False,
    since_us=START_US,
    until_us=START_US + (COUNT + 1) * PERIOD_US,
    max_gap_s=300.0,
)
"""Holds records 1 to COUNT, one every 10 s."""


def records(ph: Sequence[float] | np.ndarray[tuple[int], np.dtype[np.float64]]) -> Measurements:
    """Return records that are all read and believed, with these pH."""
    rows, count = measurements(1, len(ph)), len(ph)
    zeros = np.zeros(count, np.int64)
    return replace(
        rows,
        ph=np.array(ph),
        u=np.full(count, 0.05),
        reason=zeros.copy(),
        potential_mv=np.full(count, 150.0),
        temperature_c=np.full(count, 20.0),
        quality=zeros + 1,
        previous_spike=zeros + 1,
        belief=zeros.copy(),
        tests=zeros.copy(),
    )


def curve(rows: Measurements, *, slots: int = 20, cuts: Sequence[int] = ()) -> Curve:
    ends = sorted({0, *cuts, len(rows)})
    return reduce(FRAME, [rows[a:b] for a, b in pairwise(ends)], slots=slots)


def walk(seed: int) -> Measurements:
    """Return records whose pH wanders."""
    return records(4.6 + np.cumsum(np.random.default_rng(seed).normal(0, 0.01, COUNT)))


@settings(max_examples=15)
@given(st.integers(0, 2**32), st.lists(st.integers(1, COUNT - 1), max_size=8), st.integers(1, 300))
def test_however_the_records_come_the_curve_is_the_same(seed: int, cuts: list[int], slots: int) -> None:
    rows = walk(seed % 50)
    assert curve(rows, slots=slots, cuts=cuts) == curve(rows, slots=slots)


@pytest.mark.parametrize("slots", [1, 7, 240])
def test_no_extreme_is_lost_and_every_point_is_a_record(slots: int) -> None:
    rows = walk(3)
    rows.ph[777], rows.ph[1500] = 9.0, 2.0
    points = [*curve(rows, slots=slots).ph.points]
    by_time = dict(zip(rows.at_us.tolist(), rows.ph.tolist(), strict=True))
    assert len(points) <= 2 * slots
    assert {by_time[point.at_us] == point.value for point in points} == {True}
    assert {2.0, 9.0} <= {point.value for point in points}
    assert {point.expanded_u for point in points} == {0.1}  # k = 2
    assert [point.at_us for point in points] == sorted(point.at_us for point in points)


def test_lowest_and_highest_are_medians_of_ten_minutes() -> None:
    # Whole windows of 60 records; one reading that is far off moves no median.
    ph = np.repeat([5.0, 4.8, 4.9, 4.9, 4.9], 60)
    ph[30] = 2.0
    seen = curve(records(np.concatenate([np.full(60 - START_OFFSET, 5.0), ph])))
    assert seen.lowest is not None
    assert seen.highest is not None
    assert (seen.lowest.value, seen.highest.value) == (4.8, 5.0)


START_OFFSET = 1
"""The first record is number 1, so its window has one record less."""


def test_where_most_is_not_believed_the_slot_is_not_and_says_why() -> None:
    rows = walk(1)
    rows.belief[500:900] = int(Belief.NOT_BELIEVED)
    rows.tests[500:900] = int(QualityTests.JUMPED)
    rows.belief[1200] = int(Belief.SUSPECT)
    rows.tests[1200] = int(QualityTests.JUMP)
    seen = curve(rows, slots=20)
    slot_us = (FRAME.until_us - FRAME.since_us) // 20
    (doubted,) = seen.not_believed
    assert abs(doubted.since_us - rows.at_us[500]) <= slot_us
    assert abs(doubted.until_us - rows.at_us[900]) <= slot_us
    assert doubted.why == "the reading jumped as no vat does, so trust in the probe is lost"
    assert (seen.counts.records, seen.counts.believed) == (COUNT, COUNT - 401)
    assert seen.counts.against == ((doubted.why, 400), ("the reading jumps", 1))
    inside = [point for point in seen.ph.points if rows.at_us[500] <= point.at_us < rows.at_us[900]]
    assert inside == []
    assert len(seen.ph.pieces) == 2


def test_what_spoke_against_a_record_is_said_as_its_own_sentence_says_it() -> None:
    for test in LEADING:
        rows = replace(records([4.6]), tests=np.array([int(test)]), belief=np.array([2]))
        assert curve(rows).counts.against == ((belief_words.reason(rows, Evidence()), 1),)
    for reason in Reason:
        rows = replace(records([4.6]), reason=np.array([int(reason)]), belief=np.array([2]))
        assert curve(rows).counts.against == ((belief_words.reason(rows, Evidence()), 1),)


def test_a_reading_that_the_next_one_shows_to_be_a_spike_is_no_point() -> None:
    rows = walk(2)
    rows.ph[1000], rows.previous_spike[1001] = 9.0, 4
    for cuts in ([], [1000], [1001], [1002]):
        assert max(point.value for point in curve(rows, cuts=cuts).ph.points) < 9.0


def test_no_line_runs_across_a_gap_and_the_ends_without_a_reading_are_gaps_too() -> None:
    rows = walk(4)
    rows.reason[700:800] = int(Reason.TIMEOUT)
    rows.belief[700:800] = int(Belief.NOT_BELIEVED)
    kept = Measurements.concatenate([rows[100:700], rows[700:800], rows[800:1900]])
    seen = curve(kept)
    assert seen.gaps == (
        Stretch(FRAME.since_us, int(rows.at_us[100])),
        Stretch(int(rows.at_us[699]), int(rows.at_us[800])),
        Stretch(int(rows.at_us[1899]), FRAME.until_us),
    )
    assert len(seen.ph.pieces) == 2
    assert seen.counts.against == (("no reading, no reply in time", 100),)
    assert seen.not_believed == ()


def test_no_line_of_temperature_runs_across_hours_in_which_the_thermometer_was_elsewhere() -> None:
    rows = walk(4)
    rows.tests[800:1200] = QualityTests.NOT_BACK
    pieces = curve(rows).temperature.pieces
    ends = [(piece[0].at_us, piece[-1].at_us) for piece in pieces]
    assert [end <= int(rows.at_us[799]) or begin >= int(rows.at_us[1200]) for begin, end in ends] == [True, True]


def test_a_short_silence_is_no_gap() -> None:
    rows = walk(5)
    rows.reason[700:725] = int(Reason.TIMEOUT)
    assert curve(rows).gaps == ()


def test_a_span_without_records_is_one_gap() -> None:
    seen = reduce(FRAME, [])
    assert (seen.gaps, seen.counts.records, seen.lowest) == ((Stretch(FRAME.since_us, FRAME.until_us),), 0, None)
