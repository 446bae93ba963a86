"""Compute flags, pH, uncertainty and belief of each row, one piece of a block at a time.

Law: what a record becomes depends on it, on earlier ones among `state.recent`, and on what is carried; never on where
blocks were cut.
"""

from dataclasses import replace

import numpy as np

from logger.config import ProbeConfig
from logger.measure import age, calibration, immersion, quality, thermometer, uncertainty
from logger.measure import belief as verdicts
from logger.measure.nernst import working_c
from logger.measure.thermometer import Thermometry
from logger.model import (
    BeliefSince,
    Block,
    Calibration,
    Carry,
    Check,
    Floats,
    ImmersionState,
    Ints,
    Measurements,
    Quality,
    QualityTests,
    WatchState,
)


def read_thermometer(probe: ProbeConfig, carry: Carry, block: Block) -> Thermometry:
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
    assumed = working_c(block.temperature_c, probe.assumed_temperature_c)
    return replace(read, warm_c=np.where(np.isnan(block.temperature_c), assumed, read.warm_c))


def detect_immersion(
    probe: ProbeConfig, state: WatchState, block: Block, warmth: Thermometry
) -> tuple[ImmersionState, Ints]:
    """Detect a probe out of the liquid, or erratic; return the new state and the `QualityTests` of each row.

    Whoever works on the probe takes it out and knows it. What is the thermometer's own fault is no witness.
    """
    carry, recent = state.carry, state.recent
    before = (
        carry.windows.immersion
        if carry.windows.immersion.fresh_us == carry.windows.fresh_us
        else ImmersionState(fresh_us=carry.windows.fresh_us)
    )
    if carry.suppression.is_away:
        return ImmersionState(fresh_us=carry.windows.fresh_us), np.full(len(block), int(_away_tests(carry)))
    length_us = immersion.window_us(probe.limits, poll_s=probe.poll_s)
    newest = int(recent.elapsed_us[-1]) if len(recent) else 0
    since = int(np.searchsorted(recent.elapsed_us, newest - newest % length_us))
    return immersion.detect(
        before,
        probe.limits,
        elapsed_us=np.concatenate([recent.elapsed_us[since:], block.elapsed_us]),
        potential_mv=np.concatenate([recent.potential_mv[since:], block.potential_mv]),
        temperature_c=_witnessing_c(probe, recent[since:], block, warmth),
        first=len(recent) - since,
        length_us=length_us,
    )


def _witnessing_c(probe: ProbeConfig, recent: Measurements, block: Block, warmth: Thermometry) -> Floats:
    """Return the temperatures that tell of the probe; NaN where they are the thermometer's own fault."""
    is_fault = (np.concatenate([recent.tests, warmth.tests]) & QualityTests.THERMOMETER) != 0
    return np.where(is_fault, np.nan, _temperatures(probe, [recent.temperature_c, block.temperature_c]))


def _away_tests(carry: Carry) -> QualityTests:
    """Return the tests of a probe that may not be in its vat."""
    is_attended = carry.suppression.attended_until_us is not None or carry.suppression.out_until_us is not None
    attended = QualityTests.ATTENDED if is_attended else QualityTests.NONE
    return attended if carry.suppression.not_back_us is None else attended | QualityTests.NOT_BACK


def compute_records(
    probe: ProbeConfig, state: WatchState, block: Block, spoken: Ints, warmth: Thermometry
) -> tuple[Measurements, BeliefSince]:
    """Compute flags, pH, uncertainty and belief of each row; `spoken`: the `QualityTests` of `detect_immersion`."""
    recent = state.recent
    flags = quality.judge(
        elapsed_us=np.concatenate([recent.elapsed_us, block.elapsed_us]),
        potential_mv=np.concatenate([recent.potential_mv, block.potential_mv]),
        temperature_c=np.concatenate([_temperatures(probe, [recent.temperature_c]), warmth.warm_c]),
        limits=probe.limits,
    )[len(recent) :]
    is_wild = (spoken & (QualityTests.OUT_OF_LIQUID | QualityTests.ERRATIC)) != 0
    passed = np.where(is_wild, np.maximum(flags.quality, Quality.SUSPECT), flags.quality)
    ph, u, more = _compute_ph(probe, state.carry, block, flags.quality, warmth)
    after_gap = int(QualityTests.AFTER_GAP) * (state.carry.electrode.unwatched_at_us is not None)
    tests = after_gap | flags.tests | spoken | more | warmth.tests | quality.marks(probe, block)
    beliefs = verdicts.judge(
        state.carry.electrode.belief, at_us=block.at_us, ph=ph, quality=passed, tests=tests, reason=block.reason
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
        calibration=_id_column(state.carry.electrode.calibration, len(block)),
        belief=beliefs.belief,
        since_at_us=beliefs.since_at_us,
        check=_id_column(state.carry.electrode.check, len(block)),
        spot=_id_column(state.carry.electrode.spot, len(block)),
    )
    return rows, beliefs.newest


def _compute_ph(
    probe: ProbeConfig, carry: Carry, block: Block, quality_of: Ints, warmth: Thermometry
) -> tuple[Floats, Floats, Ints]:
    """Return pH, its u, and the `QualityTests` that the calibration adds; NaN where the raw signal failed."""
    line = carry.electrode.calibration
    if line is None:
        ph, u = np.full((2, len(block)), np.nan)
        return ph, u, np.full(len(block), int(QualityTests.UNCALIBRATED))
    ph = calibration.ph_of(line, block.potential_mv, warmth.warm_c)
    ph[np.isin(quality_of, (Quality.FAIL, Quality.MISSING))] = np.nan
    at_us = age.drifted_at_us(carry, block.at_us, block.elapsed_us)
    u = uncertainty.standard_uncertainty(
        line,
        probe.errors,
        at_us=at_us,
        ph=ph,
        temperature_c=warmth.warm_c,
        drift=carry.electrode.drift,
        doubt_c=warmth.doubt_c,
    )
    return ph, u, ((ph < line.low_ph) | (ph > line.high_ph)) * int(QualityTests.OUTSIDE_BUFFERS)


def _temperatures(probe: ProbeConfig, parts: list[Floats]) -> Floats:
    """Return temperatures (C) one after another, to compute by: as read, or the assumed one."""
    return working_c(np.concatenate(parts), probe.assumed_temperature_c)


def _id_column(stored: Calibration | Check | None, count: int) -> Ints:
    """Return a column of the number of what was in force; 0: nothing was."""
    return np.full(count, 0 if stored is None else stored.id, dtype=np.int64)
