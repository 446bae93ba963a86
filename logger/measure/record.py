"""Compute flags, pH, uncertainty, trust and belief of each row, one piece of a block at a time.

Law: what a record becomes depends on it, on earlier ones among `state.recent`, and on what is carried; never on where
blocks were cut. Trust speaks from closed windows, against the records after them, never back.
"""

from math import sqrt

import numpy as np
from numpy.typing import NDArray

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
    carry, recent = state.carry, state.recent
    warmth = _read_thermometer(probe, carry, block)
    ph, u = _compute_ph(probe, carry, block, warmth)
    trusted, turns = _follow_trust(probe, state, block, warmth)
    knows, spoken = _spoken(carry, turns, len(block))
    flags = _flags(probe, recent, block, warmth, knows)
    failed = flags.quality >= int(Quality.FAIL)  # or missing
    ph[failed], u[failed] = np.nan, np.nan
    passed = flags.quality
    if speaks(spoken, _WILD):
        passed = np.where((spoken & _WILD) != 0, np.maximum(passed, int(Quality.SUSPECT)), passed)
    tests = flags.tests | spoken | warmth.tests
    tests |= _tests_of_line(carry.electrode.calibration, ph.item() if len(ph) == 1 else ph)
    tests |= quality.marks(probe, block)
    if carry.electrode.unwatched_at_us is not None:
        tests |= int(QualityTests.AFTER_GAP)
    if speaks(tests, LOST):
        tests |= _by_second_probe(block, tests)
    beliefs = verdicts.judge(
        carry.electrode.belief, at_us=block.at_us, ph=ph, quality=passed, tests=tests, reason=block.reason
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
        ph=ph,
        u=u,
        quality=passed,
        tests=tests,
        previous_spike=flags.previous_spike,
        calibration=_id_column(carry.electrode.calibration, len(block)),
        belief=beliefs.belief,
        since_at_us=beliefs.since_at_us,
        check=_id_column(carry.electrode.check, len(block)),
        spot=_id_column(carry.electrode.spot, len(block)),
    )
    return Computed(rows=rows, belief=beliefs.newest, thermometer=warmth.state, trust=trusted, turns=turns)


_WILD = LOST | int(QualityTests.SCATTERED)
"""What trust says of a record that no process alarm may look at."""


def _spoken(carry: Carry, turns: Turns, count: int) -> tuple[NDArray[np.bool_], Ints]:
    """Return where it was learnt how many values the instrument shows, and the tests that trust speaks by."""
    knows, spoken = np.empty(count, dtype=np.bool_), np.empty(count, dtype=np.int64)
    for row, state in ((0, carry.trust), *turns):
        knows[row:], spoken[row:] = trust.knows_variety(state), int(trust.tests_of(state))
    if carry.suppression.is_away:
        spoken[:] = int(_away_tests(carry))
    return knows, spoken


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
    if carry.suppression.is_away or not _closes(state.recent, block, length_us):  # live, nearly always
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


def _closes(recent: Measurements, block: Block, length_us: int) -> bool:
    """Tell whether a window ends in the block; periods are whole windows."""
    before_us = recent.elapsed_us[-1] if len(recent) else block.elapsed_us[0]
    return bool(before_us // length_us != block.elapsed_us[-1] // length_us)


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
    for column in (potential_mv, warm_c, apart_ph):
        column[:stale] = np.nan
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
    is_fault = (np.concatenate([recent.tests, warmth.tests]) & int(QualityTests.THERMOMETER)) != 0
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


def _by_second_probe(block: Block, tests: Ints) -> Ints:
    """Return the test of the rows in whose place alarms judge a second probe."""
    judged = ((tests & LOST) != 0) & ((tests & AWAY) == 0) & ~np.isnan(block.reference_ph)
    return np.asarray(judged * int(QualityTests.BY_SECOND_PROBE))


def _away_tests(carry: Carry) -> QualityTests:
    """Return the tests of a probe that may not be in its vat."""
    is_attended = carry.suppression.attended_until_us is not None or carry.suppression.out_until_us is not None
    attended = QualityTests.ATTENDED if is_attended else QualityTests.NONE
    return attended if carry.suppression.not_back_us is None else attended | QualityTests.NOT_BACK


def _flags(
    probe: ProbeConfig, recent: Measurements, block: Block, warmth: Thermometry, knows: NDArray[np.bool_]
) -> quality.Flags:
    """Return the flags of the block's rows.

    `knows`: where it was learnt how many values the instrument shows. Where the newest ones differ no line is flat
    either: live nearly always, so that hours of rows need not be touched.
    """
    alive, near = knows, max(0, len(recent) - quality.NEAR)
    if np.count_nonzero(knows) < len(block):
        elapsed_us = np.concatenate([recent.elapsed_us[near:], block.elapsed_us])
        shown_mv = _shown(probe, recent, block, warmth, since=near)
        alive = knows | quality.moves(elapsed_us, shown_mv, probe.limits, first=len(recent) - near)
    is_moving = np.count_nonzero(alive) == len(block)
    since = quality.looked_back_to(recent.potential_mv) if is_moving else 0
    before_c = working_c(recent.temperature_c[since:], probe.assumed_temperature_c)
    return quality.judge(
        elapsed_us=np.concatenate([recent.elapsed_us[since:], block.elapsed_us]),
        potential_mv=np.concatenate([recent.potential_mv[since:], block.potential_mv]),
        temperature_c=np.concatenate([before_c, warmth.warm_c]),
        limits=probe.limits,
        reported_mv=None if is_moving else _shown(probe, recent, block, warmth, since=0),
        is_alive=alive,
        first=len(recent) - since,
    )


def _shown(probe: ProbeConfig, recent: Measurements, block: Block, warmth: Thermometry, *, since: int) -> Floats:
    """Return what the instrument itself reported since a row, in which a frozen line is looked for."""
    potential_mv = np.concatenate([recent.potential_mv[since:], block.potential_mv])
    if not probe.own_ph:
        return potential_mv
    return _reported(probe, potential_mv, _true_c(probe, recent[since:], block, warmth))


def _compute_ph(
    probe: ProbeConfig, carry: Carry, rows: Block | Measurements, warmth: Thermometry
) -> tuple[Floats, Floats]:
    """Return pH and its u; NaN where there is no reading, or no calibration."""
    line, known = carry.electrode.calibration, carry.electrode.estimate
    if line is None or known is None:
        ph, u = np.full((2, len(rows)), np.nan)
        return ph, u
    columns = (rows.at_us, rows.elapsed_us, rows.potential_mv, warmth.warm_c, warmth.doubt_c)
    if len(rows) == 1:  # live: numbers take a third of the time of columns of one, for the same bits
        ph, u2 = _ph_and_variance(probe, line, known, *(column.item() for column in columns))
        return np.array([ph]), np.array([sqrt(u2)])
    with np.errstate(over="ignore", divide="ignore"):  # a line so flat that no number can say its pH
        ph, u2 = _ph_and_variance(probe, line, known, *columns)
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
    return np.array([0 if stored is None else stored.id]).repeat(count)
