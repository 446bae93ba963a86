"""However a series is cut into blocks, the outcome is the same, to the bit."""

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config import AlarmConfig, AlarmKind, PeopleConfig, QualityLimits, QuietConfig, ScpiConfig, TargetConfig
from logger.measure.calibration import fit
from logger.model import (
    Block,
    CalibrationPoint,
    Cause,
    Check,
    CheckKind,
    Command,
    CommandKind,
    Mark,
    Measurements,
    Outcome,
    WatchState,
)
from logger.structs import replace
from tests.examples import examples
from tests.series import (
    EPOCH_US,
    POINTS,
    block,
    calibrate,
    carry_over,
    check,
    millivolts,
    of_ph,
    raw_alarm,
    spot,
    watch,
)

ALARMS = (
    raw_alarm(on_delay_s=30.0, off_delay_s=20.0, reminder_s=60.0, realarm_s=90.0, raise_after_reminders=2),
    AlarmConfig(
        id="windowed",
        kind=AlarmKind.PH_HIGH,
        setpoint=4.6,
        deadband=0.05,
        window_s=60.0,
        on_delay_s=60.0,
        latching=True,
    ),
    AlarmConfig(id="armed", kind=AlarmKind.PH_HIGH, setpoint=4.6, window_s=40.0, on_delay_s=0.0, armed_ph=4.56),
    AlarmConfig(id="low", kind=AlarmKind.PH_LOW, setpoint=4.0, window_s=50.0, on_delay_s=0.0, reminder_s=70.0),
    AlarmConfig(id="cold", kind=AlarmKind.TEMPERATURE_LOW, setpoint=16.0, deadband=0.5, window_s=60.0, on_delay_s=30.0),
    AlarmConfig(id="fast", kind=AlarmKind.RATE_OF_CHANGE, setpoint=2.0, deadband=0.5, window_s=50.0, on_delay_s=0.0),
    AlarmConfig(id="rise", kind=AlarmKind.RISE, setpoint=0.1, window_s=60.0, on_delay_s=60.0, armed_ph=4.4),
    AlarmConfig(id="early", kind=AlarmKind.EARLY_RISE, setpoint=0.1, window_s=30.0, on_delay_s=0.0),
    AlarmConfig(id="no-start", kind=AlarmKind.NO_START, setpoint=0.1, window_s=50.0, on_delay_s=0.0, drop_ph=0.2),
    AlarmConfig(id="stall", kind=AlarmKind.STALL, setpoint=5.0, window_s=30.0, on_delay_s=30.0, above_ph=4.0),
    AlarmConfig(id="broke-off", kind=AlarmKind.FALL_BROKE_OFF, setpoint=60.0, window_s=30.0, on_delay_s=0.0),
    raw_alarm(AlarmKind.NO_DATA, None, on_delay_s=40.0),
    AlarmConfig(id="blind", kind=AlarmKind.BLIND, window_s=60.0, on_delay_s=60.0),
    raw_alarm(AlarmKind.TRUST_LOST, None, reminder_s=90.0),
    raw_alarm(AlarmKind.TRUST_DOUBTED, None),
    raw_alarm(AlarmKind.NO_CALIBRATION, None, on_delay_s=20.0),
    raw_alarm(AlarmKind.CALIBRATION_OVERDUE, None, on_delay_s=20.0),
    AlarmConfig(id="check", kind=AlarmKind.CHECK_OVERDUE, window_s=60.0, on_delay_s=0.0),
    raw_alarm(AlarmKind.DRIFTED, None),
    AlarmConfig(id="apart", kind=AlarmKind.DISAGREEMENT, window_s=60.0, on_delay_s=30.0),
    AlarmConfig(id="deadline", kind=AlarmKind.DEADLINE, setpoint=0.1, on_delay_s=0.0, window_s=0.0, reminder_s=70.0),
    AlarmConfig(id="late", kind=AlarmKind.LIKELY_LATE, setpoint=50.0, deadband=10.0, on_delay_s=20.0, window_s=0.0),
    AlarmConfig(id="above", kind=AlarmKind.ABOVE_TARGET, on_delay_s=20.0, off_delay_s=30.0, window_s=0.0),
    AlarmConfig(id="unconfirmed", kind=AlarmKind.UNCONFIRMED, on_delay_s=0.0, window_s=0.0, reminder_s=80.0),
    AlarmConfig(id="withdrawn", kind=AlarmKind.CLAIM_WITHDRAWN, on_delay_s=0.0, window_s=0.0, latching=True),
)
TARGET = TargetConfig(ph=4.7, probability=0.5, window_s=60.0, windows=2)
"""What these series now and then show, and checks contradict."""
LIMITS = QualityLimits(flat_suspect_s=120.0, flat_fail_s=240.0, max_gap_s=45.0)
_WATCH = watch(*ALARMS, limits=LIMITS)  # type: ignore[arg-type]
PEOPLE = PeopleConfig(quiet=QuietConfig(begin_min=18 * 60 + 4, end_min=18 * 60 + 9))
"""The series begin at 18:00 UTC and last some 20 minutes."""
WATCH = replace(_WATCH, vat=replace(_WATCH.vat, people=PEOPLE, target=TARGET))

