"""List the uncertainty budget of one result, term by term (GUM, JCGM 100:2008, 5.1 and 8): what `uncertainty` adds up.

Law: the root of the sum of the squares of the terms is the u of the record, whatever the calibration and the checks.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from logger.config import ErrorModel
from logger.measure.calibration import point_u_mv, points_behind, weights_at
from logger.measure.drift import rate_of
from logger.measure.nernst import ISOPOTENTIAL_PH, nernst_mv
from logger.measure.uncertainty import drift_parts, fit_uncertainty, shrinkage, temperature_variance
from logger.model import Calibration, Drift
from logger.units import DAY_US


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One line of a budget."""

    name: str
    basis: str
    """What it rests on, with its unit, for a person."""
    u_ph: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """The result a budget is of: pH at C, UTC (microseconds), one reading or the median of `count`."""

    ph: float
    temperature_c: float
    at_us: int
    count: int = 1
    poll_s: float = 10.0


def budget(
    calibration: Calibration, errors: ErrorModel, result: Result, *, drift: Drift | None = None
) -> tuple[Term, ...]:
    """Return the terms of u of a result, largest first. `drift`: what checks told since the calibration."""
    warmth = temperature_variance(errors, np.array([result.ph]), np.array([result.temperature_c]))
    terms = [
        *_fit(calibration, result),
        Term(
            name="temperature",
            basis=f"{errors.temperature_c:g} C, {abs(ISOPOTENTIAL_PH - result.ph):.1f} pH from the isopotential point",
            u_ph=float(warmth[0]) ** 0.5,
        ),
        Term(name="liquid junction in brine", basis="a stated allowance: no buffer shows it", u_ph=errors.junction_ph),
        *_own(errors),
        *_drift(calibration, errors, result, drift),
        *_scatter(calibration, errors, result),
    ]
    return tuple(sorted(terms, key=lambda term: -term.u_ph))


def _own(errors: ErrorModel) -> list[Term]:
    basis = "a stated allowance: the instrument reports its own pH, rounded and compensated inside"
    return [Term(name="the probe's own pH", basis=basis, u_ph=errors.own_ph)] if errors.own_ph else []


def _fit(calibration: Calibration, result: Result) -> list[Term]:
    """Split what the calibration contributes into buffers, potentials and, of a lone buffer, the slope taken over."""
    points, slope = points_behind(calibration, ph=result.ph, temperature_c=result.temperature_c)
    k = nernst_mv(result.temperature_c)
    weights = [w / (slope * k) for w in weights_at(points, slope, x=k * (ISOPOTENTIAL_PH - result.ph))]
    pairs = list(zip(weights, points, strict=True))
    of_buffers = sum((w * slope * nernst_mv(p.temperature_c) * p.u_ph) ** 2 for w, p in pairs)
    whole = _fit_variance(calibration, result)
    measured = whole if len(points) > 1 else sum((w * point_u_mv(p, slope)) ** 2 for w, p in pairs)
    inside = calibration.low_ph <= result.ph <= calibration.high_ph
    where = "between the buffers" if inside else "OUTSIDE the buffers"
    many = f"{len(points)} buffers" if len(points) > 1 else "one buffer"
    terms = [
        Term(name="buffer values", basis=f"{many}, reading {where}", u_ph=of_buffers**0.5),
        Term(name="potentials in the buffers", basis=f"{many}, reading {where}", u_ph=_root(measured - of_buffers)),
    ]
    if len(points) == 1:
        terms.append(Term(name="slope", basis="not measured: one buffer only", u_ph=_root(whole - measured)))
    return terms


def _fit_variance(calibration: Calibration, result: Result) -> float:
    u = fit_uncertainty(calibration, ph=np.array([result.ph]), temperature_c=np.array([result.temperature_c]))
    return float(u[0]) ** 2


def _drift(calibration: Calibration, errors: ErrorModel, result: Result, drift: Drift | None) -> list[Term]:
    parts = drift_parts(calibration, errors, drift, np.array([result.at_us]))
    offset_ph, since, walk = (float(part[0]) for part in parts)
    if drift is not None and drift.at_us == calibration.at_us:
        drift = None  # the only check was one that waits for a repeat
    last, event = (calibration.at_us, "calibration") if drift is None else (drift.at_us, "check")
    days = f"{abs(result.at_us - last) / DAY_US:.1f} days after the {event}"
    rate = rate_of(calibration, errors) if drift is None else drift.var_rate**0.5
    own = " (its own history)" if drift is None and calibration.drift_ph_per_day is not None else ""
    terms = [
        Term(name="drift", basis=f"{rate:.3g} pH a day{own}, {days}", u_ph=since**0.5),
        Term(name="wander", basis=f"{errors.walk_ph_per_sqrt_day:g} pH per square-root day, {days}", u_ph=walk**0.5),
    ]
    if drift is not None:
        terms.append(
            Term(name="offset found by checks", basis=f"{offset_ph:+.3f} pH, not corrected", u_ph=abs(offset_ph))
        )
    return terms


def _scatter(calibration: Calibration, errors: ErrorModel, result: Result) -> list[Term]:
    """Return what differs from reading to reading; of a median its span is taken at 25 C, as `of_median` does."""
    _, slope = points_behind(calibration, ph=result.ph, temperature_c=result.temperature_c)
    span, shrunk, of = slope * nernst_mv(result.temperature_c), 1.0, ""
    if result.count > 1:
        shrunk = float(shrinkage(np.array([result.count]), result.poll_s)[0])
        of = f", median of {result.count}"
    repeat, step = errors.repeatability_mv, errors.resolution_mv
    return [
        Term(name="repeatability", basis=f"{repeat:g} mV{of}", u_ph=repeat / span * shrunk**0.5),
        Term(name="resolution", basis=f"{step:g} mV, rectangular{of}", u_ph=step / 12.0**0.5 / span * shrunk**0.5),
    ]


def _root(variance: float) -> float:
    """Return the square root; rounding may leave a little less than nothing."""
    return sqrt(max(0.0, variance))
