"""Compute flags, pH, uncertainty, trust and belief of each row, one piece of a block at a time.

Law: what a record becomes depends on it, on earlier ones among `state.recent`, and on what is carried; never on where
blocks were cut. Trust speaks from closed windows, against the records after them, never back.
"""

from math import sqrt

import numpy as np

from logger.config import ProbeConfig
from logger.measure import age, calibration, liveness, quality, thermometer, trust, trust_windows, uncertainty
from logger.measure import belief as verdicts
from logger.measure.nernst import ABSOLUTE_ZERO_C, ISOPOTENTIAL_PH, nernst_mv, working_c
from logger.measure.thermometer import Thermometry
from logger.measure.trust import Around, TrustRun
from logger.measure.windows import AWAY, LOST, speaks
from logger.model import (
    BeliefSince,
    Block,
    Calibration,
    Carry,
    Check,
    Estimate,
    Floats,
    Ints,
    Measurements,
    Quality,
    QualityTests,
    ThermometerState,
    TrustState,
    Value,
    WatchState,
)
from logger.model.elementwise import column, everywhere, full, held, is_column, where
from logger.model.recent_rows import RecentRows
from logger.structs import Struct, replace

BENCH_C = 25.0
"""Temperature at which a step of an instrument's own pH is looked at in mV."""
OWN_PH_DIGITS = 4
"""Digits by which a probe's own pH, which is kept as a potential, is told again."""


Turns = list[tuple[int, TrustState]]


class Computed(Struct, frozen=True, kw_only=True):
    """The records of a piece, and what is carried on; `turns`: each new state of trust at its row."""

    rows: Measurements
    belief: BeliefSince
    thermometer: ThermometerState
    trust: TrustState
    turns: Turns


def compute_records(probe: ProbeConfig, state: WatchState, block: Block) -> Computed:
    """Compute flags, pH, uncertainty, trust and belief of each row."""
    carry, recent = state.carry, state.rows
    given = block.numbers() if len(block) == 1 else block  # live: the same bits in a third of the time
    warmth = _read_thermometer(probe, carry, block)
    ph, u = _compute_ph(probe, carry, given, warmth)
    trusted, turns = _follow_trust(probe, state, block, warmth)
    knows, spoken = _spoken(carry, turns, given.elapsed_us)
    flags = _flags(probe, recent, block, warmth, knows)
    failed = flags.quality >= int(Quality.FAIL)  # or missing
    ph, u = where(failed, np.nan, ph), where(failed, np.nan, u)
    passed = flags.quality
    if speaks(spoken, _WILD):
        passed = where((spoken & _WILD) != 0, _at_best_suspect(passed), passed)
    tests = flags.tests | spoken | warmth.tests | _tests_of_line(carry.electrode.calibration, ph)
    tests = tests | quality.marks(probe, given.potential_mv, given.temperature_c)
    if carry.electrode.unwatched_at_us is not None:
        tests = tests | int(QualityTests.AFTER_GAP)
    if speaks(tests, LOST):
        tests = tests | _by_second_probe(given.reference_ph, tests)
    beliefs = verdicts.judge(
        carry.electrode.belief, at_us=given.at_us, ph=ph, quality=passed, tests=tests, reason=given.reason
    )
    rows = Measurements(
        seq=block.seq,
        at_us=block.at_us,
        elapsed_us=block.elapsed_us,
        potential_mv=block.potential_mv,
        temperature_c=block.temperature_c,
        reason=block.reason,
        reference_ph=block.reference_ph,
        reference_u=block.reference_u,
        ph=column(ph),
        u=column(u),
        quality=column(passed),
        tests=column(tests),
        previous_spike=column(flags.previous_spike),
        calibration=_id_column(carry.electrode.calibration, len(block)),
        belief=column(beliefs.belief),
        since_at_us=column(beliefs.since_at_us),
        check=_id_column(carry.electrode.check, len(block)),
        spot=_id_column(carry.electrode.spot, len(block)),
    )
    return Computed(rows=rows, belief=beliefs.newest, thermometer=warmth.state, trust=trusted, turns=turns)


_WILD = LOST | int(QualityTests.SCATTERED)
"""What trust says of a record that no process alarm may look at."""


