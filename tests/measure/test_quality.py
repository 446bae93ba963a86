"""The flags of the raw signal against ioos_qc.qartod (the IOOS manual's own reference code), and where we differ.

Our series here are regular grids of whole seconds, where both are defined.
"""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ioos_qc import qartod

from logger.config import QualityLimits
from logger.measure.quality import Flags, flat_line, judge
from logger.model import Floats, Quality
from logger.model import QualityTests as Against
from logger.structs import replace
from tests.examples import examples

OFF = QualityLimits(
    fail_low_mv=-1e9,
    fail_high_mv=1e9,
    suspect_low_mv=-1e9,
    suspect_high_mv=1e9,
    jump_mv=1e9,
    rate_mv_per_s=1e9,
    spike_suspect_mv=1e9,
    spike_fail_mv=1e9,
    flat_suspect_s=1e9,
    flat_fail_s=1e9,
    max_gap_s=1e9,
)
"""No test speaks: each check turns its own on."""
NAN = float("nan")


def flags(
    mv: list[float] | Floats,
    limits: QualityLimits = OFF,
    *,
    every_s: float = 10.0,
    at_s: list[float] | None = None,
    warm: list[float] | None = None,
) -> Flags:
    values = np.array(mv, dtype=np.float64)
    at = np.arange(len(values)) * every_s if at_s is None else np.array(at_s)
    return judge(
        elapsed_us=np.round(at * 1e6).astype(np.int64),
        potential_mv=values,
        temperature_c=np.full(len(values), 20.0) if warm is None else np.array(warm),
        limits=limits,
    )


def qualities(found: Flags) -> list[int]:
    return [int(quality) for quality in found.quality]


def spoke(found: Flags, test: Against) -> list[bool]:
    return [bool(tests & test) for tests in found.tests]


# Multiples of 1/4 mV: sums and halves are exact, so that a value on a limit is on it in both implementations.
exact_mv = st.integers(-200, 200).map(lambda quarter: quarter / 4)
readings = st.lists(exact_mv, min_size=3, max_size=60)
gappy = st.lists(st.one_of(exact_mv, st.just(NAN)), min_size=3, max_size=60)
grid_s = st.sampled_from([1, 2, 5, 10, 60])


@given(mv=gappy)
def test_gross_range_is_that_of_ioos_qc(mv: list[float]) -> None:
    limits = replace(OFF, fail_low_mv=-40.0, fail_high_mv=30.0, suspect_low_mv=-10.0, suspect_high_mv=20.0)
    theirs = qartod.gross_range_test(mv, fail_span=(-40.0, 30.0), suspect_span=(-10.0, 20.0))
    assert qualities(flags(mv, limits)) == theirs.tolist()


@given(mv=gappy)
def test_the_spike_flag_is_that_of_ioos_qc_one_record_later(mv: list[float]) -> None:
    limits = replace(OFF, spike_suspect_mv=10.0, spike_fail_mv=25.0)
    theirs = qartod.spike_test(mv, suspect_threshold=10.0, fail_threshold=25.0, method="average").tolist()
    # We differ on purpose: the flag stands in the next record's row, and a missing record is not evaluated (2) here
    # for its own quality says missing (9) already.
    theirs = [Quality.NOT_EVALUATED if flag == Quality.MISSING else flag for flag in theirs]
    assert flags(mv, limits).previous_spike.tolist()[1:] == theirs[:-1]
    assert flags(mv, limits).previous_spike[0] == Quality.NOT_EVALUATED


@given(mv=readings, every_s=grid_s)
def test_the_rate_of_change_is_that_of_ioos_qc(mv: list[float], every_s: int) -> None:
    # Threshold 2.5 mV/s; times whole seconds, for ioos_qc truncates them. It calls the first sample 1, as we do.
    at = np.arange(len(mv)) * np.timedelta64(every_s, "s") + np.datetime64("2026-11-24T18:00:00")
    theirs = qartod.rate_of_change_test(mv, at, threshold=2.5)
    found = flags(mv, replace(OFF, rate_mv_per_s=2.5), every_s=every_s)
    assert qualities(found) == theirs.tolist()
    assert spoke(found, Against.RATE_OF_CHANGE) == (theirs == Quality.SUSPECT).tolist()


levels = st.lists(st.tuples(exact_mv, st.integers(1, 20), st.booleans()), min_size=1, max_size=8)