level = st.sampled_from([3.8, 4.1, 4.54, 4.58, 4.62, 4.62, 4.7, 6.865, 8.0])
stretch = st.tuples(
    level, st.integers(1, 25), st.sampled_from(["steady", "noisy", "frozen", "missing", "hot", "odd", "aired"])
)
gap = st.sampled_from([10.0, 10.0, 10.0, 10.0, 3.0, 44.0, 400.0, 11000.0])
THREE = replace(
    fit(
        (*POINTS, CalibrationPoint(buffer_ph=9.18, potential_mv=-128.0, temperature_c=22.0)),
        probe="probe",
        at_us=EPOCH_US,
        by="",
    ),
    id=2,
)
"""Segments that meet at 6.865: the stretches at pH 8 are read from the upper one."""
asked = st.tuples(
    st.integers(2, 90),
    st.one_of(st.sampled_from(CommandKind), st.sampled_from([CommandKind.MARK, CommandKind.CHECK])),
    st.sampled_from([a.id for a in ALARMS]),
    st.sampled_from([None, 1, 2]),
    st.sampled_from(Mark),
    st.sampled_from([30.0, 95.0, None]),
    st.sampled_from([0.01, -0.03, 0.2, -1.2]),
)


def _row(kind: str, ph: float, rng: np.random.Generator) -> tuple[float | None, float]:
    if kind == "missing":
        return None, 20.0
    if kind == "frozen":
        return round(millivolts(ph), 1), 20.0
    if kind == "aired":
        return round(millivolts(ph) + rng.normal(0, 6.0), 1), 13.0 + rng.normal(0, 0.4)
    if kind == "odd":  # a thermometer that fails: its plug, its unit, to and fro
        return round(millivolts(ph), 1), float(rng.choice([85.0, 0.0, 59.9, 59.7, 23.0, 15.5]))
    warm = 90.0 if kind == "hot" else 15.5 + rng.normal(0, 0.4)
    return round(millivolts(ph) + rng.normal(0, 8.0 if kind == "noisy" else 0.7), 1), warm


@st.composite
def series(draw: st.DrawFn) -> Block:
    rng = np.random.default_rng(draw(st.integers(0, 1000)))
    parts = draw(st.lists(stretch, min_size=1, max_size=8))
    rows = [_row(kind, ph, rng) for ph, n, kind in parts for _ in range(n)]
    made = block([mv for mv, _ in rows], [t for _, t in rows])
    gaps = draw(st.lists(gap, min_size=len(rows), max_size=len(rows)))
    elapsed = np.cumsum(np.round(np.array(gaps) * 1e6).astype(np.int64))
    columns = {f.name: getattr(made, f.name) for f in fields(Block)}
    second = np.array([ph for ph, n, _ in parts for _ in range(n)]) + rng.normal(0, 0.2, len(rows))
    second[rng.random(len(rows)) < 0.3] = np.nan  # the second probe says nothing that can be believed
    columns |= {"reference_ph": second, "reference_u": np.where(np.isnan(second), np.nan, 0.06)}
    return Block(**{**columns, "elapsed_us": elapsed, "at_us": EPOCH_US + elapsed})


def _command(number: int, asked_for: tuple[int, CommandKind, str, int | None, Mark, float | None, float]) -> Command:
    seq, kind, alarm, occurrence, note, seconds, off = asked_for
    return Command(
        id=100 + number,
        at_us=EPOCH_US,
        kind=kind,
        vat="vat",
        alarm=alarm,
        occurrence=occurrence,
        note=note.value,
        duration_s=seconds,
        seq=seq,
        calibration=THREE if kind is CommandKind.CALIBRATE else None,
        check=_check(number, seq, off) if kind is CommandKind.CHECK else None,
    )


def _check(number: int, seq: int, off: float) -> Check:
    """A meter that agrees more often than not, or a buffer; with the second calibration now and then."""
    if number % 3 == 2:
        return check(off, at_s=10.0 * seq, calibration=1 + number % 2)
    return check(off, at_s=10.0 * seq, kind=CheckKind.SPOT, instrument=f"meter {number % 2}", u_reference_ph=0.05)