def _at_best_suspect(verdict: Value) -> Value:
    """Return the `Quality` of records, none of which passes."""
    return where(verdict < int(Quality.SUSPECT), int(Quality.SUSPECT), verdict)


def _spoken(carry: Carry, turns: Turns, like: Value) -> tuple[Value, Value]:
    """Return where it was learnt how many values the instrument shows, and the tests that trust speaks by."""
    knows = held(like, ((row, trust.knows_variety(state)) for row, state in turns), trust.knows_variety(carry.trust))
    if carry.suppression.is_away:
        return knows, full(like, int(_away_tests(carry)))
    tests = ((row, int(trust.tests_of(state))) for row, state in turns)
    return knows, held(like, tests, int(trust.tests_of(carry.trust)))


def _read_thermometer(probe: ProbeConfig, carry: Carry, block: Block) -> Thermometry:
    """Judge the temperatures of a block; where there is none, the assumed one is computed by.

    In somebody's hands the thermometer is in a buffer or in the air: what it shows is taken as it is.
    """
    before = carry.electrode.thermometer
    if carry.suppression.is_away:
        read = thermometer.unjudged(before, block.temperature_c)
    else:
        read = thermometer.judge(
            before,
            probe.limits,
            elapsed_us=block.elapsed_us,
            temperature_c=block.temperature_c,
            fresh_us=carry.windows.fresh_us,
            is_compensated=probe.own_ph,
        )
    if probe.assumed_temperature_c is None:
        return read
    assumed = working_c(block.temperature_c, probe.assumed_temperature_c)
    return replace(read, warm_c=np.where(np.isnan(block.temperature_c), assumed, read.warm_c))


def _follow_trust(probe: ProbeConfig, state: WatchState, block: Block, warmth: Thermometry) -> tuple[TrustState, Turns]:
    """Follow the trust over the new rows; whoever works on the probe takes it out and knows it."""
    carry, length_us = state.carry, trust_windows.window_us(probe.poll_s)
    if carry.suppression.is_away or not _closes(state.rows, block, length_us):  # live, nearly always
        return carry.trust, []
    around = Around(
        line=carry.electrode.calibration,
        length_us=length_us,
        unsettled_us=carry.suppression.unsettled_us,
        resolution_mv=probe.errors.resolution_mv,
    )
    run = TrustRun(around, carry.trust)
    rows = _raw_rows(probe, state, block, warmth)
    span_us = liveness.period_us(length_us)
    least = 0.5 * span_us / (probe.poll_s * 1e6)
    counts = [
        liveness.count_values(rows, signal, length_us=span_us, least=least)
        for signal in (_reported(probe, rows.potential_mv, rows.temperature_c), rows.temperature_c)
    ]
    run.follow(trust_windows.close(rows, length_us=length_us), *counts)
    return run.state, run.turns


def _closes(recent: RecentRows, block: Block, length_us: int) -> bool:
    """Tell whether a window ends in the block; periods are whole windows."""
    before_us = recent.elapsed_us.item(-1) if len(recent) else block.elapsed_us.item(0)
    return before_us // length_us != block.elapsed_us.item(-1) // length_us


def _raw_rows(probe: ProbeConfig, state: WatchState, block: Block, warmth: Thermometry) -> trust_windows.RawRows:
    """Return the raw rows since the open period began.

    What came before a mark or a calibration is left out, and so are temperatures that are the thermometer's own fault.
    """
    recent, span_us = state.recent, liveness.period_us(trust_windows.window_us(probe.poll_s))
    newest = int(recent.elapsed_us[-1]) if len(recent) else 0
    recent = recent[int(np.searchsorted(recent.elapsed_us, newest - newest % span_us)) :]
    elapsed_us = np.concatenate([recent.elapsed_us, block.elapsed_us])
    potential_mv, warm_c = (
        np.concatenate([recent.potential_mv, block.potential_mv]),
        _true_c(probe, recent, block, warmth),
    )
    apart_ph = np.concatenate([_apart(probe, state.carry, recent), _apart(probe, state.carry, block)])
    apart_ph[np.isnan(warm_c)] = np.nan
    stale = int(np.searchsorted(elapsed_us, state.carry.windows.fresh_us))
    for each in (potential_mv, warm_c, apart_ph):
        each[:stale] = np.nan
    return trust_windows.RawRows(
        first=len(recent),
        at_us=np.concatenate([recent.at_us, block.at_us]),
        elapsed_us=elapsed_us,
        potential_mv=potential_mv,
        temperature_c=warm_c,
        apart_ph=apart_ph,
    )


