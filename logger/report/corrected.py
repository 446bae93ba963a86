"""Correct the log after the fact: a view beside the results, never in their place.

Law: nothing stored is changed. A correction says whose records it is for and on which checks it rests; it is applied
only when somebody asks for the corrected columns, and taken back by another row. The deviation that was found at the
end of a calibration's life is spread linearly over that life, as between two visits to a station (USGS TM1-D3): none
when the calibration was made, the whole when it was found off.

What checks say of the drift goes into u; the published pH is never corrected silently. A correction is a row with who
and why.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from logger.config import ErrorModel
from logger.errors import RefusedError
from logger.measure import estimate
from logger.measure.drift import rate_of
from logger.measure.electrode import as_found_checks
from logger.measure.estimate import U_READING_PH
from logger.measure.nernst import working_c
from logger.measure.uncertainty import fit_uncertainty, standard_uncertainty
from logger.model import Calibration, Check, Columns, Correction, Deviation, Floats, Ints, Measurements
from logger.report.words import moment
from logger.store import Store, queries
from logger.structs import replace
from logger.units import DAY_US

APART_PH = 1.0
"""Buffers nearer to each other than this tell of the offset only. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected(Columns):
    """Beside each record: pH and u (k = 1) after correction, NaN where none is in force, and the correction's id."""

    ph: Floats
    u: Floats
    correction: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """The life of one calibration: how it was found in the end, and what was decided on it."""

    calibration: int
    since: str
    until: str | None
    """When it was found off, or else replaced; None: it is in force."""
    days: float | None
    deviations: tuple[Deviation, ...]
    correction: Correction | None
    """The one in force."""
    history: tuple[Correction, ...]
    """All that was ever decided, oldest first."""


def intervals(store: Store, probe: str) -> list[Interval]:
    """Return the lives of a probe's accepted calibrations, oldest first."""
    calibrations = [one.calibration for one in queries.calibrations(store, probe) if one.accepted]
    checks, corrections = queries.checks(store, probe), queries.corrections(store, probe)
    after = [*calibrations, None][1:]
    return [_interval(one, until, checks, corrections) for one, until in zip(calibrations, after, strict=True)]


def _interval(
    calibrations: Calibration, after: Calibration | None, checks: Sequence[Check], corrections: Sequence[Correction]
) -> Interval:
    as_found = as_found_checks(checks, calibrations)
    end_us = max((check.at_us for check in as_found), default=after.at_us if after else None)
    return Interval(
        calibration=calibrations.id,
        since=moment(calibrations.at_us),
        until=None if end_us is None else moment(end_us),
        days=None if end_us is None else round((end_us - calibrations.at_us) / DAY_US, 3),
        deviations=tuple(map(_deviation, as_found)),
        correction=in_force(corrections).get(calibrations.id),
        history=tuple(one for one in corrections if one.calibration == calibrations.id),
    )


def _deviation(check: Check) -> Deviation:
    u_ph = float(np.hypot(check.u_reference_ph, U_READING_PH))
    return Deviation(check=check.id, reference_ph=check.reference_ph, deviation_ph=check.deviation_ph, u_ph=u_ph)


def in_force(corrections: Iterable[Correction]) -> dict[int, Correction]:
    """Return the corrections that nobody took back, by calibration."""
    rows = list(corrections)
    revoked = {row.revokes for row in rows}
    return {row.calibration: row for row in rows if row.revokes is None and row.id not in revoked}


def proposed(
    calibration: Calibration,
    checks: Iterable[Check],
    corrections: Iterable[Correction],
    *,
    at_us: int,
    by: str,
    why: str,
) -> Correction:
    """Return the correction of a calibration's records (no number yet).

    Raises RefusedError if one is in force, or if the calibration was never found off after it was made.
    """
    present = in_force(corrections).get(calibration.id)
    if present is not None:
        raise RefusedError(f"correction {present.id} of calibration {calibration.id} is in force: revoke it first")
    as_found = [check for check in as_found_checks(checks, calibration) if check.at_us > calibration.at_us]
    if not as_found:
        raise RefusedError(
            f"how calibration {calibration.id} was found in the end is not known, so there is nothing to correct by:"
            " buffers are read with the old calibration whenever the probe is calibrated anew"
        )
    return Correction(
        id=0,
        probe=calibration.probe,
        at_us=at_us,
        calibration=calibration.id,
        since_at_us=calibration.at_us,
        until_at_us=max(check.at_us for check in as_found),
        deviations=tuple(map(_deviation, as_found)),
        by=by,
        why=why,
    )


def revocation(corrections: Iterable[Correction], calibration: int, *, at_us: int, by: str, why: str) -> Correction:
    """Return what takes back the correction of a calibration (no number yet). Raises RefusedError if there is none."""
    present = in_force(corrections).get(calibration)
    if present is None:
        raise RefusedError(f"no correction of calibration {calibration} is in force: there is nothing to revoke")
    return replace(present, id=0, at_us=at_us, by=by, why=why, revokes=present.id)


def correct(
    rows: Measurements,
    corrections: Iterable[Correction],
    calibrations: Mapping[int, Calibration],
    *,
    errors: ErrorModel,
    assumed_c: float | None = None,
) -> Corrected:
    """Return what stands beside the records of one probe by the corrections in force.

    `assumed_c`: the temperature that pH was computed by where none was read.
    """
    warm_c = working_c(rows.temperature_c, assumed_c)
    ph, u = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    number = np.zeros(len(rows), dtype=np.int64)
    for calibration, one in in_force(corrections).items():
        mine = rows.calibration == calibration
        if mine.any():
            part = _Part(one, calibrations[calibration], errors)
            at_us, read, warmth = rows.at_us[mine], rows.ph[mine], warm_c[mine]
            ph[mine] = part.ph(at_us, read)
            u[mine] = part.u(at_us, read, warmth)
            number[mine] = one.id
    return Corrected(ph=ph, u=u, correction=number)


