"""Forecasts through the whole pipeline: told, silent, however the series is cut; a deadline that is likely missed."""

from typing import NamedTuple

import numpy as np
import pytest

from logger.config import AlarmConfig, AlarmKind, TargetConfig
from logger.model import BatchOutlook, Block, Cause, Command, CommandKind, Entry, Foresight, Mark, WatchState
from logger.structs import replace
from logger.units import HOUR_US
from logger.watch import forecast_words
from logger.watch.pipeline import Watch
from tests.series import EPOCH_US, calibrate, carry_over, millivolts, restored, watch

POLL_S = 100.0
FALL_FROM_H, STEEP_PH_PER_H = 4.0, 0.06


def watched(deadline_h: float = 40.0) -> Watch:
    made = watch(
        AlarmConfig(id="deadline", kind=AlarmKind.DEADLINE, setpoint=deadline_h, on_delay_s=0.0, window_s=0.0),
        AlarmConfig(
            id="late", kind=AlarmKind.LIKELY_LATE, setpoint=50.0, deadband=10.0, on_delay_s=7200.0, window_s=0.0
        ),
        poll_s=POLL_S,
    )
    return replace(made, vat=replace(made.vat, target=TargetConfig()))


def ph_at(hours: np.ndarray) -> np.ndarray:
    """Return a fall in a straight line from 5.8, which passes 4.6 after 24 h."""
    return 5.8 - STEEP_PH_PER_H * np.maximum(hours - FALL_FROM_H, 0.0)


def falling(hours: float, *, poll_s: float = POLL_S) -> Block:
    """Return what a probe reads of it, with noise; the temperature swings a little."""
    elapsed_s = np.arange(0.0, hours * 3600.0, poll_s)
    ph, rng = ph_at(elapsed_s / 3600.0), np.random.default_rng(5)
    warm = 20.0 + 0.5 * np.sin(elapsed_s / 13_000.0) + rng.normal(0.0, 0.05, len(ph))
    mv = np.array([millivolts(one, at) for one, at in zip(ph, warm, strict=True)]) + rng.normal(0.0, 0.4, len(ph))
    elapsed_us, nothing = np.round(elapsed_s * 1e6).astype(np.int64), np.full(len(ph), np.nan)
    return Block(
        seq=np.arange(1, len(ph) + 1),
        at_us=EPOCH_US + elapsed_us,
        elapsed_us=elapsed_us,
        potential_mv=mv,
        temperature_c=warm,
        reason=np.zeros(len(ph), dtype=np.int64),
        reference_ph=nothing,
        reference_u=nothing,
    )


def mark(seq: int, note: Mark, **more: object) -> Command:
    return Command(id=100 + seq, at_us=EPOCH_US, kind=CommandKind.MARK, vat="vat", note=note, seq=seq, **more)  # type: ignore[arg-type]


STARTED = (calibrate(), mark(2, Mark.STARTED))


class Watched(NamedTuple):
    state: WatchState
    entries: list[Entry]

    @property
    def outlook(self) -> BatchOutlook:
        outlook = self.state.carry.forecast.outlook
        assert outlook is not None
        return outlook


def over(hours: float, *commands: Command, by: Watch | None = None) -> Watched:
    state, outcomes = carry_over(by or watched(), falling(hours), commands=[*STARTED, *commands])
    return Watched(state, [entry for one in outcomes for entry in one.entries])


def row_at(hours: float) -> int:
    return round(hours * 3600.0 / POLL_S)


def test_half_way_the_interval_holds_the_truth_and_the_sentence_says_half_hours() -> None:
    seen = over(14.2)
    outlook = seen.outlook
    low, high = (((us or 0) - EPOCH_US) / HOUR_US for us in (outlook.low_us, outlook.high_us))
    assert outlook.foresight is Foresight.TOLD
    assert low < 24.0 < high
    text = forecast_words.sentence(watched().vat, seen.state.carry)
    assert text is not None
    assert text.startswith("about Wed ")
    assert text.endswith("; not yet proven on your vats")
    times = [word for word in text.replace("(", " ").replace(",", " ").split() if ":" in word and word[0].isdigit()]
    assert len(times) == 3
    assert all(word.endswith((":00", ":30")) for word in times)


