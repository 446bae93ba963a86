"""Whatever is marked, the pipeline and a naive reading of the alarms that look back write the same journal.

Nights whose windows scatter are left out: no alarm looks at what trust says so of, and the naive reading knows no trust
(`tests/measure/test_trust_oracle.py` does).
"""

from typing import Any

import numpy as np
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from logger.config import AlarmConfig, AlarmKind, VatConfig
from logger.model import Block, Command, CommandKind, Mark, QualityTests
from logger.structs import replace
from tests.alarm import oracle_batch
from tests.alarm.oracle_words import retell
from tests.alarm.test_oracle import LIMITS, odd_gap, samples
from tests.examples import examples
from tests.series import EPOCH_US, block, calibrate, carry_over, millivolts, raw_alarm, watch


def looking(kind: AlarmKind, setpoint: float, window_s: float, **more: object) -> AlarmConfig:
    return raw_alarm(kind, setpoint, **{"window_s": window_s, "on_delay_s": window_s, "deadband": 0.05, **more})


ALARMS = (  # figures that no difference of the nights' levels meets to the bit
    looking(AlarmKind.RATE_OF_CHANGE, 5.1, 30.0, deadband=1.03, on_delay_s=0.0, reminder_s=60.0),
    looking(AlarmKind.RISE, 0.13, 40.0, armed_ph=4.31, realarm_s=70.0),
    looking(AlarmKind.EARLY_RISE, 0.121, 30.0, on_delay_s=0.0),
    looking(AlarmKind.NO_START, 0.0701, 30.0, drop_ph=0.23, off_delay_s=30.0),
    replace(looking(AlarmKind.NO_START, 0.1301, 50.0, drop_ph=0.23, latching=True), id="late"),
    looking(AlarmKind.STALL, 0.513, 20.0, drop_ph=0.23, above_ph=4.33, deadband=0.21),
    looking(AlarmKind.FALL_BROKE_OFF, 25.1, 20.0, deadband=10.3),
    looking(AlarmKind.TEMPERATURE_HIGH, 22.0, 30.0, deadband=0.5),
    looking(AlarmKind.TEMPERATURE_LOW, 17.5, 30.0, deadband=0.5),
)
WATCH = watch(*ALARMS, limits=replace(LIMITS, spike_suspect_mv=1e6, spike_fail_mv=2e6))  # type: ignore[arg-type]
VAT: VatConfig = replace(WATCH.vat, unsettled_s=150.0, probe_out_s=60.0)
asked: st.SearchStrategy[dict[str, Any]] = st.fixed_dictionaries(
    {
        "kind": st.sampled_from([*[CommandKind.MARK] * 6, CommandKind.ACKNOWLEDGE, CommandKind.CALIBRATE]),
        "alarm": st.sampled_from([a.id for a in ALARMS]),
        "duration_s": st.sampled_from([None, None, 0.0, 40.0, 90.0, 28800.0]),
        "by": st.sampled_from(["", "alder"]),
        "note": st.sampled_from([*Mark, Mark.TOPPED_UP, Mark.STARTED, "shaken"]),
    }
)


level = st.sampled_from([4.7, 4.7, 4.57, 4.44, 4.4, 4.4, 4.2, 4.1, None, 11.9])
"""4.7 and 4.4 lie 0.3 apart, 4.1 and 4.2 below what arms a rise and ends a stall."""
warmth = st.sampled_from([20.0, 20.0, 20.0, 18.5, 17.25, 22.25, None])


@st.composite
def courses(draw: st.DrawFn) -> Block:
    """Return nights that last: levels kept for up to seven minutes, from the highest on."""
    parts = [(4.7, 20.0, 8), *draw(st.lists(st.tuples(level, warmth, st.integers(4, 40)), min_size=4, max_size=8))]
    rows = [(ph, c) for ph, c, n in parts for _ in range(n)]
    made = block(
        [None if ph is None else millivolts(ph, 20.0 if c is None else c) for ph, c in rows], [c for _, c in rows]
    )
    gaps = np.full(len(rows), 10_000_000)
    for row, gap_s in draw(st.lists(odd_gap, max_size=4)):
        gaps[row % len(rows)] = round(gap_s * 1e6)
    return replace(made, elapsed_us=np.cumsum(gaps), at_us=EPOCH_US + np.cumsum(gaps))


@st.composite
def marked_nights(draw: st.DrawFn) -> tuple[Block, list[Command]]:
    rows = draw(courses())
    when = st.integers(1, len(rows))
    started = Command(id=2, at_us=EPOCH_US, kind=CommandKind.MARK, vat="vat", note=Mark.STARTED, seq=1)
    commands = [calibrate(), *([started] if draw(st.booleans()) else [])]
    for number, wanted in enumerate(draw(st.lists(asked, max_size=8))):
        line = calibrate().calibration if wanted["kind"] is CommandKind.CALIBRATE else None
        made = Command(id=1000 + number, at_us=EPOCH_US, vat="vat", seq=draw(when), calibration=line, **wanted)
        commands.append(made)
    return rows, commands


def night_in_cold_air() -> tuple[Block, list[Command]]:
    """Return a night whose probe hangs in cold air for 90 s, while hours at the vat's temperature are counted."""
    celsius = [20.0] * 10 + [15.5] * 9 + [20.0] * 30
    marks = [(1, Mark.STARTED, None), (11, Mark.PROBE_OUT, 90.0)]
    made = [
        Command(id=1000 + seq, at_us=EPOCH_US, kind=CommandKind.MARK, vat="vat", note=note, duration_s=s, seq=seq)
        for seq, note, s in marks
    ]
    return block([millivolts(4.7, c) for c in celsius], celsius), [calibrate(), *made]


@settings(max_examples=examples(30))
@example(night=night_in_cold_air(), cuts=[])
@given(night=marked_nights(), cuts=st.lists(st.integers(1, 144), max_size=6))
def test_the_pipeline_writes_the_journal_that_a_naive_reading_writes(
    night: tuple[Block, list[Command]], cuts: list[int]
) -> None:
    rows, commands = night
    _, outcomes = carry_over(replace(WATCH, vat=VAT), rows, commands=commands, cuts=cuts)
    assume(not any((outcome.measurements.tests & int(QualityTests.SCATTERED)).any() for outcome in outcomes))
    journal = oracle_batch.carry(VAT, WATCH.probe, samples(rows), commands)
    assert [retell(entry) for outcome in outcomes for entry in outcome.entries] == journal