@given(runs=levels, every_s=grid_s)
def test_the_flat_line_is_that_of_ioos_qc(runs: list[tuple[float, int, bool]], every_s: int) -> None:
    mv = [level + 0.25 * (quiet and i % 2) for level, n, quiet in runs for i in range(n)] + [0.0, 1.0, 2.0]
    at = np.arange(len(mv)) * np.timedelta64(every_s, "s") + np.datetime64("2026-11-24T18:00:00")
    theirs = qartod.flat_line_test(mv, at, suspect_threshold=4 * every_s, fail_threshold=9 * every_s, tolerance=0.5)
    limits = replace(OFF, flat_suspect_s=4.0 * every_s, flat_fail_s=9.0 * every_s, flat_tolerance_mv=0.5)
    assert qualities(flags(mv, limits, every_s=every_s)) == theirs.tolist()


@pytest.mark.parametrize(
    ("mv", "quality"),
    [
        (-600.1, Quality.FAIL),
        (-600.0, Quality.SUSPECT),
        (-250.1, Quality.SUSPECT),
        (-250.0, Quality.PASS),
        (400.0, Quality.PASS),
        (400.1, Quality.SUSPECT),
        (600.0, Quality.SUSPECT),
        (600.1, Quality.FAIL),
    ],
)
def test_the_electrodes_span_ends_at_600_mv_and_its_usual_range_earlier(mv: float, quality: Quality) -> None:
    # outside +/-600 mV fails, outside the profile's range is suspect; common practice.
    found = flags([mv], QualityLimits())
    assert qualities(found) == [quality]
    assert spoke(found, Against.GROSS_RANGE) == [quality is not Quality.PASS]


def test_an_infinite_potential_fails() -> None:
    # We differ from ioos_qc.rate_of_change_test on purpose, which calls infinity missing.
    assert qualities(flags([1.0, float("inf")], QualityLimits())) == [Quality.PASS, Quality.FAIL]


@pytest.mark.parametrize(
    ("temperature_c", "quality"),
    [(-2.1, Quality.FAIL), (-2.0, Quality.PASS), (60.0, Quality.PASS), (60.1, Quality.FAIL), (NAN, Quality.FAIL)],
)
def test_a_thermometer_out_of_its_range_fails_the_record(temperature_c: float, quality: Quality) -> None:
    found = flags([100.0], QualityLimits(), warm=[temperature_c])
    assert qualities(found) == [quality]
    assert spoke(found, Against.TEMPERATURE) == [quality is Quality.FAIL]


def test_a_missing_record_is_missing_and_nothing_else_speaks_against_it() -> None:
    found = flags([100.0, NAN, 100.0], QualityLimits(), warm=[20.0, NAN, 20.0])
    assert qualities(found) == [Quality.PASS, Quality.MISSING, Quality.PASS]
    assert found.tests.tolist() == [0, 0, 0]


@pytest.mark.parametrize(("step_mv", "jumps"), [(19.9, False), (20.0, False), (20.1, True)])
def test_a_jump_is_more_than_its_limit_and_only_the_first_record_of_a_new_level(step_mv: float, *, jumps: bool) -> None:
    found = flags([0.0, step_mv, step_mv], replace(OFF, jump_mv=20.0))
    assert spoke(found, Against.JUMP) == [False, jumps, False]
    assert qualities(found) == [Quality.PASS, Quality.SUSPECT if jumps else Quality.PASS, Quality.PASS]


def test_a_jump_over_missing_records_is_seen() -> None:
    # We differ from ioos_qc on purpose: it compares neighbours only, and would pass the first reading after a dropout.
    mv = [0.0, NAN, NAN, 30.0]
    limits = replace(OFF, jump_mv=20.0, rate_mv_per_s=0.9)
    assert spoke(flags(mv, limits), Against.JUMP) == [False, False, False, True]
    assert spoke(flags(mv, limits), Against.RATE_OF_CHANGE) == [False, False, False, True]  # 30 mV in 30 s
    assert qualities(flags(mv, limits)) == [Quality.PASS, Quality.MISSING, Quality.MISSING, Quality.SUSPECT]


@pytest.mark.parametrize(("gap_s", "compared"), [(299.0, True), (300.0, True), (301.0, False)])
def test_nothing_is_compared_across_a_gap(gap_s: float, *, compared: bool) -> None:
    limits = replace(OFF, jump_mv=20.0, rate_mv_per_s=0.01, max_gap_s=300.0)
    found = flags([0.0, 50.0], limits, at_s=[0.0, gap_s])
    assert spoke(found, Against.JUMP) == [False, compared]
    assert spoke(found, Against.RATE_OF_CHANGE) == [False, compared]
    assert spoke(found, Against.GAP) == [False, not compared]
    assert qualities(found) == [Quality.PASS, Quality.SUSPECT if compared else Quality.PASS]