def test_before_a_tenth_of_the_way_it_only_says_before_when_nothing_will_be() -> None:
    seen = over(4.0)
    assert (seen.outlook.foresight, seen.outlook.middle_us) == (Foresight.TOO_EARLY, None)
    assert "too early to tell, but hardly before" in (forecast_words.sentence(watched().vat, seen.state.carry) or "")


@pytest.mark.parametrize("by", [replace(watched(), vat=replace(watched().vat, target=None))])
def test_without_a_target_or_a_start_nothing_is_forecast(by: Watch) -> None:
    assert over(8.0, by=by).state.carry.forecast.outlook is None
    state, _ = carry_over(watched(), falling(8.0), commands=[calibrate()])
    assert state.carry.forecast.outlook is None
    assert forecast_words.sentence(watched().vat, state.carry) is None


def test_it_is_silent_while_the_probe_is_out_and_until_the_line_is_long_enough_again() -> None:
    out = mark(row_at(12.0), Mark.PROBE_OUT, duration_s=3600.0)
    assert over(12.9, out).outlook.foresight is Foresight.SILENT


def test_it_is_silent_while_the_vat_is_unsettled() -> None:
    assert over(12.9, mark(row_at(12.0), Mark.STIRRED, duration_s=7200.0)).outlook.foresight is Foresight.SILENT


def test_once_the_reading_is_at_the_target_nothing_is_forecast_any_more() -> None:
    seen = over(26.0)
    assert seen.state.carry.forecast.outlook is None
    assert seen.state.carry.forecast.has_reached
    assert [len(batch.ratios) for batch in seen.state.carry.forecast.ended] == [3]
    assert forecast_words.sentence(watched().vat, seen.state.carry) == "the reading has been at the target"


def test_a_deadline_likely_missed_is_told_and_one_that_is_not_is_not() -> None:
    seen = over(15.0, by=watched(deadline_h=18.0))
    came = [entry for entry in seen.entries if entry.alarm == "late" and entry.cause is Cause.ANNUNCIATED][-1]
    assert came.value is not None
    assert came.value >= 50.0
    assert "pH will likely be above its target at the deadline" in came.text
    assert not [entry for entry in over(20.0).entries if entry.alarm == "late"]


def test_it_is_over_when_the_deadline_is_past() -> None:
    seen = over(19.0, by=watched(deadline_h=18.0))
    *_, came, over_again = [entry for entry in seen.entries if entry.alarm == "late"]
    assert (came.cause, over_again.cause) == (Cause.ANNUNCIATED, Cause.RETURNED)
    assert (over_again.at_us - EPOCH_US) / HOUR_US == pytest.approx(18.0, abs=0.5)


@pytest.mark.parametrize("cuts", [range(340, 480), range(7, 2000, 37), (18, 19, 431)])
def test_live_row_by_row_and_in_replay_the_same_is_forecast_to_the_bit(cuts: range | tuple[int, ...]) -> None:
    marks = (
        mark(row_at(5.01), Mark.STIRRED, duration_s=1200.0),
        mark(row_at(10.0), Mark.PROBE_OUT, duration_s=1500.0),
        mark(row_at(10.2), Mark.PROBE_IN),
        mark(row_at(16.0), Mark.TOPPED_UP, duration_s=1800.0),
    )
    rows, commands = falling(18.0), [*STARTED, *marks]  # the first cuts it row by row around the hours marked
    whole, _ = carry_over(watched(), rows, commands=commands)
    cut, _ = carry_over(watched(), rows, commands=commands, cuts=tuple(cuts))
    assert whole.carry.forecast == cut.carry.forecast
    assert restored(whole.carry) == whole.carry
