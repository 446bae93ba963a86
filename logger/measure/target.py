"""Follow a vat's target over its records: a reading at it, what a claim lacks, the claim.

Law: pure; what is judged are medians of whole windows, each at the record that closed it, so nothing depends on where
blocks were cut, and besides the newest of them at the moment of a check. A claim is made once: so many windows in a
row, all believed, lie below the target by a margin, both accounts of the newest hold (`claims.py`), trust is sound, and
no alarm speaks against it (`KindRow.is_against_claim`). A window that is not believed, or that the probe may have spent
in a buffer, begins the count anew. A claim stands until a check contradicts it or a new batch begins; pH that rises
again takes nothing back, but is told.

An unbelieved window begins the count anew, where an alarm would only hold it: uncertainty must not help a claim.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from logger.config import Priority, ProbeConfig, TargetConfig
from logger.measure import claims
from logger.measure.calibration import slope_at
from logger.measure.conformance import conformance_probability
from logger.measure.nernst import ABSOLUTE_ZERO_C
from logger.measure.target_words import MARGIN_PH, asked, claimed, overdue, read_at, reads
from logger.measure.uncertainty import noise_of_median
from logger.measure.windows import LOST, WindowMedians
from logger.model import (
    Belief,
    Carry,
    Cause,
    Check,
    CheckKind,
    Confirmation,
    Entry,
    Estimate,
    Floats,
    Lack,
    Measurements,
    TargetProgress,
    TargetWindow,
    TrustState,
)
from logger.structs import replace

ROOM_C = 20.0
"""Where a record has no temperature of its own; u hardly depends on it."""


@dataclass(slots=True, kw_only=True)
class TargetRun:
    """The judging of a target over one block. Results: `progress`, `estimate`, `entries`, `windows`, `claimed_from`."""

    vat: str
    target: TargetConfig
    probe: ProbeConfig
    carry: Carry
    rows: Measurements
    trust_at: Callable[[int], TrustState]
    """Returns the trust in the probe at a row."""
    progress: TargetProgress = field(init=False)
    estimate: Estimate | None = field(init=False)
    """With the error at the claim in it."""
    entries: list[tuple[int, Entry]] = field(default_factory=list)
    windows: list[tuple[int, TargetWindow]] = field(default_factory=list)
    """Each judged window at its row."""
    asks: list[tuple[int, bool]] = field(default_factory=list)
    """At its row, whether the claim lacks nothing but a confirmation."""
    claimed_from: int | None = None
    """Row from which a claim stands; None: none does."""
    withdrawn_us: int | None = None
    """Watch time at which the claim before was withdrawn; None: it was not."""
    why_withdrawn: str = ""

    def __post_init__(self) -> None:
        """Forget what a new batch or a mark makes another thing."""
        self.progress, self.estimate = current_progress(self.carry), self.carry.electrode.estimate
        self.claimed_from = None if self.progress.claim is None else 0
        if self.progress.withdrawn is not None:
            self.withdrawn_us, self.why_withdrawn = self.progress.withdrawn.elapsed_us, self.progress.withdrawn.text
        if self.progress.newest is not None:
            self.windows.append((0, self.progress.newest))
        self.asks.append((0, self.progress.is_asked))

    def follow(self, judged: WindowMedians, forbidden: NDArray[np.bool_]) -> None:
        """Judge every window that this block closes; `forbidden`: an alarm speaks against a claim there."""
        believed = (judged.belief == Belief.BELIEVED) & ~np.isnan(judged.value)
        believed &= not self.carry.suppression.is_away  # it may stand in a buffer
        believed &= (judged.spoken & LOST) == 0  # what a second probe reads confirms no claim
        columns = (judged.row, judged.value, self._noise(judged), believed, forbidden)
        for row, ph, noise, is_believed, is_forbidden in zip(*(column.tolist() for column in columns), strict=True):
            self._take_window(row, ph, noise, is_believed=is_believed)
            self._journal_reading(row)
            if self.progress.claim is None:
                self._judge_claim(row, is_forbidden=is_forbidden)

    def fact_at(self, row: int) -> str:
        """Say what was known of the target at a row."""
        newest = next((newest for at, newest in reversed(self.windows) if at <= row), None)
        return "There is no reading to judge it by" if newest is None else f"It {reads(self.target, newest)}"

    def ask_at(self, row: int) -> str:
        """Say what is asked for at a row, and for how long the answer counts."""
        newest = next((newest for at, newest in reversed(self.windows) if at <= row), None)
        if newest is None:
            return "There is no reading to judge it by"
        if next(is_asked for at, is_asked in reversed(self.asks) if at <= row):
            hours = claims.answer_counts_h(self.target, self.carry, newest, self.progress.spot)
            text = asked(self.target, newest, probe=self.probe.id, counts_h=hours)
        else:
            text = overdue(self.target, newest, probe=self.probe.id)
        return f"{text[0].upper()}{text[1:]}"

    def _noise(self, judged: WindowMedians) -> Floats:
        """Return the variance of each median that no check tells of."""
        line = self.carry.electrode.calibration
        if line is None:
            return np.full(len(judged), np.nan)
        errors = self.probe.errors
        noise = noise_of_median(
            judged.count, slope=line.slope, errors=errors, poll_s=self.probe.poll_s, spread=judged.spread
        )
        return noise + errors.own_ph * errors.own_ph

    def _take_window(self, row: int, ph: float, noise: float, *, is_believed: bool) -> None:
        before = self.progress
        newest = self._window(row, ph, noise) if is_believed else before.newest
        if newest is not None and not is_believed:
            newest = replace(newest, believed=False)
        at_target = is_believed and newest is not None and newest.ph <= self.target.ph
        by_margin = is_believed and newest is not None and newest.ph <= self.target.ph - MARGIN_PH
        self.progress = replace(
            before,
            newest=newest,
            reads=before.reads + 1 if at_target else 0,
            shows=before.shows + 1 if by_margin else 0,
        )
        if newest is not None:
            self.windows.append((row, newest))

    def _window(self, row: int, ph: float, noise: float) -> TargetWindow | None:
        line, celsius = self.carry.electrode.calibration, float(self.rows.temperature_c[row])
        if line is None:
            return None
        warm_c = celsius if celsius > ABSOLUTE_ZERO_C else ROOM_C  # also where there is none
        window = TargetWindow(
            at_us=self._at_us(row),
            elapsed_us=self._us(row),
            seq=int(self.rows.seq[row]),
            read_ph=ph,
            u_noise=sqrt(noise),
            temperature_c=warm_c,
            slope=slope_at(line, ph, warm_c),
            ph=ph,
            u=0.0,
            believed=True,
        )
        return claims.renewed(self.carry, window)

    def _journal_reading(self, row: int) -> None:
        newest = self.progress.newest
        if newest is None or self.progress.reading_at_us is not None or self.progress.reads < self.target.windows:
            return
        self.progress = replace(self.progress, reading_at_us=self._at_us(row))
        text = read_at(self.target, newest)
        self._add_entry(row, Cause.READING_AT_TARGET, newest, text, priority=Priority.LOW)

    def _judge_claim(self, row: int, *, is_forbidden: bool) -> None:
        carry = replace(self.carry, trust=self.trust_at(row))
        at_us = self._at_us(row)
        wanted = claims.lacks(self.target, carry, self.progress, at_us=at_us, elapsed_us=self._us(row))
        is_asked = wanted == (Lack.CONFIRMATION,) and not is_forbidden
        if is_asked != self.progress.is_asked:
            self.progress = replace(self.progress, is_asked=is_asked)
            self.asks.append((row, is_asked))
        newest = self.progress.newest
        made = None if is_forbidden or wanted else claims.claim(self.target, carry, self.progress, at_us=at_us)
        if made is not None and newest is not None:
            claim, self.estimate = made
            self.progress = replace(self.progress, claim=claim, withdrawn=None)
            self.claimed_from = row
            self._add_entry(row, Cause.MEASURED_AT_TARGET, newest, claimed(claim), priority=Priority.MEDIUM)

    def _add_entry(self, row: int, cause: Cause, window: TargetWindow, text: str, *, priority: Priority) -> None:
        entry = entry_of(
            self.vat,
            self.target,
            cause,
            window,
            text,
            priority=priority,
            seq=int(self.rows.seq[row]),
            at_us=self._at_us(row),
        )
        self.entries.append((row, entry))

    def _at_us(self, row: int) -> int:
        return int(self.rows.at_us[row])

    def _us(self, row: int) -> int:
        return int(self.rows.elapsed_us[row])


def entry_of(
    vat: str,
    target: TargetConfig,
    cause: Cause,
    window: TargetWindow,
    text: str,
    *,
    priority: Priority,
    seq: int,
    at_us: int,
) -> Entry:
    """Return the journal entry of what a window shows of the target."""
    return Entry(
        seq=seq,
        at_us=at_us,
        vat=vat,
        cause=cause,
        priority=priority,
        value=window.ph,
        u=window.u,
        setpoint=target.ph,
        probability=conformance_probability(window.ph, window.u, high=target.ph),
        text=text,
    )


def current_progress(carry: Carry) -> TargetProgress:
    """Return what is carried of the target, without what was of another batch, and counts from before a mark."""
    progress = carry.batch.progress
    if progress.started_us != carry.batch.started_us:
        progress = TargetProgress(started_us=carry.batch.started_us)
    return (
        progress
        if progress.fresh_us == carry.windows.fresh_us
        else replace(progress, fresh_us=carry.windows.fresh_us, reads=0, shows=0)
    )


def after_check(
    vat: str,
    target: TargetConfig,
    carry: Carry,
    check: Check,
    *,
    seq: int,
    at_us: int,
    elapsed_us: int,
    is_forbidden: bool,
) -> tuple[Carry, list[Entry]]:
    """Judge the newest window anew at the moment of a check, whose estimate is in the carry; the claim it may make.

    What was found before an adjustment is no check of what came after.
    """
    progress = current_progress(carry)
    if check.kind is CheckKind.SPOT:
        progress = replace(progress, spot=_confirmation(check))
    if progress.newest is not None:
        again = claims.renewed(carry, progress.newest)
        is_low = again.ph <= target.ph - MARGIN_PH
        progress = replace(progress, newest=again, shows=progress.shows if is_low else 0)
    wanted = claims.lacks(target, carry, progress, at_us=at_us, elapsed_us=elapsed_us)
    is_asked = progress.claim is None and wanted == (Lack.CONFIRMATION,) and not is_forbidden
    progress = replace(progress, is_asked=is_asked)
    is_held = is_forbidden or bool(wanted) or progress.claim is not None
    made, newest, entries = None if is_held else claims.claim(target, carry, progress, at_us=at_us), progress.newest, []
    if made is not None and newest is not None:
        claim, known = made
        progress = replace(progress, claim=claim, withdrawn=None)
        carry = replace(carry, electrode=replace(carry.electrode, estimate=known))
        cause, text = Cause.MEASURED_AT_TARGET, claimed(claim)
        entries = [entry_of(vat, target, cause, newest, text, priority=Priority.MEDIUM, seq=seq, at_us=at_us)]
    return replace(carry, batch=replace(carry.batch, progress=progress)), entries


def _confirmation(check: Check) -> Confirmation:
    return Confirmation(
        check=check.id,
        at_us=check.at_us,
        calibration=check.calibration,
        ph=check.reference_ph,
        u=check.u_reference_ph,
        instrument=check.instrument,
    )
