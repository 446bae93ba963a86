"""Detect that a calibration is missing or overdue, that a check is overdue, and that a check found the probe off.

Law: pure; ages are counted from stored times to the record's own UTC, never by a clock. One cause, one alarm: without a
calibration none is overdue, and an overdue calibration makes a check needless.

`no-calibration` wakes, because `blind` would for it. What a calibration found of the one before it (as found) is
`drifted` at one record only: it stands as returned until somebody has seen it, though the cause is mended.
"""

from collections.abc import Callable, Mapping

import numpy as np

from logger.config import AlarmKind, ProbeConfig
from logger.model import Carry, Check, Floats, Ints
from logger.units import DAY_US

SURE = 2.0
"""A deviation within so many standard uncertainties of its reference tells nothing (GUM 6.3.3)."""


def faults(kind: AlarmKind, probe: ProbeConfig, carry: Carry, *, at_us: Ints, first: int) -> Floats:
    """Return 1.0 for each record at which the fault shows, else 0.0; `first`: the one right after commands."""
    return FAULTS[kind](probe, carry, at_us, first)


def _no_calibration(_: ProbeConfig, carry: Carry, at_us: Ints, __: int) -> Floats:
    return np.full(len(at_us), float(carry.electrode.calibration is None))


def _calibration_overdue(probe: ProbeConfig, carry: Carry, at_us: Ints, _: int) -> Floats:
    return _older(at_us, _calibrated_us(carry), probe.calibrate_every_d)


def _check_overdue(probe: ProbeConfig, carry: Carry, at_us: Ints, first: int) -> Floats:
    last = newest(carry)
    checked_us = _calibrated_us(carry) if last is None else last.at_us
    overdue = _calibration_overdue(probe, carry, at_us, first)
    return np.where(overdue == 1.0, 0.0, _older(at_us, checked_us, probe.check_every_d))


def _drifted(probe: ProbeConfig, carry: Carry, at_us: Ints, first: int) -> Floats:
    shows = np.full(len(at_us), float(is_off(newest(carry), probe)))
    shows[first : first + 1] += float(abs(carry.electrode.found_ph or 0.0) > probe.judge_tolerance_ph)
    return np.asarray(np.minimum(shows, 1.0))


FAULTS: Mapping[AlarmKind, Callable[[ProbeConfig, Carry, Ints, int], Floats]] = {
    AlarmKind.NO_CALIBRATION: _no_calibration,
    AlarmKind.CALIBRATION_OVERDUE: _calibration_overdue,
    AlarmKind.CHECK_OVERDUE: _check_overdue,
    AlarmKind.DRIFTED: _drifted,
}
"""The measure function of each kind of the group maintenance."""


def newest(carry: Carry) -> Check | None:
    """Return the newest check with the calibration in force, in a buffer or beside another instrument."""
    return max(
        (check for check in (carry.electrode.check, carry.electrode.spot) if check),
        key=lambda check: check.at_us,
        default=None,
    )


def is_off(check: Check | None, probe: ProbeConfig) -> bool:
    """Tell whether a check was off by more than is good enough to judge a ferment, and than its reference is sure."""
    if check is None:
        return False
    return abs(check.deviation_ph) > max(probe.judge_tolerance_ph, SURE * check.u_reference_ph)


def _calibrated_us(carry: Carry) -> int | None:
    return None if carry.electrode.calibration is None else carry.electrode.calibration.at_us


def _older(at_us: Ints, since_us: int | None, days: float) -> Floats:
    if since_us is None:
        return np.zeros(len(at_us))
    return (at_us - since_us > round(days * DAY_US)).astype(np.float64)
