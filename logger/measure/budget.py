"""List the uncertainty budget of one result, term by term (GUM, JCGM 100:2008, 5.1 and 8): what `uncertainty` adds up.

Law: the root of the sum of the terms' variances is the u of the record, whatever the calibration and the checks. What
checks tell of several parts at once, their sum better than each, is a term of its own that takes doubt away (GUM 5.2).

Common to all glasses of a calibration, and in no term: one bottle that is off, or one wrong thermometer.
"""

from collections.abc import Sequence
from math import copysign, sqrt

import numpy as np

from logger.config import ErrorModel
from logger.measure.calibration import point_u_mv, points_behind, weights_at
from logger.measure.error_state import FIRST_BEND, JUNCTION, JUNCTION_SLOPE, OFFSET, RATE, SLOPE, THERMOMETER
from logger.measure.estimate import start, wander_of
from logger.measure.nernst import ISOPOTENTIAL_PH, nernst_mv
from logger.measure.sensitivity import Sensitivities, error_variance, expected_error, sensitivities
from logger.measure.uncertainty import shrinkage, wandered
from logger.model import Calibration, Estimate
from logger.structs import Struct
from logger.units import DAY_US


class Term(Struct, frozen=True, kw_only=True):
    """One line of a budget."""

    name: str
    basis: str
    """What it rests on, with its unit, for a person."""
    variance: float
    """pH^2; below 0 where checks take doubt away from several parts at once."""

    @property
    def u_ph(self) -> float:
        """Return the standard uncertainty that it is, with the sign of what it does to the sum."""
        return copysign(sqrt(abs(self.variance)), self.variance)


def combined(terms: Sequence[Term]) -> float:
    """Return u of the result."""
    return sqrt(max(0.0, sum(term.variance for term in terms)))


class Result(Struct, frozen=True, kw_only=True):
    """The result a budget is of: pH at C, UTC (microseconds), one reading or the median of `count`."""

    ph: float
    temperature_c: float
    at_us: int
    count: int = 1
    poll_s: float = 10.0


def budget(
    calibration: Calibration, errors: ErrorModel, result: Result, *, known: Estimate | None = None
) -> tuple[Term, ...]:
    """Return the terms of u of a result, largest first. `known`: what checks told since the calibration."""
    fresh = start(calibration, errors)
    told = known is not None and (known.at_us != calibration.at_us or known.steady != fresh.steady)
    known = fresh if known is None else known
    _, slope = points_behind(calibration, ph=result.ph, temperature_c=result.temperature_c)
    days = abs(result.at_us - known.at_us) / DAY_US
    parts = sensitivities(known, ph=result.ph, temperature_c=result.temperature_c, days=days, slope=slope)
    celsius = sqrt(known.steady.covariance[THERMOMETER][THERMOMETER])
    far = abs(ISOPOTENTIAL_PH - result.ph)
    line = (OFFSET, SLOPE, *(number for number in parts.by_number if number >= FIRST_BEND))
    since = f"{days:.1f} days after the {'newest check' if told else 'calibration'}"
    junction = "what checks leave of it" if told else "a stated allowance: no buffer shows it"
    groups = {
        "drift": (RATE,),
        "liquid junction in brine": (JUNCTION, JUNCTION_SLOPE),
        "temperature": (THERMOMETER,),
        "calibration": line,
    }
    of = {name: float(error_variance(known.steady, parts, numbers)) for name, numbers in groups.items()}
    whole = float(error_variance(known.steady, parts))
    terms = [
        *(
            [Term(name="calibration", basis=f"what checks leave of it, {since}", variance=of["calibration"])]
            if told
            else _fit(calibration, result, of["calibration"])
        ),
        Term(
            name="temperature",
            basis=f"{celsius:.2g} C, {far:.1f} pH from the isopotential point",
            variance=of["temperature"],
        ),
        Term(name="liquid junction in brine", basis=junction, variance=of["liquid junction in brine"]),
        *_own(errors),
        Term(name="drift", basis=f"{_rate(calibration, known, told=told)}, {since}", variance=of["drift"]),
        Term(
            name="wander",
            basis=f"{_wander(known)} pH per square-root day, {since}",
            variance=float(wandered(known, parts)),
        ),
        *(_told(known, parts, whole - sum(of.values())) if told else ()),
        *_scatter(calibration, errors, result),
    ]
    return tuple(sorted(terms, key=lambda term: -abs(term.variance)))


def _wander(known: Estimate) -> str:
    wander = wander_of(known)
    return f"line {sqrt(wander.offset):.2g} and junction {sqrt(wander.junction):.2g}"


def _rate(calibration: Calibration, known: Estimate, *, told: bool) -> str:
    own = " (its own history)" if not told and calibration.drift_ph_per_day is not None else ""
    return f"{sqrt(known.steady.covariance[RATE][RATE]):.3g} pH a day{own}"


def _told(known: Estimate, parts: Sensitivities, common: float) -> list[Term]:
    """Return what checks found, and what they know of several parts at once."""
    error = float(expected_error(known.steady, parts))
    return [
        Term(name="error found by checks", basis=f"{error:+.3f} pH, not corrected", variance=error * error),
        Term(name="known of several parts", basis="checks know their sum better than each part", variance=common),
    ]


def _own(errors: ErrorModel) -> list[Term]:
    basis = "a stated allowance: the instrument reports its own pH, rounded and compensated inside"
    return [Term(name="the probe's own pH", basis=basis, variance=errors.own_ph**2)] if errors.own_ph else []


def _fit(calibration: Calibration, result: Result, whole: float) -> list[Term]:
    """Split what the calibration contributes into buffers, potentials and, of a lone buffer, the slope taken over."""
    points, slope = points_behind(calibration, ph=result.ph, temperature_c=result.temperature_c)
    k = nernst_mv(result.temperature_c)
    weights = [w / (slope * k) for w in weights_at(points, slope, x=k * (ISOPOTENTIAL_PH - result.ph))]
    pairs = list(zip(weights, points, strict=True))
    of_buffers = sum((w * slope * nernst_mv(p.temperature_c) * p.u_ph) ** 2 for w, p in pairs)
    measured = whole if len(points) > 1 else sum((w * point_u_mv(p, slope)) ** 2 for w, p in pairs)
    inside = calibration.low_ph <= result.ph <= calibration.high_ph
    where = "between the buffers" if inside else "OUTSIDE the buffers"
    many = f"{len(points)} buffers" if len(points) > 1 else "one buffer"
    terms = [
        Term(name="buffer values", basis=f"{many}, reading {where}", variance=of_buffers),
        Term(
            name="potentials in the buffers", basis=f"{many}, reading {where}", variance=max(0.0, measured - of_buffers)
        ),
    ]
    if len(points) == 1:
        terms.append(Term(name="slope", basis="not measured: one buffer only", variance=max(0.0, whole - measured)))
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
        Term(name="repeatability", basis=f"{repeat:g} mV{of}", variance=(repeat / span) ** 2 * shrunk),
        Term(name="resolution", basis=f"{step:g} mV, rectangular{of}", variance=(step / span) ** 2 / 12.0 * shrunk),
    ]