def _true_c(probe: ProbeConfig, recent: Measurements, block: Block, warmth: Thermometry) -> Floats:
    """Return the temperatures of all rows, newly made; NaN where they are the thermometer's own fault."""
    is_fault = (np.concatenate([recent.tests, column(warmth.tests)]) & int(QualityTests.THERMOMETER)) != 0
    read_c = working_c(np.concatenate([recent.temperature_c, block.temperature_c]), probe.assumed_temperature_c)
    return np.where(is_fault | (read_c <= ABSOLUTE_ZERO_C), np.nan, read_c)


def _apart(probe: ProbeConfig, carry: Carry, rows: Block | Measurements) -> Floats:
    """Return the distance of two probes over its standard uncertainty; NaN without a second one."""
    if np.isnan(rows.reference_ph).all():
        return np.full(len(rows), np.nan)
    warm_c = working_c(rows.temperature_c, probe.assumed_temperature_c)
    ph, u = _compute_ph(probe, carry, rows, thermometer.unjudged(carry.electrode.thermometer, warm_c))
    return np.asarray(np.abs(ph - rows.reference_ph) / np.sqrt(u * u + rows.reference_u * rows.reference_u))


def _reported(probe: ProbeConfig, potential_mv: Floats, temperature_c: Floats) -> Floats:
    """Return what the instrument reports: its potential, or its own pH as mV at 25 C."""
    if not probe.own_ph:
        return potential_mv
    own_ph = np.round(ISOPOTENTIAL_PH - potential_mv / nernst_mv(temperature_c), OWN_PH_DIGITS)
    return own_ph * nernst_mv(BENCH_C)


def _by_second_probe(reference_ph: Value, tests: Value) -> Value:
    """Return the test of the rows in whose place alarms judge a second probe."""
    is_there = reference_ph == reference_ph  # noqa: PLR0124 - not NaN
    return (((tests & LOST) != 0) & ((tests & AWAY) == 0) & is_there) * int(QualityTests.BY_SECOND_PROBE)


def _away_tests(carry: Carry) -> QualityTests:
    """Return the tests of a probe that may not be in its vat."""
    is_attended = carry.suppression.attended_until_us is not None or carry.suppression.out_until_us is not None
    attended = QualityTests.ATTENDED if is_attended else QualityTests.NONE
    return attended if carry.suppression.not_back_us is None else attended | QualityTests.NOT_BACK


def _flags(probe: ProbeConfig, recent: RecentRows, block: Block, warmth: Thermometry, knows: Value) -> quality.Flags:
    """Return the flags of the block's rows.

    `knows`: where it was learnt how many values the instrument shows. Where the newest ones differ no line is flat
    either: live nearly always, so that hours of rows need not be touched.
    """
    if len(block) == 1:
        return _flags_of_one(probe, recent, block, warmth, knows=knows)
    alive, near = knows, max(0, len(recent) - quality.NEAR)
    if not everywhere(knows):
        elapsed_us = np.concatenate([recent.elapsed_us[near:], block.elapsed_us])
        shown_mv = _shown(probe, recent, block, warmth, since=near)
        alive = knows | quality.moves(elapsed_us, shown_mv, probe.limits, first=len(recent) - near)
    is_moving = everywhere(alive)
    since = quality.looked_back_to(recent.potential_mv) if is_moving else 0
    before_c = working_c(recent.since(since).temperature_c, probe.assumed_temperature_c)
    return quality.judge(
        elapsed_us=np.concatenate([recent.elapsed_us[since:], block.elapsed_us]),
        potential_mv=np.concatenate([recent.potential_mv[since:], block.potential_mv]),
        temperature_c=np.concatenate([before_c, warmth.warm_c]),
        limits=probe.limits,
        reported_mv=None if is_moving else _shown(probe, recent, block, warmth, since=0),
        is_alive=alive,
        first=len(recent) - since,
    )


