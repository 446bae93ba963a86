"""However hours of a vat are cut into blocks, stored and read back, the trust in its probe is the same, to the bit."""

from collections.abc import Sequence
from dataclasses import fields
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logger.config import AlarmConfig, AlarmKind, QualityLimits
from logger.measure.calibration import fit
from logger.model import (
    Block,
    CheckKind,
    Command,
    CommandKind,
    Mark,
    Measurements,
    Outcome,
    Reason,
    TrustLevel,
    WatchState,
)
from logger.structs import replace
from logger.watch import pipeline
from tests.examples import examples
from tests.series import EPOCH_US, POINTS, calibrate, check, millivolts, raw_alarm, restored, watch

POLL_S = 20.0
ALARMS = (
    raw_alarm(AlarmKind.TRUST_LOST, None, reminder_s=1800.0),
    raw_alarm(AlarmKind.TRUST_DOUBTED, None),
    AlarmConfig(id="blind", kind=AlarmKind.BLIND, window_s=300.0, on_delay_s=600.0),
    AlarmConfig(id="high", kind=AlarmKind.PH_HIGH, setpoint=5.4, deadband=0.05, window_s=300.0, on_delay_s=300.0),
    AlarmConfig(id="apart", kind=AlarmKind.DISAGREEMENT, window_s=300.0, on_delay_s=300.0),
)
LIMITS = QualityLimits(flat_suspect_s=1200.0, flat_fail_s=1500.0, max_gap_s=90.0)
"""Shorter than usual: record by record, all rows that the flags look back on are looked at."""
WATCH = watch(*ALARMS, poll_s=POLL_S, limits=LIMITS)  # type: ignore[arg-type]
PRELUDE = 2400
"""Records of 13 hours: so long it takes until liveness is learnt."""
MOVED = replace(
    fit(
        tuple(replace(point, potential_mv=point.potential_mv + 20.0) for point in POINTS),
        probe="probe",
        at_us=EPOCH_US,
        by="",
    ),
    id=2,
)
"""A calibration that moves the reading by 20 mV."""
STEPS_PH = {"jump": -0.4, "leap": 1.2, "rise": 0.27, "back": 0.0, "flap": 0.0}
KINDS = ("calm", "calm", "jump", "leap", "rise", "back", "frozen", "flap", "cold", "air", "still", "missing", "noisy")
GAPS_S = (0.0, 0.0, 0.0, 200.0, 3600.0, 8 * 3600.0, 24 * 3600.0)

LONG = 400
"""So many records more hold still: three periods of half an hour."""

stretch = st.tuples(
    st.sampled_from(KINDS), st.integers(20, 300), st.sampled_from(GAPS_S), st.sampled_from(("none", "agrees", "apart"))
)
MARKS = (Mark.PROBE_OUT, Mark.PROBE_IN, Mark.PROBE_IN, Mark.STIRRED, Mark.TOPPED_UP, Mark.STARTED)
WORK = (CommandKind.ATTEND, CommandKind.LEAVE, CommandKind.BREAK_OFF, CommandKind.CALIBRATE, CommandKind.CHECK)
asked = st.tuples(
    st.integers(1, 1500),
    st.one_of(st.sampled_from(MARKS), st.sampled_from(WORK)),
    st.sampled_from((900.0, 3600.0, None)),
    st.sampled_from((0.01, 0.01, -0.3)),
    st.sampled_from((1, 1, 2)),
)