def _same_columns(left: Measurements, right: Measurements) -> None:
    for f in fields(Measurements):
        np.testing.assert_array_equal(getattr(left, f.name), getattr(right, f.name), err_msg=f.name, strict=True)


def _same(whole: tuple[WatchState, list[Outcome]], cut: tuple[WatchState, list[Outcome]]) -> None:
    (state, one), (state_cut, many) = whole, cut
    _same_columns(
        Measurements.concatenate([o.measurements for o in one]),
        Measurements.concatenate([o.measurements for o in many]),
    )
    assert [e for o in one for e in o.entries] == [e for o in many for e in o.entries]
    assert [a for o in one for a in o.answers] == [a for o in many for a in o.answers]
    assert state.carry == state_cut.carry
    _same_columns(state.recent, state_cut.recent)


@settings(max_examples=examples(25))
@given(rows=series(), wanted=st.lists(asked, max_size=6), cuts=st.lists(st.integers(1, 199), max_size=12))
def test_a_series_cut_anywhere_gives_the_same_outcome(rows: Block, wanted: list, cuts: list[int]) -> None:  # type: ignore[type-arg]
    commands = [calibrate(), *(_command(n, w) for n, w in enumerate(wanted))]
    _same(carry_over(WATCH, rows, commands=commands), carry_over(WATCH, rows, commands=commands, cuts=cuts))


@settings(max_examples=examples(6))
@given(rows=series(), wanted=st.lists(asked, max_size=6), bare=st.booleans())
def test_row_by_row_gives_the_same_outcome_as_at_once(rows: Block, wanted: list, *, bare: bool) -> None:  # type: ignore[type-arg]
    commands = [calibrate(), *(_command(n, w) for n, w in enumerate(wanted))]
    every = range(1, len(rows))
    if bare:  # a probe that reports its own pH and no temperature
        columns = {f.name: getattr(rows, f.name) for f in fields(Block)}
        rows = Block(**{**columns, "temperature_c": np.full(len(rows), np.nan)})
        probe = replace(WATCH.probe, scpi=ScpiConfig(ph="MEAS:PH?", temperature=""), assumed_temperature_c=18.0)
        watched = replace(WATCH, probe=probe)
        _same(carry_over(watched, rows, commands=commands), carry_over(watched, rows, commands=commands, cuts=every))
    _same(carry_over(WATCH, rows, commands=commands), carry_over(WATCH, rows, commands=commands, cuts=every))


def test_a_claim_that_is_asked_for_confirmed_and_withdrawn_is_the_same_however_it_is_cut() -> None:
    quiet = watch(*(alarm for alarm in ALARMS if alarm.kind.is_of_target))
    watched = replace(quiet, vat=replace(quiet.vat, target=replace(TARGET, ph=4.6, probability=0.95)))
    rng = np.random.default_rng(3)
    rows = of_ph([4.9] * 20 + (4.48 + rng.normal(0.0, 0.003, 80)).tolist())
    commands = [calibrate(), spot(45, 4.48, 0.02), spot(75, 4.48, -1.2)]
    whole = carry_over(watched, rows, commands=commands)
    causes = [(e.alarm or e.cause, e.cause) for outcome in whole[1] for e in outcome.entries]
    assert ("unconfirmed", Cause.ANNUNCIATED) in causes
    assert (Cause.MEASURED_AT_TARGET, Cause.MEASURED_AT_TARGET) in causes
    assert ("withdrawn", Cause.ANNUNCIATED) in causes
    for cuts in (range(1, 100), (44, 45, 74, 75, 76), *([n] for n in range(35, 80, 3))):
        _same(whole, carry_over(watched, rows, commands=commands, cuts=cuts))


@pytest.mark.parametrize("marked", [False, True], ids=["in the vat", "in somebody's hands"])
def test_a_thermometer_that_shows_the_absolute_zero_stops_no_watch(*, marked: bool) -> None:
    rng = np.random.default_rng(1)
    made = [_row("steady", 4.5, rng) for _ in range(40)]
    rows = block([mv for mv, _ in made], [-273.15 if row in (20, 30) else c for row, (_, c) in enumerate(made)])
    out = _command(1, (18, CommandKind.MARK, ALARMS[0].id, None, Mark.PROBE_OUT, None, 0.0))
    commands = [calibrate(), out] if marked else [calibrate()]
    whole = carry_over(WATCH, rows, commands=commands)
    _same(whole, carry_over(WATCH, rows, commands=commands, cuts=range(1, len(rows))))
    ph = np.concatenate([outcome.measurements.ph for outcome in whole[1]])
    assert np.isnan(ph[[20, 30]]).all() == marked