@dataclass(frozen=True, slots=True)
class _Part:
    """One correction at work on records of its calibration."""

    correction: Correction
    calibration: Calibration
    errors: ErrorModel

    def share(self, at_us: Ints) -> Floats:
        """Return how much of the deviation there is at these times: 0 at the calibration, 1 when it was found."""
        since, until = self.correction.since_at_us, self.correction.until_at_us
        return np.asarray(np.clip((at_us - since) / (until - since), 0.0, 1.0))

    def ph(self, at_us: Ints, read: Floats) -> Floats:
        """Return pH with the deviation taken off.

        Between two buffers the deviation e is linear in pH, and it grows by the share w: read = pH + w e(pH). That is
        the offset and the slope of the electrode, each prorated; solved here for pH.
        """
        w, anchors = self.share(at_us), _anchors(self.correction.deviations)
        first = anchors[0]
        if len(anchors) == 1:
            return read - w * first.deviation_ph
        out = np.full(len(read), np.nan)
        for low, high in pairwise(anchors):
            steep = (high.deviation_ph - low.deviation_ph) / (high.reference_ph - low.reference_ph)
            at_zero = low.deviation_ph - steep * low.reference_ph
            within = (read >= low.reference_ph + w * low.deviation_ph) | (low is first)
            out = np.where(within, (read - w * at_zero) / (1.0 + w * steep), out)
        return out

    def u(self, at_us: Ints, read: Floats, temperature_c: Floats) -> Floats:
        """Return u (k = 1) after correction: share-weighted ends and a bridge between them.

        Known at both ends, drift and walk are those of a Brownian bridge: least uncertain at the ends, most between.
        After it was found off nothing holds them any more.
        """
        w, known = self.share(at_us), estimate.start(self.calibration, self.errors)
        days = (self.correction.until_at_us - self.correction.since_at_us) / DAY_US
        fit = fit_uncertainty(self.calibration, ph=read, temperature_c=temperature_c)
        at = {"days": np.zeros(len(at_us)), "ph": read, "temperature_c": temperature_c}
        fresh = standard_uncertainty(self.calibration, self.errors, known, **at)
        walk = self.errors.walk_ph_per_sqrt_day**2 * days * w * (1.0 - w)
        offset = w * w * self._u_found(read) ** 2 + (1.0 - w) ** 2 * fit * fit + walk
        return np.asarray(np.sqrt(np.maximum(fresh * fresh - fit * fit, 0.0) + offset + self._since_found(at_us)))

    def _since_found(self, at_us: Ints) -> Floats:
        """Return the variance of drift and walk since the deviation was found; 0 before."""
        days = np.maximum(at_us - self.correction.until_at_us, 0) / DAY_US
        drifted = rate_of(self.calibration, self.errors) * days
        return np.asarray(drifted * drifted + self.errors.walk_ph_per_sqrt_day**2 * days)

    def _u_found(self, read: Floats) -> Floats:
        """Return u of the deviation at these pH: exact at the buffers, larger away from them."""
        anchors = _anchors(self.correction.deviations)
        if len(anchors) == 1:
            (only,) = anchors
            by_slope = (read - only.reference_ph) * np.sqrt(self.calibration.var_slope) / self.calibration.slope
            return np.asarray(np.hypot(only.u_ph, by_slope))
        out = np.full(len(read), np.nan)
        for low, high in pairwise(anchors):
            share = (read - low.reference_ph) / (high.reference_ph - low.reference_ph)
            within = (read >= low.reference_ph) | (low is anchors[0])
            out = np.where(within, np.hypot((1.0 - share) * low.u_ph, share * high.u_ph), out)
        return out


def _anchors(checks: Sequence[Deviation]) -> list[Deviation]:
    """Return the deviations by rising pH; those of buffers close together as one, their mean."""
    groups = list[list[Deviation]]()
    for one in sorted(checks, key=lambda d: d.reference_ph):
        if groups and one.reference_ph - groups[-1][0].reference_ph < APART_PH:
            groups[-1].append(one)
        else:
            groups.append([one])
    return [_mean(group) for group in groups]


def _mean(group: Sequence[Deviation]) -> Deviation:
    """Return one deviation for buffers close together; their u is not divided, for it may be shared."""
    reference, deviation, u_ph = (
        sum(values) / len(group)
        for values in zip(*((d.reference_ph, d.deviation_ph, d.u_ph) for d in group), strict=True)
    )
    return Deviation(check=group[0].check, reference_ph=reference, deviation_ph=deviation, u_ph=u_ph)


def sentence(one: Correction, shown: Callable[[int], str] = moment) -> str:
    """Say what a correction is for and rests on, who decided it and why; `shown` says a time."""
    checks = ", ".join(f"{d.deviation_ph:+.3f} at pH {d.reference_ph:.3f}" for d in one.deviations)
    return (
        f"Correction {one.id} of the records of calibration {one.calibration}, {shown(one.since_at_us)} to "
        f"{shown(one.until_at_us)}: found {checks}, spread linearly in time; by {one.by}: {one.why}"
    )