def test_a_gap_alone_does_not_lower_the_quality() -> None:
    found = flags([0.0, 1.0, 2.0], replace(OFF, max_gap_s=300.0), at_s=[0.0, 10.0, 400.0])
    assert qualities(found) == [Quality.PASS] * 3
    assert spoke(found, Against.GAP) == [False, False, True]


def test_missing_records_are_no_gap_but_too_many_of_them_leave_nothing_to_compare_with() -> None:
    limits = replace(OFF, jump_mv=20.0, max_gap_s=300.0)
    found = flags([0.0, *[NAN] * 30, 50.0], limits)
    assert not any(spoke(found, Against.GAP))
    assert qualities(found)[-1] == Quality.PASS
    assert qualities(flags([0.0, *[NAN] * 29, 50.0], limits))[-1] == Quality.SUSPECT


@pytest.mark.parametrize(("span_s", "evaluated"), [(600.0, True), (601.0, False)])
def test_a_spike_is_not_looked_for_across_a_gap(span_s: float, *, evaluated: bool) -> None:
    found = flags([0.0, 90.0, 0.0], replace(OFF, spike_fail_mv=40.0, max_gap_s=300.0), at_s=[0.0, 10.0, span_s])
    expected = Quality.FAIL if evaluated else Quality.NOT_EVALUATED
    assert found.previous_spike.tolist() == [Quality.NOT_EVALUATED, Quality.NOT_EVALUATED, expected]


def test_a_line_is_flat_only_when_its_whole_length_is() -> None:
    limits = replace(OFF, flat_suspect_s=50.0, flat_fail_s=80.0, flat_tolerance_mv=0.05)
    found = flags([7.0] * 11, limits)
    assert qualities(found) == [Quality.PASS] * 5 + [Quality.SUSPECT] * 3 + [Quality.FAIL] * 3
    assert spoke(found, Against.FLAT_LINE) == [False] * 5 + [True] * 6


def flat(mv: list[float] | Floats, seconds: float, tolerance: float, *, at_s: list[float] | None = None) -> list[bool]:
    """Tell where a line of one value a second (or at these times) is flat over so many seconds."""
    values = np.array(mv, dtype=np.float64)
    at = np.arange(len(values), dtype=np.float64) if at_s is None else np.array(at_s)
    found = flat_line(
        np.round(at * 1e6).astype(np.int64),
        values,
        length_us=round(seconds * 1e6),
        tolerance=tolerance,
        max_gap_us=60_000_000,
    )
    return [bool(each) for each in found]


@pytest.mark.parametrize(("wobble_mv", "is_flat"), [(0.25, True), (0.5, False), (0.75, False)])
def test_a_line_that_moves_by_the_tolerance_is_not_flat(wobble_mv: float, *, is_flat: bool) -> None:
    # Less than the tolerance, as in ioos_qc; so a tolerance of 0 flags nothing.
    assert flat([7.0, 7.0 + wobble_mv, 7.0, 7.0], 3, 0.5) == [False, False, False, is_flat]


def test_a_tolerance_of_nothing_flags_nothing() -> None:
    assert not any(flat(np.full(10, 7.0), 3, 0.0))


def test_a_frozen_line_stays_frozen_over_absent_records() -> None:
    assert flat([7.0, 7.0, NAN, 7.0, 7.0, NAN, 7.0], 4, 0.05) == [False, False, False, False, True, False, True]


def test_a_reading_after_a_long_absence_is_not_frozen() -> None:
    # We differ from ioos_qc on purpose: it finds no spread in a window that holds one reading, and calls it flat.
    mv = [100.0, 101.0, *[NAN] * 12, 100.0, 100.0]
    limits = replace(OFF, flat_suspect_s=50.0, flat_fail_s=100.0, flat_tolerance_mv=0.05)
    assert qualities(flags(mv, limits))[-2:] == [Quality.PASS, Quality.PASS]


@pytest.mark.parametrize(("present", "is_flat"), [(4, True), (3, False), (2, False)])
def test_a_line_is_flat_only_where_more_than_half_of_it_was_seen(present: int, *, is_flat: bool) -> None:
    assert flat([NAN] * (6 - present) + [7.0] * present, 5, 0.05) == [False] * 5 + [is_flat]


