"""The newest records stand in arrays with spare rows behind them; an older state can be evaluated again at any time."""

from dataclasses import fields

import numpy as np

from logger.model import Measurements, WatchState
from logger.watch import pipeline
from tests.series import calibrate, of_ph, raw_alarm, watch

WATCH = watch(raw_alarm())
ROWS = of_ph((4.5 + np.random.default_rng(1).normal(0.0, 0.01, 60)).tolist())
PAST = 30


def begun() -> WatchState:
    state, _ = pipeline.step(WATCH, pipeline.fresh(WATCH), ROWS[:PAST], commands=[calibrate()])
    return pipeline.step(WATCH, state, ROWS[PAST : PAST + 1])[0]


def bits(rows: Measurements) -> list[bytes]:
    return [getattr(rows, f.name).tobytes() for f in fields(Measurements)]


def test_a_live_record_is_written_behind_the_newest_ones() -> None:
    state = begun()
    after, _ = pipeline.step(WATCH, state, ROWS[PAST + 1 : PAST + 2])
    assert np.shares_memory(after.recent.ph, state.recent.ph)


def test_an_older_state_is_evaluated_again_beside_what_was_made_of_it_first() -> None:
    state, first, second = begun(), ROWS[PAST + 1 : PAST + 2], ROWS[PAST + 2 : PAST + 3]
    kept = bits(state.recent)
    one, _ = pipeline.step(WATCH, state, first)
    made = bits(one.recent)
    other, _ = pipeline.step(WATCH, state, second)
    again, _ = pipeline.step(WATCH, state, first)
    assert other.recent.seq[-1] == second.seq[0]
    assert (bits(state.recent), bits(one.recent), bits(again.recent)) == (kept, made, made)


def test_a_state_without_spare_rows_goes_on_as_one_with_them() -> None:
    state = bare = begun()
    for row in range(PAST + 1, len(ROWS)):
        one = ROWS[row : row + 1]
        state, with_spare = pipeline.step(WATCH, state, one)
        bare, without = pipeline.step(WATCH, WatchState.of(bare.carry, bare.recent), one)
        assert bits(with_spare.measurements) == bits(without.measurements)
    assert (state.carry, bits(state.recent)) == (bare.carry, bits(bare.recent))
