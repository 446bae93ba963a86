"""Decide whether the vat has reached its target: a reading at it, or a measured claim with its uncertainty.

Law: pure; what is judged are medians of whole windows, each at the record that closed it, so nothing depends on where
blocks were cut. A claim is made once: so many windows in a row, all believed, lie at or below the target by more than
the guard band (`conformance.py`), the newest check is recent and passed, another instrument has agreed, and no alarm
speaks against it (`KindRow.is_against_claim`). A window that is not believed, or that the probe may have spent in a
buffer, begins the count anew. What is judged is the higher of the published pH and of what checks correct it to. A
claim stands until a check contradicts it (`withdrawal.py`) or a new batch begins; pH that rises again takes nothing
back, but is told.

An unbelieved window begins the count anew, where an alarm would only hold it: uncertainty must not help a claim. Where
the pH is corrected, the known offset leaves u, or it would count twice. Another instrument is asked for by default: in
a trial on simulated vats frequent buffers made an unseen junction error do more harm. Where no batch was started its
check must be as recent as any, for nobody knows of which batch it is.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from logger.config import Priority, ProbeConfig, TargetConfig
from logger.measure import age, drift
from logger.measure.conformance import acceptance_limit, conformance_probability, coverage_factor
from logger.measure.target_words import claimed, read_at, reads
from logger.measure.uncertainty import fit_uncertainty
from logger.measure.windows import LOST, WindowMedians
from logger.model import (
    Belief,
    Carry,
    Cause,
    Check,
    CheckKind,
    Claim,
    Entry,
    Lack,
    LastCheck,
    Measurements,
    TargetProgress,
    TargetWindow,
    TrustState,
)
from logger.units import HOUR_US

ROOM_C = 20.0
"""What a calibration contributes to u hardly depends on the temperature of the vat."""


@dataclass(slots=True, kw_only=True)
class TargetRun:
    """The judging of a target over one block. Results: `progress`, `entries`, `windows`, `claimed_from`."""

    vat: str
    target: TargetConfig
    probe: ProbeConfig
    carry: Carry
    rows: Measurements
    trust_at: Callable[[int], TrustState]
    """Returns the trust in the probe at a row."""
    progress: TargetProgress = field(init=False)
    entries: list[tuple[int, Entry]] = field(default_factory=list)
    windows: list[tuple[int, TargetWindow]] = field(default_factory=list)
    """Each judged window at its row."""
    claimed_from: int | None = None
    """Row from which a claim stands; None: none does."""
    withdrawn_us: int | None = None
    """Watch time at which the claim before was withdrawn; None: it was not."""
    why_withdrawn: str = ""

    def __post_init__(self) -> None:
        """Forget what a new batch or a mark makes another thing."""
        self.progress = current_progress(self.carry)
        self.claimed_from = None if self.progress.claim is None else 0
        if self.progress.withdrawn is not None:
            self.withdrawn_us, self.why_withdrawn = self.progress.withdrawn.elapsed_us, self.progress.withdrawn.text
        if self.progress.newest is not None:
            self.windows.append((0, self.progress.newest))

    def follow(self, judged: WindowMedians, forbidden: NDArray[np.bool_]) -> None:
        """Judge every window that this block closes; `forbidden`: an alarm speaks against a claim there."""
        believed = (judged.belief == Belief.BELIEVED) & ~np.isnan(judged.value) & ~np.isnan(judged.u)
        believed &= not self.carry.suppression.is_away  # it may stand in a buffer
        believed &= (judged.spoken & LOST) == 0  # what a second probe reads confirms no claim
        columns = (judged.row, judged.value, judged.u, believed, forbidden)
        for row, ph, u, is_believed, is_forbidden in zip(*(column.tolist() for column in columns), strict=True):
            self._take_window(row, ph, u, is_believed=is_believed)
            self._journal_reading(row)
            if self.progress.claim is not None or is_forbidden:
                continue
            carry = replace(self.carry, trust=self.trust_at(row))
            if not lacks(self.target, carry, self.progress, at_us=self._at_us(row), elapsed_us=self._us(row)):
                self._claim(row)

    def fact_at(self, row: int) -> str:
        """Say what was known of the target at a row."""
        newest = next((newest for at, newest in reversed(self.windows) if at <= row), None)
        return "There is no reading to judge it by" if newest is None else f"It {reads(self.target, newest)}"

    def _take_window(self, row: int, ph: float, u: float, *, is_believed: bool) -> None:
        before = self.progress
        if is_believed:
            newest: TargetWindow | None = TargetWindow(at_us=self._at_us(row), ph=ph, u=u, believed=True)
        else:
            newest = before.newest and replace(before.newest, believed=False)
        reads = is_believed and ph <= self.target.ph
        shows = is_believed and ph <= acceptance_limit(self.target.ph, u, self.target.probability)
        self.progress = replace(
            before, newest=newest, reads=before.reads + 1 if reads else 0, shows=before.shows + 1 if shows else 0
        )
        if newest is not None:
            self.windows.append((row, newest))

    def _journal_reading(self, row: int) -> None:
        newest = self.progress.newest
        if newest is None or self.progress.reading_at_us is not None or self.progress.reads < self.target.windows:
            return
        self.progress = replace(self.progress, reading_at_us=self._at_us(row))
        text = read_at(self.target, newest)
        self._add_entry(row, Cause.READING_AT_TARGET, newest, text, priority=Priority.LOW)

    def _claim(self, row: int) -> None:
        newest, line, target = self.progress.newest, self.carry.electrode.calibration, self.target
        if newest is None or line is None:
            return
        made = self.carry.electrode
        known = made.drift or drift.start(line, self.probe.errors, elapsed_us=made.calibrated_us)
        drifted = drift.advance(known, self.probe.errors, at_us=newest.at_us, elapsed_us=self._us(row))
        u_fit = fit_uncertainty(line, ph=np.array([newest.ph]), temperature_c=np.array([ROOM_C]))
        claim = Claim(
            limit_ph=target.ph,
            probability=target.probability,
            ph=newest.ph,
            u=newest.u,
            z=coverage_factor(target.probability),
            conformance=conformance_probability(newest.ph, newest.u, high=target.ph),
            window_s=target.window_s,
            windows=target.windows,
            calibration=line.id,
            at_us=newest.at_us,
            seq=int(self.rows.seq[row]),
            drift=drifted,
            u_fit_ph=float(u_fit[0]),
        )
        self.progress = replace(self.progress, claim=claim, withdrawn=None)
        self.claimed_from = row
        self._add_entry(row, Cause.MEASURED_AT_TARGET, newest, claimed(claim), priority=Priority.MEDIUM)

    def _add_entry(self, row: int, cause: Cause, window: TargetWindow, text: str, *, priority: Priority) -> None:
        entry = Entry(
            seq=int(self.rows.seq[row]),
            at_us=self._at_us(row),
            vat=self.vat,
            cause=cause,
            priority=priority,
            value=window.ph,
            u=window.u,
            setpoint=self.target.ph,
            probability=conformance_probability(window.ph, window.u, high=self.target.ph),
            text=text,
        )
        self.entries.append((row, entry))

    def _at_us(self, row: int) -> int:
        return int(self.rows.at_us[row])

    def _us(self, row: int) -> int:
        return int(self.rows.elapsed_us[row])


def current_progress(carry: Carry) -> TargetProgress:
    """Return what is carried of the target, without what was of another batch, and counts from before a mark."""
    progress = carry.batch.progress
    if progress.started_us != carry.batch.started_us:
        progress = TargetProgress(started_us=carry.batch.started_us, check=progress.check)
    return (
        progress
        if progress.fresh_us == carry.windows.fresh_us
        else replace(progress, fresh_us=carry.windows.fresh_us, reads=0, shows=0)
    )


def lacks(
    target: TargetConfig, carry: Carry, progress: TargetProgress, *, at_us: int, elapsed_us: int | None
) -> tuple[Lack, ...]:
    """Return what a claim wants and has not at a time (UTC and watch time, microseconds); empty: it may be made."""
    checks = _lacking_checks(target, carry, progress, at_us=at_us, elapsed_us=elapsed_us)
    return (*_lacking_reading(target, carry, progress), *checks)


def _lacking_reading(target: TargetConfig, carry: Carry, progress: TargetProgress) -> Iterator[Lack]:
    newest = progress.newest
    if carry.electrode.calibration is None:
        yield Lack.CALIBRATION
    elif newest is None:
        yield Lack.READING
    elif not newest.believed:
        yield Lack.BELIEF
    elif newest.ph > acceptance_limit(target.ph, newest.u, target.probability):
        yield Lack.PH
    elif progress.shows < target.windows:
        yield Lack.TIME


def _lacking_checks(
    target: TargetConfig, carry: Carry, progress: TargetProgress, *, at_us: int, elapsed_us: int | None
) -> Iterator[Lack]:
    calibrated, check, spot = age.calibrated(carry), progress.check, progress.spot
    if calibrated is None:
        return
    if not carry.trust.is_sound or _is_since_broken(carry, spot if target.spot_check else check, calibrated):
        yield Lack.TRUST
    is_later = check is not None and not age.is_before(_moment(check), calibrated)
    newest = _moment(check) if check is not None and is_later else calibrated
    within_us = target.check_within_h * HOUR_US
    if age.age_us(at_us, elapsed_us, newest) > within_us:
        yield Lack.RECENT_CHECK
    if check is not None and is_later and not check.passed:
        yield Lack.PASSED_CHECK
    # Where nobody said when the batch was started, an old one may be of the batch before.
    is_old = (
        spot is not None and carry.batch.started_us is None and age.age_us(at_us, elapsed_us, _moment(spot)) > within_us
    )
    if target.spot_check and (spot is None or not spot.passed or is_old):
        yield Lack.SPOT_CHECK


def _is_since_broken(carry: Carry, support: LastCheck | None, calibrated: age.Moment) -> bool:
    """Tell whether trust was lost since the check that supports a claim, or the calibration where no check does."""
    made_at_us = calibrated.at_us if support is None else support.at_us
    return carry.trust.unbroken_at_us > made_at_us


def _moment(check: LastCheck) -> age.Moment:
    return age.Moment(at_us=check.at_us, elapsed_us=check.elapsed_us)


def with_check(progress: TargetProgress, check: Check, *, elapsed_us: int | None) -> TargetProgress:
    """Return the progress with a check noted that was made at this watch time.

    What was found before an adjustment is no check of what came after.
    """
    if check.kind is CheckKind.AS_FOUND:
        return progress
    note = LastCheck(at_us=check.at_us, passed=check.passed, elapsed_us=elapsed_us)
    return replace(progress, check=note, spot=note if check.kind is CheckKind.SPOT else progress.spot)
