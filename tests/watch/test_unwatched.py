"""After hours in which nobody watched somebody is asked to look at the probe, once, until somebody did."""

import numpy as np
import pytest

from logger.alarm import belief_words
from logger.config import PeopleConfig
from logger.model import Belief, Block, Cause, CheckKind, Command, CommandKind, Entry, Mark, QualityTests, WatchState
from logger.structs import replace
from logger.units import HOUR_US
from logger.watch import unwatched
from tests.series import EPOCH_US, calibrate, carry_over, check, of_ph, restored, watch

WATCH = watch()


def with_gap(hours: float, *, back_h: float = 0.0) -> Block:
    """Return twenty records, ten seconds apart, with a gap before the tenth; the wall clock may run back in it."""
    rows, late = of_ph([4.2] * 20), np.where(np.arange(20) < 9, 0, 1)
    more = round(hours * HOUR_US) - 10_000_000
    elapsed = rows.elapsed_us + late * more
    return replace(rows, elapsed_us=elapsed, at_us=EPOCH_US + elapsed - late * round(back_h * HOUR_US))


def told(rows: Block, *commands: Command, cuts: tuple[int, ...] = ()) -> tuple[WatchState, list[Entry], list[bool]]:
    """Return the state, the notices, and of each record whether it says that nobody watched before."""
    state, outcomes = carry_over(WATCH, rows, commands=[calibrate(), *commands], cuts=cuts)
    entries = [entry for outcome in outcomes for entry in outcome.entries if entry.cause is Cause.AFTER_GAP]
    tests = np.concatenate([outcome.measurements.tests for outcome in outcomes])
    assert {int(each) for outcome in outcomes for each in outcome.measurements.belief} == {Belief.BELIEVED}
    return state, entries, ((tests & QualityTests.AFTER_GAP) != 0).tolist()


def ask(kind: CommandKind, **more: object) -> Command:
    return Command(id=99, at_us=EPOCH_US, kind=kind, vat="vat", probe="probe", seq=15, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("cuts", [(), (9,), tuple(range(20))], ids=["at once", "at the gap", "row by row"])
def test_more_than_three_hours_are_told_once(cuts: tuple[int, ...]) -> None:
    state, (entry,), spoken = told(with_gap(8.5), cuts=cuts)
    assert (entry.seq, entry.priority) == (10, "low")
    assert entry.text.startswith("not watched from 18:01 to 02:31 UTC: look whether the probe is in the vat")
    assert spoken == [False] * 9 + [True] * 11
    assert restored(state.carry) == state.carry


def test_three_hours_are_not() -> None:
    _, entries, spoken = told(with_gap(3.0))
    assert (entries, any(spoken)) == ([], False)


@pytest.mark.parametrize(
    "looked",
    [
        ask(CommandKind.CHECK, check=check(0.01)),
        ask(CommandKind.CHECK, check=check(0.01, kind=CheckKind.SPOT)),
        ask(CommandKind.MARK, note=Mark.PROBE_IN),
        ask(CommandKind.CALIBRATE, calibration=calibrate().calibration),
    ],
    ids=["a check", "a spot check", "the word that it is in", "a calibration"],
)
def test_until_somebody_looked(looked: Command) -> None:
    _, _, spoken = told(with_gap(8.0), looked)
    assert spoken == [False] * 9 + [True] * 5 + [False] * 6


def test_stirring_is_no_look_at_the_probe() -> None:
    _, _, spoken = told(with_gap(8.0), ask(CommandKind.MARK, note=Mark.STIRRED))
    assert spoken[-1]


def test_the_belief_says_so() -> None:
    state, _, _ = told(with_gap(8.0))
    assert "not watched for hours before: check the probe" in belief_words.sentence(
        state.recent, belief_words.evidence_of(state.carry)
    )


def test_a_gap_over_which_the_clock_ran_back_has_no_known_length() -> None:
    _, (entry,), _ = told(with_gap(24.0, back_h=26.0))
    assert entry.text.startswith("not watched for a time that nobody knows, until 2026-11-24 16:01 UTC")


def test_a_gap_of_days_has_its_dates() -> None:
    assert "from 2026-11-24 18:00 to 2026-11-26 18:00 UTC" in unwatched.words(
        (EPOCH_US, EPOCH_US + 48 * HOUR_US), PeopleConfig()
    )
