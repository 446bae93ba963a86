"""Detect that a calibration is missing or overdue, that a check or cleaning is, and that a check found the probe off.

Law: pure; ages (`age.py`) are counted to the record's own times, never by a clock. One cause, one alarm: without a
calibration none is overdue, and an overdue calibration makes a check needless.

`no-calibration` wakes, because `blind` would for it. What a calibration found of the one before it (as found) is
`drifted` at one record only: it stands as returned until somebody has seen it, though the cause is mended.
"""

from collections.abc import Callable, Mapping

import numpy as np

from logger.config import AlarmKind, ProbeConfig
from logger.measure.age import Moment, age_us, calibrated, newest_check
from logger.model import Carry, Check, Measurements, Value
from logger.model.elementwise import full, is_column, where
from logger.units import DAY_US

SURE = 2.0
"""A deviation within so many standard uncertainties of its reference tells nothing (GUM 6.3.3)."""


def faults(kind: AlarmKind, probe: ProbeConfig, carry: Carry, *, rows: Measurements, first: int) -> Value:
    """Return 1.0 for each record at which the fault shows, else 0.0; `first`: the one right after commands.

    Elementwise, as all here: live a record is numbers.
    """
    return FAULTS[kind](probe, carry, rows, first)


def _no_calibration(_: ProbeConfig, carry: Carry, rows: Measurements, __: int) -> Value:
    return full(rows.at_us, float(carry.electrode.calibration is None))


def _calibration_overdue(probe: ProbeConfig, carry: Carry, rows: Measurements, _: int) -> Value:
    return _older(rows, calibrated(carry), probe.calibrate_every_d)


def _check_overdue(probe: ProbeConfig, carry: Carry, rows: Measurements, first: int) -> Value:
    last = newest_check(carry)
    since = calibrated(carry) if last is None else last[1]
    overdue = _calibration_overdue(probe, carry, rows, first)
    return where(overdue == 1.0, 0.0, _older(rows, since, probe.check_every_d))


def _drifted(probe: ProbeConfig, carry: Carry, rows: Measurements, first: int) -> Value:
    last = newest_check(carry)
    shows = full(rows.at_us, float(last is not None and is_off(last[0], probe)))
    if abs(carry.electrode.found_ph or 0.0) <= probe.judge_tolerance_ph:  # nearly always
        return shows
    row = np.arange(len(rows)) if is_column(rows.at_us) else 0
    return where(row == first, 1.0, shows)


def _cleaning_overdue(probe: ProbeConfig, carry: Carry, rows: Measurements, _: int) -> Value:
    cleaned_at_us = carry.care.cleaned_at_us
    since = None if cleaned_at_us is None else Moment(at_us=cleaned_at_us, elapsed_us=None)
    return _older(rows, since, probe.clean_every_d)


def _buffer_expired(_: ProbeConfig, carry: Carry, rows: Measurements, __: int) -> Value:
    used = {point.buffer for point in carry.electrode.calibration.points} if carry.electrode.calibration else set()
    expiries = [each.expires_at_us for each in carry.care.buffers if each.buffer in used]
    return (rows.at_us > min(expiries)) * 1.0 if expiries else full(rows.at_us, 0.0)


FAULTS: Mapping[AlarmKind, Callable[[ProbeConfig, Carry, Measurements, int], Value]] = {
    AlarmKind.NO_CALIBRATION: _no_calibration,
    AlarmKind.CALIBRATION_OVERDUE: _calibration_overdue,
    AlarmKind.CHECK_OVERDUE: _check_overdue,
    AlarmKind.CLEANING_OVERDUE: _cleaning_overdue,
    AlarmKind.BUFFER_EXPIRED: _buffer_expired,
    AlarmKind.DRIFTED: _drifted,
}
"""The measure function of each kind of the group maintenance."""


def is_off(check: Check, probe: ProbeConfig) -> bool:
    """Tell whether a check was off by more than is good enough to judge a ferment, and than its reference is sure."""
    return abs(check.deviation_ph) > max(probe.judge_tolerance_ph, SURE * check.u_reference_ph)


def _older(rows: Measurements, since: Moment | None, days: float) -> Value:
    if since is None:
        return full(rows.at_us, 0.0)
    return (age_us(rows.at_us, rows.elapsed_us, since) > round(days * DAY_US)) * 1.0