@pytest.mark.parametrize("seconds", [0, 10, 11])
def test_a_line_shorter_than_its_length_is_not_judged(seconds: int) -> None:
    assert not any(flat(np.full(10, 7.0), seconds, 1.0))


def test_it_is_time_that_makes_a_line_flat_not_the_number_of_readings() -> None:
    # Read every 10 s, then every second while somebody works on the probe: 40 readings, yet 90 s only.
    at_s = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, *(50.0 + n for n in range(1, 41))]
    found = flat(np.full(len(at_s), 7.0), 80, 0.05, at_s=at_s)
    assert [at for at, is_flat in zip(at_s, found, strict=True) if is_flat] == [80.0 + n for n in range(11)]


def test_a_time_in_which_nothing_was_looked_at_does_not_make_a_line_flat() -> None:
    at_s = [*range(20), *range(200, 280)]  # a gap of three minutes: nobody knows what was in it
    found = flat(np.full(100, 7.0), 100, 0.05, at_s=[float(at) for at in at_s])
    assert [at for at, is_flat in zip(at_s, found, strict=True) if is_flat] == list(range(251, 280))


@given(
    st.lists(st.tuples(exact_mv, st.integers(1, 9)), min_size=2, max_size=40), st.integers(1, 120), st.integers(1, 60)
)
def test_the_spread_of_a_window_is_that_of_plain_minimum_and_maximum(
    made: list[tuple[float, int]], seconds: int, tolerance: int
) -> None:
    mv, steps = zip(*made, strict=True)
    at = np.cumsum(steps).tolist()
    looked = [[v for v, t in zip(mv, at, strict=True) if now - seconds <= t <= now] for now in at]
    first = [min(t for t in at if t >= now - seconds) for now in at]
    expected = [
        now - seconds >= at[0] and max(seen) - min(seen) < tolerance and 2 * (now - since) > seconds
        for now, seen, since in zip(at, looked, first, strict=True)
    ]
    assert flat(list(mv), seconds, float(tolerance), at_s=[float(t) for t in at]) == expected


STRICT = QualityLimits(
    suspect_low_mv=-40.0,
    suspect_high_mv=40.0,
    jump_mv=20.0,
    rate_mv_per_s=1.0,
    flat_tolerance_mv=0.5,
    flat_suspect_s=30.0,
    flat_fail_s=60.0,
    max_gap_s=40.0,
)
steps_s = st.sampled_from([10.0, 10.0, 10.0, 3.0, 40.0, 41.0])


@settings(max_examples=examples(50))
@given(mv=gappy, gaps=st.lists(steps_s, min_size=60, max_size=60), cut=st.integers(1, 59))
def test_every_verdict_uses_this_record_and_earlier_ones_only(mv: list[float], gaps: list[float], cut: int) -> None:
    at = np.cumsum(gaps[: len(mv)]).tolist()
    whole, begun = flags(mv, STRICT, at_s=at), flags(mv[:cut], STRICT, at_s=at[:cut])
    for f in fields(Flags):
        assert getattr(whole, f.name)[:cut].tolist() == getattr(begun, f.name).tolist()


@pytest.mark.parametrize("seed", range(8))
def test_the_rows_from_one_on_are_judged_as_all_are(seed: int) -> None:
    draw = np.random.default_rng(seed)
    mv = np.repeat(np.round(draw.normal(0.0, 3.0, 10).cumsum(), 0), 20)  # each value often enough to be a flat line
    mv[draw.random(200) < 0.2] = NAN
    elapsed_us = (draw.choice([1, 10, 10, 70], 200).cumsum() * 1_000_000).astype(np.int64)
    limits = QualityLimits(
        jump_mv=2.0, rate_mv_per_s=0.2, spike_suspect_mv=1.0, flat_suspect_s=60.0, flat_fail_s=120.0, max_gap_s=60.0
    )

    def judged(end: int, first: int) -> Flags:
        warm = np.full(end, 20.0)
        return judge(elapsed_us=elapsed_us[:end], potential_mv=mv[:end], temperature_c=warm, limits=limits, first=first)

    whole = judged(200, 0)
    assert {*qualities(whole)} >= {Quality.PASS, Quality.SUSPECT, Quality.MISSING}
    assert len({*spoke(whole, Against.FLAT_LINE)}) == len({*spoke(whole, Against.JUMP)}) == 2
    for first in range(200 - seed):
        part, expected = judged(first + 1 + seed, first), whole[first : first + 1 + seed]
        for field in fields(Flags):
            assert getattr(part, field.name).tolist() == getattr(expected, field.name).tolist(), (first, field.name)
