"""Compute flags, pH, uncertainty, trust and belief of each row, one piece of a block at a time.

Law: what a record becomes depends on it, on earlier ones among `state.recent`, and on what is carried; never on where
blocks were cut. Trust speaks from closed windows, against the records after them, never back.
"""

from dataclasses import dataclass

import numpy as np

from logger.config import ProbeConfig
from logger.measure import belief as verdicts
from logger.measure import calibration, liveness, quality, trust, trust_windows, uncertainty
from logger.measure.nernst import ISOPOTENTIAL_PH, nernst_mv, working_c
from logger.measure.trust import Around, TrustRun
from logger.measure.windows import AWAY, LOST
from logger.model import (
    BeliefSince,
    Block,
    Calibration,
    Carry,
    Check,
    Floats,
    Ints,
    Measurements,
    Quality,
    QualityTests,
    TrustState,
    WatchState,
)

OWN_PH_DIGITS = 4
"""Digits by which a probe's own pH, which is kept as a potential, is told again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Computed:
    """The records of a piece, and what is carried of belief and trust; `turns`: each new state of trust at its row."""

    rows: Measurements
    belief: BeliefSince
    trust: TrustState
    turns: list[tuple[int, TrustState]]


def compute_records(probe: ProbeConfig, state: WatchState, block: Block) -> Computed:
    """Compute flags, pH, uncertainty, trust and belief of each row."""
    carry, recent = state.carry, state.recent
    flags = quality.judge(
        elapsed_us=np.concatenate([recent.elapsed_us, block.elapsed_us]),
        potential_mv=np.concatenate([recent.potential_mv, block.potential_mv]),
        temperature_c=_temperatures(probe, [recent.temperature_c, block.temperature_c]),
        limits=probe.limits,
    )[len(recent) :]
    ph, u, more = _compute_ph(probe, carry, block, flags.quality)
    run = _follow_trust(probe, state, block, ph, u)
    spoken = _away_tests(carry) if carry.suppression.is_away else _spoken(carry.trust, run.turns, len(block))
    wild = QualityTests.SCATTERED | LOST
    passed = np.where((spoken & wild) != 0, np.maximum(flags.quality, Quality.SUSPECT), flags.quality)
    tests = flags.tests | spoken | more | quality.marks(probe, block)
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
    return Computed(rows=rows, belief=beliefs.newest, trust=run.state, turns=run.turns)


def _follow_trust(probe: ProbeConfig, state: WatchState, block: Block, ph: Floats, u: Floats) -> TrustRun:
    """Follow the trust over the new rows; whoever works on the probe takes it out and knows it."""
    carry, length_us = state.carry, trust_windows.window_us(probe.poll_s)
    around = Around(line=carry.electrode.calibration, length_us=length_us, unsettled_us=carry.suppression.unsettled_us)
    run = TrustRun(around, carry.trust)
    if not carry.suppression.is_away:
        rows = _raw_rows(probe, state, block, ph, u)
        span_us = liveness.period_us(length_us)
        least = 0.5 * span_us / (probe.poll_s * 1e6)
        counts = [
            liveness.count_values(rows, signal, length_us=span_us, least=least)
            for signal in (_reported(probe, rows), rows.temperature_c)
        ]
        run.follow(trust_windows.close(rows, length_us=length_us), *counts)
    return run


def _raw_rows(probe: ProbeConfig, state: WatchState, block: Block, ph: Floats, u: Floats) -> trust_windows.RawRows:
    """Return the raw rows since the open period began; what came before a mark or a calibration is left out."""
    recent, span_us = state.recent, liveness.period_us(trust_windows.window_us(probe.poll_s))
    newest = int(recent.elapsed_us[-1]) if len(recent) else 0
    since = int(np.searchsorted(recent.elapsed_us, newest - newest % span_us))
    elapsed_us = np.concatenate([recent.elapsed_us[since:], block.elapsed_us])
    fresh = elapsed_us >= state.carry.windows.fresh_us
    warm_c = _temperatures(probe, [recent.temperature_c[since:], block.temperature_c])
    apart = np.concatenate(
        [
            _apart(recent.ph[since:], recent.u[since:], recent.reference_ph[since:], recent.reference_u[since:]),
            _apart(ph, u, block.reference_ph, block.reference_u),
        ]
    )
    return trust_windows.RawRows(
        first=len(recent) - since,
        at_us=np.concatenate([recent.at_us[since:], block.at_us]),
        elapsed_us=elapsed_us,
        potential_mv=np.where(fresh, np.concatenate([recent.potential_mv[since:], block.potential_mv]), np.nan),
        temperature_c=np.where(fresh, warm_c, np.nan),
        apart_ph=np.where(fresh, apart, np.nan),
    )


def _apart(ph: Floats, u: Floats, other_ph: Floats, other_u: Floats) -> Floats:
    """Return the distance of two probes over the standard uncertainty of it."""
    return np.asarray(np.abs(ph - other_ph) / np.sqrt(u * u + other_u * other_u))


def _reported(probe: ProbeConfig, rows: trust_windows.RawRows) -> Floats:
    """Return what the instrument reports, in its own unit: its potential, or its own pH."""
    if not probe.own_ph:
        return rows.potential_mv
    return np.round(ISOPOTENTIAL_PH - rows.potential_mv / nernst_mv(rows.temperature_c), OWN_PH_DIGITS)


def _spoken(before: TrustState, turns: list[tuple[int, TrustState]], count: int) -> Ints:
    """Return the tests by which trust speaks against each row."""
    states = [before, *(state for _, state in turns)]
    edges = [0, *(row for row, _ in turns), count]
    return np.repeat(np.array([int(trust.tests_of(state)) for state in states], dtype=np.int64), np.diff(edges))


def _by_second_probe(block: Block, tests: Ints) -> Ints:
    """Return the test of the rows in whose place alarms judge a second probe."""
    judged = ((tests & LOST) != 0) & ((tests & AWAY) == 0) & ~np.isnan(block.reference_ph)
    return np.where(judged, int(QualityTests.BY_SECOND_PROBE), 0)


def _away_tests(carry: Carry) -> QualityTests:
    """Return the tests of a probe that may not be in its vat."""
    is_attended = carry.suppression.attended_until_us is not None or carry.suppression.out_until_us is not None
    attended = QualityTests.ATTENDED if is_attended else QualityTests.NONE
    return attended if carry.suppression.not_back_us is None else attended | QualityTests.NOT_BACK


def _compute_ph(probe: ProbeConfig, carry: Carry, block: Block, quality_of: Ints) -> tuple[Floats, Floats, Ints]:
    """Return pH, its u, and the `QualityTests` that the calibration adds; NaN where the raw signal failed."""
    line = carry.electrode.calibration
    if line is None:
        ph, u = np.full((2, len(block)), np.nan)
        return ph, u, np.full(len(block), int(QualityTests.UNCALIBRATED))
    warm_c = _temperatures(probe, [block.temperature_c])
    ph = calibration.ph_of(line, block.potential_mv, warm_c)
    ph[np.isin(quality_of, (Quality.FAIL, Quality.MISSING))] = np.nan
    u = uncertainty.standard_uncertainty(
        line, probe.errors, at_us=block.at_us, ph=ph, temperature_c=warm_c, drift=carry.electrode.drift
    )
    return ph, u, ((ph < line.low_ph) | (ph > line.high_ph)) * int(QualityTests.OUTSIDE_BUFFERS)


def _temperatures(probe: ProbeConfig, parts: list[Floats]) -> Floats:
    """Return temperatures (C) one after another, to compute by: as read, or the assumed one."""
    return working_c(np.concatenate(parts), probe.assumed_temperature_c)


def _id_column(stored: Calibration | Check | None, count: int) -> Ints:
    """Return a column of the number of what was in force; 0: nothing was."""
    return np.full(count, 0 if stored is None else stored.id, dtype=np.int64)