def _flags_of_one(
    probe: ProbeConfig, recent: RecentRows, block: Block, warmth: Thermometry, *, knows: bool
) -> quality.Flags:
    """Return the flags of a live record."""
    flat, since = (False, False), quality.looked_back_to(recent.potential_mv)
    if not (knows or _moves(probe, recent, block, warmth)):
        suspect, fail = quality.flat_lines(
            np.concatenate([recent.elapsed_us, block.elapsed_us]),
            _shown(probe, recent, block, warmth, since=0),
            probe.limits,
            is_alive=None,
            first=len(recent),
        )
        flat = suspect.item(), fail.item()
    return quality.judge_one(
        probe.limits,
        elapsed_us=[*recent.elapsed_us[since:].tolist(), block.elapsed_us.item()],
        potential_mv=[*recent.potential_mv[since:].tolist(), block.potential_mv.item()],
        temperature_c=warmth.warm_c.item() if is_column(warmth.warm_c) else warmth.warm_c,
        flat=flat,
    )


def _moves(probe: ProbeConfig, recent: RecentRows, block: Block, warmth: Thermometry) -> bool:
    """Tell whether the newest values differ too much for a line that is flat at a live record."""
    near = max(0, len(recent) - quality.NEAR)
    shown_mv = _shown(probe, recent, block, warmth, since=near)
    us = block.elapsed_us.item()
    return quality.newest_moves(recent.elapsed_us[near:], shown_mv, probe.limits, elapsed_us=us)


def _shown(probe: ProbeConfig, recent: RecentRows, block: Block, warmth: Thermometry, *, since: int) -> Floats:
    """Return what the instrument itself reported since a row, in which a frozen line is looked for."""
    potential_mv = np.concatenate([recent.potential_mv[since:], block.potential_mv])
    if not probe.own_ph:
        return potential_mv
    return _reported(probe, potential_mv, _true_c(probe, recent.since(since), block, warmth))


def _compute_ph(
    probe: ProbeConfig, carry: Carry, rows: Block | Measurements, warmth: Thermometry
) -> tuple[Value, Value]:
    """Return pH and its u; NaN where there is no reading, or no calibration."""
    line, known = carry.electrode.calibration, carry.electrode.estimate
    if line is None or known is None:
        nothing = np.nan * rows.potential_mv
        return nothing, nothing
    given = (rows.at_us, rows.elapsed_us, rows.potential_mv, warmth.warm_c, warmth.doubt_c)
    if not is_column(warmth.warm_c):
        ph, u2 = _ph_and_variance(probe, line, known, *given)
        return ph, sqrt(u2)
    with np.errstate(over="ignore", divide="ignore"):  # a line so flat that no number can say its pH
        ph, u2 = _ph_and_variance(probe, line, known, *given)
        return np.asarray(ph), np.asarray(np.sqrt(u2))


def _ph_and_variance(
    probe: ProbeConfig,
    line: Calibration,
    known: Estimate,
    at_us: Value,
    elapsed_us: Value,
    potential_mv: Value,
    warm_c: Value,
    doubt_c: Value,
) -> tuple[Value, Value]:
    """Return pH and its u squared, elementwise."""
    ph, days = calibration.reading_of(line, potential_mv, warm_c), age.days_since(known, at_us, elapsed_us)
    return ph, uncertainty.variance(line, probe.errors, known, days=days, ph=ph, temperature_c=warm_c, doubt_c=doubt_c)


def _tests_of_line(line: Calibration | None, ph: Value) -> Value:
    """Return the `QualityTests` that the calibration adds, elementwise."""
    if line is None:
        return int(QualityTests.UNCALIBRATED)
    return ((ph < line.low_ph) | (ph > line.high_ph)) * int(QualityTests.OUTSIDE_BUFFERS)


def _id_column(stored: Calibration | Check | None, count: int) -> Ints:
    """Return a column of the number of what was in force; 0: nothing was."""
    one = np.array([0 if stored is None else stored.id])
    return one if count == 1 else one.repeat(count)
