"""Medians over windows against plain numpy on plain groups, and how far a window is believed."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.measure import windows
from logger.measure.windows import WindowMedians, medians
from logger.model import Belief, Measurements, Quality
from logger.model import QualityTests as Against
from logger.structs import replace

SECOND_US = 1_000_000
NAN = float("nan")


def rows(ph: list[float], *, at_s: list[float] | None = None, u: list[float] | None = None) -> Measurements:
    n = len(ph)
    whole = np.zeros(n, dtype=np.int64)
    at = np.arange(n) * 10.0 if at_s is None else np.array(at_s)
    return Measurements(
        seq=np.arange(1, n + 1),
        at_us=whole,
        elapsed_us=np.round(at * SECOND_US).astype(np.int64),
        potential_mv=np.full(n, 150.0),
        temperature_c=np.full(n, 20.0),
        reason=whole,
        reference_ph=np.full(n, NAN),
        reference_u=np.full(n, NAN),
        ph=np.array(ph),
        u=np.full(n, 0.05) if u is None else np.array(u),
        quality=np.full(n, int(Quality.PASS)),
        tests=whole,
        previous_spike=np.full(n, int(Quality.PASS)),
        calibration=np.ones(n, dtype=np.int64),
        belief=whole,
        since_at_us=whole,
        check=whole,
        spot=whole,
    )


def judged(
    made: Measurements, belief: list[int], *, first: int = 0, window_s: float = 60.0, fresh_s: float = 0
) -> WindowMedians:
    fresh_us = round(fresh_s * SECOND_US)
    return medians(made, made.ph, np.array(belief), first=first, window_s=window_s, fresh_us=fresh_us)


@pytest.mark.parametrize(
    ("ph", "second", "u", "u_second", "speaks"),
    [
        # sqrt(0.06^2 + 0.08^2) = 0.1 (a right triangle of 3, 4 and 5): with k = 2 they may differ by 0.2
        (4.50, 4.69, 0.06, 0.08, 0.0),
        (4.50, 4.71, 0.06, 0.08, 1.0),
        (4.71, 4.50, 0.06, 0.08, 1.0),
    ],
)
def test_two_probes_are_apart_beyond_both_doubts(
    ph: float, second: float, u: float, u_second: float, speaks: float
) -> None:
    made = replace(rows([ph], u=[u]), reference_ph=np.array([second]), reference_u=np.array([u_second]))
    value, belief = windows.apart(made)
    assert (value.tolist(), belief.tolist()) == ([speaks], [Belief.BELIEVED])


def test_nothing_is_compared_with_a_probe_that_is_not_believed() -> None:
    second = {"reference_ph": np.array([NAN, 9.0, 9.0]), "reference_u": np.array([NAN, 0.05, 0.05])}
    made = replace(rows([4.5, 4.5, NAN]), **second, quality=np.array([1, int(Quality.SUSPECT), 1]))
    assert windows.apart(made)[1].tolist() == [Belief.NOT_BELIEVED] * 3


ph_values = st.floats(2.5, 9.0)
one_row = st.tuples(ph_values, st.sampled_from(Belief), st.sampled_from([1.0, 10.0, 10.0, 10.0, 35.0, 130.0]))


@given(made=st.lists(one_row, min_size=1, max_size=60), start=st.integers(0, 40), fresh_s=st.sampled_from([0.0, 95.0]))
def test_each_window_gives_the_median_of_what_is_believed_in_it(
    made: list[tuple[float, Belief, float]], start: int, fresh_s: float
) -> None:
    ph, belief, steps = zip(*made, strict=True)
    at = np.cumsum(steps).tolist()
    first = min(start, len(ph) - 1)
    found = judged(rows(list(ph), at_s=at), list(belief), first=first, fresh_s=fresh_s)
    row = 0
    for i in range(1, len(ph)):
        if at[i] // 60 == at[i - 1] // 60 or i < first:
            continue
        inside = [j for j in range(i) if at[j] // 60 == at[i - 1] // 60 and at[j] >= fresh_s]
        good = [ph[j] for j in inside if belief[j] == Belief.BELIEVED]
        usable = [ph[j] for j in inside if belief[j] != Belief.NOT_BELIEVED]
        kept = good if 2 * len(good) > len(inside) else usable if 2 * len(usable) > len(inside) else []
        assert found.row[row] == i - first
        assert found.elapsed_us[row] == round(at[i] * SECOND_US)
        assert found.count[row] == len(kept)
        expected = float(np.median(kept)) if kept else NAN
        assert found.value[row] == pytest.approx(expected, abs=1e-12, nan_ok=True)
        assert (found.belief[row] == Belief.NOT_BELIEVED) == (not kept)
        row += 1
    assert len(found) == row


B, D, S = Belief.BELIEVED, Belief.SUSPECT, Belief.NOT_BELIEVED


@pytest.mark.parametrize(
    ("belief", "verdict", "count"),
    [
        ([B, B, B, B, B, B], B, 6),
        ([B, B, B, B, S, S], B, 4),  # just more than one half
        ([B, B, B, S, S, S], S, 0),  # one half is not more than one half
        ([B, B, S, S, S, S], S, 0),
        ([B, B, B, D, S, S], D, 4),  # half believed, more than half usable
        ([B, B, B, B, D, D], B, 4),  # the doubtful ones are left out of a believed window
        ([B, D, D, D, S, S], D, 4),
        ([D, D, D, S, S, S], S, 0),
        ([D, D, D, D, D, D], D, 6),
        ([S, S, S, S, S, S], S, 0),
    ],
)
def test_a_window_is_believed_as_more_than_half_of_its_records_are(
    belief: list[Belief], verdict: Belief, count: int
) -> None:
    found = judged(rows([4.0, 4.1, 4.2, 4.3, 4.4, 4.5, 9.0]), [*belief, B])
    assert found.belief.tolist() == [verdict]
    assert found.count.tolist() == [count]


def test_a_window_is_judged_at_the_first_record_after_it() -> None:
    found = judged(rows([4.0] * 6 + [5.0] * 6 + [6.0]), [B] * 13)
    assert found.row.tolist() == [6, 12]
    assert found.elapsed_us.tolist() == [60 * SECOND_US, 120 * SECOND_US]
    assert found.value.tolist() == [4.0, 5.0]


def test_the_last_record_alone_of_a_window_closes_nothing() -> None:
    assert len(judged(rows([4.0] * 6), [B] * 6)) == 0


def test_an_empty_stretch_of_time_is_no_window() -> None:
    found = judged(rows([4.0, 4.0, 5.0], at_s=[0.0, 10.0, 1000.0]), [B] * 3)
    assert found.row.tolist() == [2]


def test_windows_that_closed_before_the_first_row_are_not_judged_again() -> None:
    made = rows([4.0] * 6 + [5.0] * 6 + [6.0])
    assert judged(made, [B] * 13, first=7).row.tolist() == [5]
    assert judged(made, [B] * 13, first=6).row.tolist() == [0, 6]


def test_records_before_a_mark_or_a_calibration_stay_out() -> None:
    made = rows([4.0, 4.0, 4.0, 4.0, 4.5, 4.6, 9.0])
    assert judged(made, [B] * 7, fresh_s=40.0).value.tolist() == [4.55]
    assert judged(made, [B] * 7, fresh_s=40.0).count.tolist() == [2]
    assert judged(made, [B] * 7, fresh_s=50.0).value.tolist() == [4.6]


def test_a_window_with_nothing_fresh_is_silent() -> None:
    found = judged(rows([4.0] * 6 + [9.0]), [B] * 7, fresh_s=60.0)
    assert found.belief.tolist() == [Belief.NOT_BELIEVED]
    assert np.isnan(found.value).tolist() == [True]


def test_the_median_has_the_larger_u_of_its_two_middle_readings() -> None:
    found = judged(rows([4.0, 4.1, 4.2, 4.3, 4.4, 4.5, 9.0], u=[0.9, 0.1, 0.2, 0.3, 0.1, 0.9, 0.9]), [B] * 7)
    assert found.value.tolist() == [4.25]
    assert found.u.tolist() == [0.3]


@pytest.mark.parametrize("window_s", [8.2, 60.0])
def test_a_window_is_its_length_to_the_microsecond(window_s: float) -> None:
    # 8.2 * 1e6 is 8199999.999999999 in floating point: truncated, windows would drift from where the carry keeps them.
    long = 1_000_000
    edge = round(long * window_s * SECOND_US)
    made = replace(rows([4.0, 4.0, 5.0]), elapsed_us=np.array([edge - 2, edge - 1, edge]))
    assert judged(made, [B] * 3, window_s=window_s).row.tolist() == [2]


@pytest.mark.parametrize(
    ("quality", "tests", "expected"),
    [
        (Quality.PASS, Against.NONE, B),
        (Quality.PASS, Against.GAP, B),
        (Quality.SUSPECT, Against.GROSS_RANGE, D),
        (Quality.SUSPECT, Against.FLAT_LINE, D),
        (Quality.SUSPECT, Against.JUMP, S),
        (Quality.SUSPECT, Against.RATE_OF_CHANGE, S),
        (Quality.SUSPECT, Against.GROSS_RANGE | Against.JUMP, S),
        (Quality.FAIL, Against.GROSS_RANGE, S),
        (Quality.MISSING, Against.NONE, S),
    ],
)
def test_the_belief_in_a_ph_follows_its_quality(quality: Quality, tests: Against, expected: Belief) -> None:
    # pass is believed, suspect may raise but never clears, fail and missing hold; a knock is silent.
    made = replace(rows([4.0]), quality=np.array([int(quality)]), tests=np.array([int(tests)]))
    assert windows.ph_belief(made).tolist() == [expected]


def test_without_a_ph_there_is_nothing_to_believe() -> None:
    assert windows.ph_belief(rows([NAN])).tolist() == [Belief.NOT_BELIEVED]


def test_the_belief_in_a_temperature_is_the_thermometers_own() -> None:
    made = replace(
        rows([NAN, NAN, NAN]),
        temperature_c=np.array([20.0, NAN, 90.0]),
        tests=np.array([int(Against.JUMP), 0, int(Against.TEMPERATURE)]),
        quality=np.array([int(q) for q in (Quality.FAIL, Quality.MISSING, Quality.FAIL)]),
    )
    assert windows.temperature_belief(made).tolist() == [B, S, S]


@pytest.mark.parametrize(
    ("verdict", "expected"), [(Quality.PASS, B), (Quality.NOT_EVALUATED, B), (Quality.SUSPECT, S), (Quality.FAIL, S)]
)
def test_a_record_that_the_next_one_shows_to_be_a_spike_is_not_used(verdict: Quality, expected: Belief) -> None:
    made = replace(rows([4.0, 6.0, 4.0]), previous_spike=np.array([2, 2, int(verdict)]))
    assert windows.without_spikes(made, np.array([B, B, B])).tolist() == [B, expected, B]


def test_looking_for_spikes_leaves_the_first_belief_as_it_was() -> None:
    made = replace(rows([4.0, 6.0, 4.0]), previous_spike=np.array([2, 2, int(Quality.FAIL)]))
    belief = np.array([B, B, B])
    windows.without_spikes(made, belief)
    assert belief.tolist() == [B, B, B]


def test_a_single_record_is_judged_where_it_stands() -> None:
    made = rows([4.0, 5.0, 6.0])
    found = windows.single(made, made.ph, np.array([B, D, S]), first=1)
    assert found.row.tolist() == [0, 1]
    assert found.value.tolist() == [5.0, 6.0]
    assert found.belief.tolist() == [D, S]
    assert found.count.tolist() == [1, 1]
    assert found.elapsed_us.tolist() == [10 * SECOND_US, 20 * SECOND_US]