def _signals(kind: str, count: int, before: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return pH and temperature (C) of a stretch of a vat at a pH."""
    noise = {"noisy": 0.1, "air": 0.04, "frozen": 0.0}.get(kind, 0.004)
    ph = before + STEPS_PH.get(kind, 0.0) + rng.normal(0, 1, count) * noise
    warm = 20.0 - 4.0 * (kind in ("cold", "air")) + rng.normal(0, 0.05, count).round(1)
    if kind == "flap":
        ph[rng.random(count) < 0.3] += 1.6
    if kind == "frozen":
        return np.full(count, before), np.full(count, 20.0)
    return ph, np.full(count, 20.0) if kind == "still" else warm


def _rows(parts: Sequence[tuple[str, int, float, str]], *, first: int, start_s: float, seed: int) -> Block:
    """Return the stretches one after another, each after a gap, of a vat that falls slowly."""
    rng = np.random.default_rng(seed)
    columns: dict[str, list[np.ndarray]] = {"mv": [], "warm": [], "at": [], "second": [], "missing": []}
    at_s, step = start_s, 0.0
    for kind, wanted, gap_s, other in parts:
        count = wanted + LONG * (kind in ("frozen", "still"))
        at_s += gap_s
        times = at_s + POLL_S * np.arange(count)
        course = 5.2 - 0.02 * times / 3600.0
        step = 0.0 if kind == "back" else step
        ph, warm = _signals(kind, count, 0.0, rng)
        step += STEPS_PH.get(kind, 0.0)
        shown = ph - STEPS_PH.get(kind, 0.0) + step + (course if kind != "frozen" else course[0])
        columns["mv"].append(np.array([round(millivolts(*each), 1) for each in zip(shown, warm, strict=True)]))
        columns["warm"].append(warm)
        columns["at"].append(times)
        off = {"none": np.nan, "agrees": 0.0, "apart": 0.6}[other]
        columns["second"].append(course + off)
        columns["missing"].append(rng.random(count) < (0.7 if kind == "missing" else 0.01))
        at_s += POLL_S * count
    joined = {name: np.concatenate(each) for name, each in columns.items()}
    elapsed_us = np.round(joined["at"] * 1e6).astype(np.int64)
    absent = joined["missing"]
    second = joined["second"]
    return Block(
        seq=np.arange(first, first + len(absent)),
        at_us=EPOCH_US + elapsed_us,
        elapsed_us=elapsed_us,
        potential_mv=np.where(absent, np.nan, joined["mv"]),
        temperature_c=np.where(absent, np.nan, joined["warm"]),
        reason=np.where(absent, int(Reason.TIMEOUT), 0),
        reference_ph=second,
        reference_u=np.where(np.isnan(second), np.nan, 0.06),
    )


def _command(number: int, first: int, wanted: tuple[int, Mark | CommandKind, float | None, float, int]) -> Command:
    at, what, seconds, off, line = wanted
    kind = CommandKind.MARK if isinstance(what, Mark) else what
    spot = replace(check(off, reference_ph=5.1, kind=CheckKind.SPOT, calibration=line), id=number)
    lasts = seconds if kind is CommandKind.ATTEND or what in (Mark.PROBE_OUT, Mark.STIRRED, Mark.TOPPED_UP) else None
    return Command(
        id=100 + number,
        at_us=EPOCH_US,
        kind=kind,
        vat="vat",
        note=what.value if isinstance(what, Mark) else "",
        duration_s=lasts,
        seq=first + at,
        calibration=MOVED if kind is CommandKind.CALIBRATE else None,
        check=spot if kind is CommandKind.CHECK else None,
    )


@cache
def _watched_before() -> WatchState:
    """Return a watch that has seen a healthy vat for half a day."""
    rows = _rows([("calm", PRELUDE, 0.0, "none")], first=1, start_s=0.0, seed=1)
    return pipeline.step(WATCH, pipeline.fresh(WATCH), rows, commands=[calibrate()])[0]


def _run(
    state: WatchState, rows: Block, commands: Sequence[Command], cuts: Sequence[int], *, restarts: Sequence[int] = ()
) -> tuple[WatchState, list[Outcome]]:
    outcomes = []
    for start, end in pairwise([0, *sorted({cut for cut in cuts if 0 < cut < len(rows)}), len(rows)]):
        part = rows[start:end]
        if start in restarts:
            state = replace(state, carry=restored(state.carry))
        mine = [each for each in commands if part.seq[0] <= each.seq <= part.seq[-1]]
        state, outcome = pipeline.step(WATCH, state, part, commands=mine)
        outcomes.append(outcome)
    return state, outcomes


def _same(whole: tuple[WatchState, list[Outcome]], cut: tuple[WatchState, list[Outcome]]) -> None:
    (state, one), (state_cut, many) = whole, cut
    left, right = (Measurements.concatenate([o.measurements for o in each]) for each in (one, many))
    for f in fields(Measurements):
        np.testing.assert_array_equal(getattr(left, f.name), getattr(right, f.name), err_msg=f.name, strict=True)
    assert [e for o in one for e in o.entries] == [e for o in many for e in o.entries]
    assert [a for o in one for a in o.answers] == [a for o in many for a in o.answers]
    assert state.carry.trust == state_cut.carry.trust
    assert state.carry == state_cut.carry


def _begin(parts: list, wanted: list, *, learnt: bool) -> tuple[WatchState, Block, list[Command]]:  # type: ignore[type-arg]
    first, start_s = (PRELUDE + 1, PRELUDE * POLL_S) if learnt else (1, 0.0)
    rows = _rows(parts, first=first, start_s=start_s, seed=len(parts))
    commands = [_command(n, first, each) for n, each in enumerate(wanted, start=2)]
    state = _watched_before() if learnt else pipeline.fresh(WATCH)
    return state, rows, commands if learnt else [calibrate(), *commands]


@example(
    parts=[("frozen", 20, 0.0, "none"), ("calm", 200, 0.0, "none")], wanted=[], cuts=[*range(1, 600, 7)], learnt=True
)
@example(
    parts=[("still", 20, 0.0, "none"), ("calm", 200, 0.0, "none")], wanted=[], cuts=[*range(1, 600, 7)], learnt=True
)
@settings(max_examples=examples(12))
@given(
    parts=st.lists(stretch, min_size=3, max_size=9),
    wanted=st.lists(asked, max_size=6),
    cuts=st.lists(st.integers(1, 2000), max_size=12),
    learnt=st.booleans(),
)
def test_hours_cut_anywhere_and_stored_there_give_the_same_trust(
    parts: list,  # type: ignore[type-arg]
    wanted: list,  # type: ignore[type-arg]
    cuts: list[int],
    *,
    learnt: bool,
) -> None:
    state, rows, commands = _begin(parts, wanted, learnt=learnt)
    whole = _run(state, rows, commands, [])
    _same(whole, _run(state, rows, commands, cuts, restarts=cuts[::2]))


@settings(max_examples=examples(2))
@given(
    parts=st.lists(stretch.map(lambda one: (one[0], one[1] // 3 + 15, *one[2:])), min_size=2, max_size=4),
    wanted=st.lists(asked, max_size=4),
)
def test_hours_record_by_record_give_the_same_trust_as_at_once(parts: list, wanted: list) -> None:  # type: ignore[type-arg]
    state, rows, commands = _begin(parts, wanted, learnt=True)
    every = range(1, len(rows))
    _same(_run(state, rows, commands, []), _run(state, rows, commands, every, restarts=every[::97]))


REACHED = {
    "leap": {"jump"},
    "frozen": {"frozen", "thermometer"},
    "still": {"thermometer"},
    "flap": {"contact"},
    "cold": {"temperature"},
    "air": {"temperature", "air"},
    "calm": set[str](),
}
"""What trust is lost or doubted by in a stretch."""


@pytest.mark.parametrize(("kind", "causes"), REACHED.items(), ids=REACHED)
def test_these_hours_lose_trust_by_every_cause_and_earn_it_back(kind: str, causes: set[str]) -> None:
    state, rows, _ = _begin([(kind, 200, 0.0, "none"), ("back", 400, 0.0, "agrees")], [], learnt=True)
    _, outcomes = _run(state, rows, [], range(1, len(rows), 15))
    trusts = [outcome.carry.trust for outcome in outcomes]
    reached = [each.cause.value for trust in trusts for each in (trust.loss, trust.doubt) if each is not None]
    assert (set(reached), trusts[-1].level) == (causes, TrustLevel.EARNED)
