"""Whatever happens in a night, the pipeline and a naive reading of the rules write the same journal in one order."""

from dataclasses import fields
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config import AlarmConfig, AlarmKind, QualityLimits
from logger.model import Block, Command, CommandKind
from logger.watch import pipeline
from tests.alarm import oracle
from tests.alarm.oracle_words import Sample, retell
from tests.examples import examples
from tests.series import EPOCH_US, block, calibrate, carry_over, millivolts, raw_alarm, watch

ALARMS = (
    raw_alarm(setpoint=4.6, on_delay_s=30.0, off_delay_s=20.0, reminder_s=60.0, realarm_s=90.0),
    AlarmConfig(
        id="latching",
        kind=AlarmKind.PH_HIGH,
        setpoint=4.6,
        deadband=0.05,
        on_delay_s=0.0,
        window_s=0.0,
        latching=True,
        reminder_s=45.0,
        realarm_s=50.0,
    ),
    raw_alarm(AlarmKind.PH_LOW, 4.15, on_delay_s=20.0),
    # Thermometer values are halves and quarters, so some lie on the setpoint and on the end of the deadband to the bit.
    raw_alarm(AlarmKind.TEMPERATURE_HIGH, 22.0, deadband=0.5, on_delay_s=20.0, off_delay_s=10.0, realarm_s=40.0),
    raw_alarm(AlarmKind.TEMPERATURE_LOW, 17.5, deadband=0.5, latching=True),
    raw_alarm(AlarmKind.NO_DATA, None, on_delay_s=20.0, deadband=0.0, reminder_s=30.0),
    raw_alarm(AlarmKind.BLIND, None, on_delay_s=20.0, deadband=0.0),
    raw_alarm(AlarmKind.TRUST_LOST, None, deadband=0.0, reminder_s=70.0),
)
LIMITS = QualityLimits(jump_mv=25.0, rate_mv_per_s=10.0, max_gap_s=45.0, thermometer_hold_s=0.0)
"""No step of the thermometer is above 5 C, and what is hotter than any vat is at once no temperature.

The flat line stays asleep: it needs 5400 s; so does trust, whose windows are 15 polls long.
"""
WATCH = watch(*ALARMS, limits=LIMITS, poll_s=5760.0)  # type: ignore[arg-type]

ph_level = st.sampled_from([0.1, 3.9, 4.1, 4.2, 4.4, 4.53, 4.57, 4.63, 4.7, 4.7, 11.9])
"""0.1 and 11.9 are outside the electrode's usual range here: doubtful. Steps over 0.42 pH are jumps."""
c_level = st.sampled_from([17.25, 17.5, 17.75, 18.0, 20.0, 20.0, 21.5, 21.75, 22.0, 22.25, 90.0, None])
stretch = st.tuples(st.one_of(ph_level, ph_level, ph_level, st.none()), c_level, st.integers(1, 9))
odd_gap = st.tuples(st.integers(0, 200), st.sampled_from([0.0, 3.0, 45.0, 45.000001, 200.0]))


@st.composite
def nights(draw: st.DrawFn) -> Block:
    rows: list[tuple[float | None, float | None]] = []
    for ph, c, n in draw(st.lists(stretch, min_size=1, max_size=16)):
        rows += [(None if ph is None else millivolts(ph, 20.0 if c is None else c), c)] * n
    made = block([mv for mv, _ in rows], [c for _, c in rows])
    gaps_s = np.full(len(rows), 10.0)
    for row, gap_s in draw(st.lists(odd_gap, max_size=8)):
        gaps_s[row % len(rows)] = gap_s
    elapsed = np.cumsum(np.round(gaps_s * 1e6).astype(np.int64))
    columns = {f.name: getattr(made, f.name) for f in fields(Block)}
    return Block(**{**columns, "elapsed_us": elapsed, "at_us": EPOCH_US + elapsed})


KINDS = [
    *[CommandKind.ACKNOWLEDGE] * 5,
    *[CommandKind.RESET, CommandKind.SHELVE, CommandKind.RETURN_TO_SERVICE] * 3,
    CommandKind.UNSHELVE,
    CommandKind.OUT_OF_SERVICE,
    *[CommandKind.MARK] * 3,
    CommandKind.NOTE,
]
asked: st.SearchStrategy[dict[str, Any]] = st.fixed_dictionaries(
    {
        "kind": st.sampled_from(KINDS),
        "alarm": st.sampled_from([*(a.id for a in ALARMS), *["latching", "ph-high", "temperature-low"] * 3, "unknown"]),
        "occurrence": st.sampled_from([None, None, None, 1, 2, 3]),
        "duration_s": st.sampled_from([None, 0.0, 15.0, 40.0, 90.0, 28800.0, 28801.0]),
        "by": st.sampled_from(["", "alder"]),
        "note": st.sampled_from([*["probe-out"] * 3, *["probe-in"] * 2, "stirred", "topped-up", "started", "shaken"]),
    }
)


@st.composite
def commanded_nights(draw: st.DrawFn) -> tuple[Block, list[Command]]:
    rows = draw(nights())
    when = st.integers(1, len(rows))
    commands = [calibrate(draw(st.one_of(st.just(1), st.just(1), when)))]
    for number, wanted in enumerate(draw(st.lists(asked, max_size=16))):
        commands.append(Command(id=1000 + number, at_us=EPOCH_US, vat="vat", seq=draw(when), **wanted))
    return rows, commands


def samples(rows: Block) -> list[Sample]:
    columns = (rows.seq, rows.elapsed_us, rows.potential_mv, rows.temperature_c)
    return [
        Sample(seq=seq, t=t, mv=None if mv != mv else mv, c=None if c != c else c)  # noqa: PLR0124 - NaN, without numpy
        for seq, t, mv, c in zip(*(column.tolist() for column in columns), strict=True)
    ]


@settings(max_examples=examples(60))
@given(night=commanded_nights())
def test_the_pipeline_writes_the_journal_that_a_naive_reading_writes(night: tuple[Block, list[Command]]) -> None:
    rows, commands = night
    _, outcome = pipeline.step(WATCH, pipeline.fresh(WATCH), rows, commands=commands)
    journal, answers = oracle.carry(WATCH.vat, WATCH.probe, samples(rows), commands)
    assert [retell(entry) for entry in outcome.entries] == journal
    assert [(a.command, a.seq, a.applied) for a in outcome.answers] == answers


@settings(max_examples=examples(15))
@given(night=commanded_nights())
def test_the_pipeline_fed_record_by_record_writes_it_too(night: tuple[Block, list[Command]]) -> None:
    rows, commands = night
    _, outcomes = carry_over(WATCH, rows, commands=commands, cuts=range(len(rows)))
    journal, _ = oracle.carry(WATCH.vat, WATCH.probe, samples(rows), commands)
    assert [retell(entry) for outcome in outcomes for entry in outcome.entries] == journal
